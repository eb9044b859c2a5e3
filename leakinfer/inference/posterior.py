"""Exact answers about a model: evidence, marginals, joint probabilities of nothing being on."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from copy import copy

import numpy as np

from leakinfer.inference.chain import Chain, Mask
from leakinfer.inference.findings import revealed, scaled
from leakinfer.inference.layout import BUDGET_BITS, lay_out
from leakinfer.inference.model import Array, Model, ModelError, SwitchTest


class Posterior:
    """The exact posterior of a model; made by :func:`leakinfer.inference.solve`."""

    exact = True
    effective_sample_size: float | None = None

    def __init__(self, model: Model, together: Sequence[Sequence[str]] = (), budget: float = BUDGET_BITS) -> None:
        self.model, self.together = revealed(model), together
        self.chain: Chain = lay_out(self.model, together, budget=budget)
        self.log_evidence: float = self.chain.log_evidence

    def with_switches(self, extra: Mapping[str, Collection[str]]) -> Posterior:
        """The same posterior, its scan laid out so that items depend on more switches, which a test to come asks for.

        Raises:
            OverBudget: too much would be open at once.
        """
        other = copy(self)
        other.chain = lay_out(self.model, self.together, extra=extra)
        return other

    def copy_likelihood(self, place: int) -> Array:
        """(S, P, K): what all findings and items say about one copy of the item at a place of the scan."""
        return self.chain.own_likelihood(place)

    def joint(self, item: str) -> Array:
        """(S, P, K): shared switches, own switches and the state of one copy, together."""
        place = self.chain.place[item]
        link = self.chain.links[place]
        return np.asarray(link.weights * link.private_prior[:, None] * self.copy_likelihood(place))

    def marginal(self, item: str) -> Array:
        """(states,): the state of one copy of an item."""
        table = np.maximum(self.chain.own_state(self.chain.place[item]), 0.0)  # signed terms round to just below it
        return np.asarray(table / table.sum())

    def any_copy(self, item: str, mask: Mask) -> float:
        """P(at least one copy of the item is in a state of ``mask``)."""
        if self.model.items[self.model.index[item]].count == 1:
            return float(self.marginal(item)[mask].sum())
        return 1.0 - self.probability_none({item: mask})

    def probability_none(self, masks: Mapping[str, Mask]) -> float:
        """P(no copy of any named item is in one of its masked states), one forward pass."""
        chain = self.chain
        named = {chain.place[item]: mask for item, mask in masks.items()}
        if not named:
            return 1.0
        first, last = min(named), max(named)
        chain.masked({place: named.get(place) for place in range(first, last + 1)})
        message = chain.before(first)
        for place in range(first, last + 1):
            message = chain.operator(place, named.get(place)).push(message)
            if place < last:
                message = chain.step(message, place)
        return min(1.0, max(0.0, float(chain.joined(message, chain.after(last), last)[0, 0])))

    def switch(self, name: str) -> Array:
        """(values,): the distribution of a switch."""
        owners = self.chain.owners(name)
        if not owners:
            return self._alone(name)
        owner = self.chain.links[owners[0]]
        table = self._switches(owner.item.name)
        axis = (*owner.shared, *owner.private).index(name)
        kept = np.moveaxis(table, axis, 0).reshape(table.shape[axis], -1).sum(1)
        return np.asarray(kept / kept.sum(), dtype=float)

    def _switches(self, item: str) -> Array:
        """The joint of all switches of an item, one axis each."""
        link = self.chain.links[self.chain.place[item]]
        sizes = [self.model.sizes[name] for name in (*link.shared, *link.private)]
        return np.asarray(self.joint(item).sum(-1).reshape(sizes))

    def _alone(self, name: str) -> Array:
        """The distribution of a switch that no item depends on."""
        if name not in self.model.sizes:
            raise ModelError(f"unknown switch {name}")
        values = next(switch.prior for switch in self.model.switches if switch.name == name)
        for seen in self.model.observations:
            if isinstance(seen.test, SwitchTest) and seen.test.switch == name:
                values, _ = scaled(values * seen.test.likelihood[:, seen.outcome])
        return np.asarray(values / values.sum())

"""The fallback when too much would be open at once: weighted draws, with their effective sample size.

Responses are left out until the rest is within the budget; exact draws of the rest are weighed by the likelihood of
what was left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from leakinfer.inference.chain import Mask
from leakinfer.inference.draws import Draws, Ints, draw
from leakinfer.inference.findings import revealed
from leakinfer.inference.information import Group, Information, from_joint
from leakinfer.inference.layout import OverBudget
from leakinfer.inference.model import (
    AmountTest,
    Array,
    ImpossibleEvidence,
    LevelTest,
    Model,
    Observation,
    SwitchTest,
    Table,
    Test,
)
from leakinfer.inference.posterior import Posterior

DRAW_BUDGET_BITS = 12.0  # of the part that is drawn from exactly


class SampledPosterior:
    """The posterior as weighted joint draws; ``exact`` is False."""

    exact = False

    def __init__(self, model: Model, together: Sequence[Sequence[str]], count: int, seed: int) -> None:
        self.model, self.together = revealed(model), together
        model = self.model
        rest, left_out = _within_budget(model, together)
        self.rest = rest
        self.draws: Draws = draw(rest, count, np.random.default_rng(seed))
        log_weight = np.zeros(count)
        with np.errstate(divide="ignore"):
            for seen in left_out:
                log_weight += np.log(outcome_table(seen.test, self.draws)[:, seen.outcome])
        top = float(log_weight.max())
        if not math.isfinite(top):
            raise ImpossibleEvidence("no draw agrees with the observations; they are impossible or nearly so")
        weight = np.exp(log_weight - top)
        self.log_evidence = rest.log_evidence + top + math.log(weight.mean())
        self.weight: Array = weight / weight.sum()
        self.effective_sample_size: float | None = float(1.0 / np.sum(self.weight**2))

    def marginal(self, item: str) -> Array:
        """(states,): the state of one copy of an item."""
        states = self.draws.states[item]
        size = self.model.items[self.model.index[item]].states
        weight = np.repeat(self.weight / states.shape[1], states.shape[1])
        return np.asarray(np.bincount(states.ravel(), weight, minlength=size), dtype=float)

    def any_copy(self, item: str, mask: Mask) -> float:
        """P(at least one copy of the item is in a state of ``mask``)."""
        return min(1.0, float(self.weight @ mask[self.draws.states[item]].any(1)))

    def probability_none(self, masks: Mapping[str, Mask]) -> float:
        """P(no copy of any named item is in one of its masked states)."""
        return min(1.0, float(self.weight @ ~self.on(masks)))  # weights add to 1 but for rounding

    def on(self, group: Group) -> Mask:
        """(draws,): whether any copy of any named item is in a masked state."""
        result = np.zeros(self.weight.size, dtype=bool)
        for item, mask in group.items():
            result |= mask[self.draws.states[item]].any(1)
        return result

    def switch(self, name: str) -> Array:
        """(values,): the distribution of a switch."""
        found = np.bincount(self.draws.switches[name], self.weight, minlength=self.model.sizes[name])
        return np.asarray(found, dtype=float)

    def information(self, test: Test, groups: Sequence[Group], max_on: int) -> Information:
        """Expected information of a test about which groups are on, from the draws.

        A set with few draws seems to tell more than it does; a bias that falls as one over the draws is removed by
        comparing with the halves (jackknife). ``gap`` holds what was removed besides what the lumping may hide.
        """
        chance = outcome_table(test, self.draws)
        if not groups:
            return Information(0.0, np.asarray(self.weight @ chance), 0.0)
        on = np.stack([self.on(group) for group in groups], axis=1)
        on[on.sum(1) > max_on] = True
        lumped: Mask = np.asarray(on.all(1) if on.shape[1] > max_on else np.zeros(len(on), dtype=bool))
        packed = np.packbits(on, axis=1)  # as bytes rows sort in the same order, twenty times as fast
        sets, key = np.unique(packed.view(np.dtype((np.void, packed.shape[1]))).ravel(), return_inverse=True)
        parts = [self._from_sets(chance, key, lumped, len(sets), rows) for rows in _halves(len(on))]
        whole, *halves = parts
        excess = sum(half.bits for half in halves) / len(halves) - whole.bits
        removed = min(max(excess, 0.0), whole.bits)
        return Information(float(whole.bits - removed), whole.outcomes, float(whole.gap + removed))

    def together_with(self, test: Test, groups: Sequence[Group]) -> Array:
        """(groups, outcomes): P(a group is on, outcome), from the draws."""
        chance = outcome_table(test, self.draws) * self.weight[:, None]
        return np.stack([chance[self.on(group)].sum(0) for group in groups])

    def _from_sets(self, chance: Array, key: Ints, lumped: Mask, count: int, rows: slice) -> Information:
        """Plug-in information from some of the draws; ``key``: the number of each draw's set."""
        joint = np.zeros((count + 1, chance.shape[1]))
        weight = self.weight[rows, None]
        np.add.at(joint, np.where(lumped[rows], count, key[rows]), weight / weight.sum() * chance[rows])
        return from_joint(joint)


def _halves(count: int) -> tuple[slice, slice, slice]:
    """All rows, the even ones, the odd ones."""
    return slice(0, count), slice(0, count, 2), slice(1, count, 2)


def outcome_table(test: Test, draws: Draws) -> Array:
    """(draws, outcomes): the likelihood of each outcome given each draw."""
    if isinstance(test, SwitchTest):
        return np.asarray(test.likelihood[draws.switches[test.switch]])
    if isinstance(test, LevelTest):
        below = np.cumsum(test.background)[None, :]
        for item, table in test.emit.items():
            hidden = test.hidden.get(item, 0.0)
            below = below * (hidden + (1 - hidden) * np.cumsum(_rows(table, item, draws), axis=-1).prod(1))
        return np.diff(below, axis=1, prepend=0.0)
    return _amount_table(test, draws)


def _amount_table(test: AmountTest, draws: Draws) -> Array:
    """The likelihood of a sum's outcomes: each draw's distribution over cells, copy by copy."""
    some = next(iter(draws.states.values()))
    sums = np.zeros((some.shape[0], test.cells))
    sums[:, 0] = 1.0
    for item, table in test.spread.items():
        adds, given = table.values[..., 0] < 1, [draws.switches[name] for name in table.switches]
        for states in draws.states[item].T:
            index = (*given, states)
            here = np.flatnonzero(adds[index])  # most copies are tight
            sums[here] = _added(sums[here], table.values[tuple(which[here] for which in index)])
    return np.asarray(sums @ test.likelihood)


def _added(sums: Array, rows: Array) -> Array:
    """(draws, cells): both amounts together, the last cell keeping what is beyond."""
    cells = sums.shape[1]
    result = np.zeros_like(sums)
    for added in np.flatnonzero(rows.any(0)):
        step = sums * rows[:, added, None]
        result[:, added:] += step[:, : cells - added]
        result[:, -1] += step[:, cells - added :].sum(1)
    return result


def _rows(table: Table, item: str, draws: Draws) -> Array:
    """(draws, copies, columns): the table's row for each copy's state."""
    states = draws.states[item]
    index = tuple(draws.switches[name][:, None] for name in table.switches)
    return np.asarray(table.values[(*index, states)])


def _within_budget(model: Model, together: Sequence[Sequence[str]]) -> tuple[Posterior, list[Observation]]:
    """The exact part and what was left out of it, the widest responses first."""
    kept, left_out = list(model.observations), list[Observation]()
    while True:
        try:
            return Posterior(Model(model.items, model.switches, tuple(kept)), together, DRAW_BUDGET_BITS), left_out
        except OverBudget:
            levels = [seen for seen in kept if isinstance(seen.test, LevelTest) and seen.outcome]
            widest = max(levels or [seen for seen in kept if isinstance(seen.test, AmountTest)], key=_width)
            kept.remove(widest)
            left_out.append(widest)


def _width(seen: Observation) -> int:
    """How many items an observation looks at."""
    return 0 if isinstance(seen.test, SwitchTest) else len(seen.test.scope)

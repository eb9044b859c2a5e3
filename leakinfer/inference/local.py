"""Expected information of many tests that each look at one item, about the one group the item belongs to.

What all else says about an item is a table that is made once; with a second one, in which the group's other items are
held off, each test costs a product of small tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from leakinfer.inference.algebra import cavity
from leakinfer.inference.entropy import normalised
from leakinfer.inference.information import Group
from leakinfer.inference.link import Link, aligned
from leakinfer.inference.marginal import over_switches, state
from leakinfer.inference.model import Array, SwitchTest, Table
from leakinfer.inference.posterior import Posterior
from leakinfer.inference.products import LARGEST_ERROR, circles_of, effects_of, error_bound, of_cavity


class Probe(NamedTuple):
    """A level test of one item: its table, the background (levels,), the chance that the item is hidden from it.

    ``beside``: what else answers, by switches alone: a table of one state; only for an item of count 1.
    """

    table: Table
    background: Array
    hidden: float
    beside: Table | None = None

    @property
    def switches(self) -> tuple[str, ...]:
        """All that it depends on."""
        return (*self.table.switches, *(self.beside.switches if self.beside else ()))


class GroupView:
    """One group, seen from each of its items."""

    def __init__(self, posterior: Posterior, group: Group) -> None:
        self.posterior, self.group = posterior, group
        self.chain = posterior.chain
        self.masks = {self.chain.place[item]: mask for item, mask in group.items()}
        self.first, self.last = min(self.masks), max(self.masks)
        self._off_before: dict[int, Array] = {}
        self._off_after: dict[int, Array] = {}
        if len(self.masks) > 1:
            self._hold_off()

    def _hold_off(self) -> None:
        """Messages in which the group's items passed so far are off."""
        chain = self.chain
        hull = range(self.first, self.last + 1)
        chain.masked({place: self.masks.get(place) for place in hull})
        operators = {place: chain.operator(place, self.masks.get(place)) for place in hull}
        message = chain.before(self.first)
        for place in range(self.first, self.last + 1):
            self._off_before[place] = message
            if place < self.last:
                message = chain.step(operators[place].push(message), place)
        message = chain.after(self.last)
        for place in range(self.last, self.first - 1, -1):
            self._off_after[place] = message
            if place > self.first:
                message = chain.step_back(operators[place].pull(message), place)

    def _off_likelihood(self, place: int) -> Array:
        """(S, P, K) for one copy of an item while the group's other items are off."""
        if not self._off_before:
            return self.posterior.copy_likelihood(place)
        return self.chain.copy_likelihood(place, self._off_before[place], self._off_after[place])

    def on_and_off(self, item: str) -> tuple[Array, Array]:
        """(S, P, K) joints of an item of count 1: with the group off, and whatever the group does."""
        place = self.chain.place[item]
        link = self.chain.links[place]
        weights = link.weights * link.private_prior[:, None]
        off = weights * ~self.masks[place] * self._off_likelihood(place)
        return off, weights * self.posterior.copy_likelihood(place)

    def tables(self, item: str, probes: Sequence[Probe]) -> list[Array]:
        """By test of this item alone, (2, outcomes): joint of the group off or on with the outcome."""
        place = self.chain.place[item]
        link = self.chain.links[place]
        if link.item.count > 1:
            return self._counted(place, link, probes)
        if any(name in link.shared for probe in probes for name in probe.switches):
            off, whole = self.on_and_off(item)
        else:
            off, whole = (joint[None] for joint in self.over_switches(item))
        return [self._single(link, off, whole, probe) for probe in probes]

    def over_switches(self, item: str) -> tuple[Array, Array]:
        """:meth:`on_and_off` with the shared switches summed out: (P, K) each."""
        place = self.chain.place[item]
        whole = over_switches(self.chain, place, self.chain.before(place), self.chain.after(place))
        off = whole
        if self._off_before:
            off = over_switches(self.chain, place, self._off_before[place], self._off_after[place])
        return off * ~self.masks[place], whole

    def plain(self, item: str) -> Array:
        """(2, K): the state of an item of count 1 with the group off, and whatever the group does."""
        place = self.chain.place[item]
        whole = off = self.chain.own_state(place)
        if self._off_before:
            off = state(self.chain, place, self._off_before[place], self._off_after[place])
        return np.stack([off * ~self.masks[place], whole])

    def _single(self, link: Link, off: Array, whole: Array, probe: Probe) -> Array:
        """One test of an item of count 1."""
        sizes = self.posterior.model.sizes

        def at_most(table: Table) -> Array:
            return aligned(table.values, table.switches, link.shared, link.private, sizes).cumsum(-1)

        below = probe.hidden + (1 - probe.hidden) * at_most(probe.table)
        below = below * np.cumsum(probe.background)
        if probe.beside is not None:
            below = below * at_most(probe.beside)
        likelihood = np.diff(below, axis=-1, prepend=0.0)
        return _off_on(*((joint[..., None] * likelihood).sum((0, 1, 2)) for joint in (off, whole)))

    def switch_table(self, item: str, test: SwitchTest) -> Array:
        """(2, outcomes): joint of the group off or on with a look at a switch of one item."""
        place = self.chain.place[item]
        link = self.chain.links[place]
        names = (*link.shared, *link.private)
        sizes = [self.posterior.model.sizes[name] for name in names]
        axis = names.index(test.switch)
        tables = self._switch_values(place, link) if link.item.count > 1 else self.on_and_off(item)
        values = [np.moveaxis(t.sum(-1).reshape(sizes), axis, 0).reshape(sizes[axis], -1).sum(1) for t in tables]
        return _off_on(values[0] @ test.likelihood, values[1] @ test.likelihood)

    def _switch_values(self, place: int, link: Link) -> tuple[Array, Array]:
        """(S, P, 1) joints of the switches of several copies: with the group off, and whatever the group does."""
        tables = []
        for keep, seen in zip((~self.masks[place], None), self._cavities(place), strict=True):
            weights = link.weights if keep is None else link.weights * keep
            kernels = link.by_switch(weights, self.chain.effects(place))  # (S, P, B, G..)
            values = np.einsum("spx,sx->sp", kernels.reshape(*kernels.shape[:2], -1), seen.reshape(seen.shape[0], -1))
            tables.append((values * link.private_prior)[..., None])
        return tables[0], tables[1]

    def _cavities(self, place: int) -> Sequence[Array]:
        """What all else says of an item's kernel, over the evidence: with the group's other items off, and as it is."""
        whole = self.chain.own_cavity(place)
        if not self._off_before:
            return whole, whole
        return cavity(self._off_before[place], self._off_after[place]) / self.chain.home[place].total, whole

    def _counted(self, place: int, link: Link, probes: Sequence[Probe]) -> list[Array]:
        """The same for several copies: kernels of all copies under "none emits more than a level"."""
        sides = self._cavities(place)
        kernels, sums = self._kernels(place, link, probes, in_factors=True), circles_of(link)
        seen_by = [of_cavity(side, sums) for side in sides]
        if max(error_bound(*each, sums) for each in zip(kernels, seen_by, sides, strict=True)) > LARGEST_ERROR:
            kernels, seen_by = self._kernels(place, link, probes, in_factors=False), list(sides)
        below = [_joined(kernel, seen).real for kernel, seen in zip(kernels, seen_by, strict=True)]
        tables, number = [], 1
        for probe in probes:
            ground, rows = probe.background, []
            for values in below:
                seen = probe.hidden * values[0] + (1 - probe.hidden) * values[number : number + ground.size - 1]
                rows.append(np.diff(np.append(seen, values[0]) * np.cumsum(ground), prepend=0.0))
            number += ground.size - 1
            tables.append(normalised(_off_on(rows[0], rows[1])))
        return tables

    def _kernels(self, place: int, link: Link, probes: Sequence[Probe], *, in_factors: bool) -> Array:
        """(2, variants, S, B, G..): with the group's states ruled out or not; as it is, then by probe and level."""
        own = (in_factors, link.effects_key, link.item.count, link.private_prior.tobytes(), link.weights.tobytes())
        key = None if link.effects_key is None else (*own, self.masks[place].tobytes(), *(p.table for p in probes))
        if key is not None and key in self.chain.counted_kernels:
            return self.chain.counted_kernels[key]
        columns = [self._at_most(link, p.table, level) for p in probes for level in range(p.background.size - 1)]
        weights = np.stack([link.weights, *(link.weights * column for column in columns)])
        both = np.concatenate([weights * ~self.masks[place], weights])  # (2 variants, S, P, K)
        weights = both.reshape(-1, *both.shape[2:])
        effects = effects_of(link, circles_of(link)) if in_factors else self.chain.effects(place)
        kernels = link.kernel(weights, effects, factors=in_factors)
        kernels = kernels.reshape(2, -1, *both.shape[1:2], *kernels.shape[1:])
        if key is not None:
            self.chain.counted_kernels[key] = kernels
        return kernels

    def _at_most(self, link: Link, table: Table, level: int) -> Array:
        """(S, P, K): chance that one copy emits no more than a level."""
        sizes = self.posterior.model.sizes
        return aligned(table.values[..., : level + 1].sum(-1), table.switches, link.shared, link.private, sizes)


def plain_tables(joints: Array, probes: Sequence[Probe]) -> Array:
    """(n, 2, outcomes) of n tests with as many outcomes, whose tables have no switches; ``joints``: (n, 2, K), of the
    item that each looks at, from :meth:`plain`."""
    tables = np.stack([probe.table.values for probe in probes])
    hidden = np.array([probe.hidden for probe in probes])[:, None, None]
    ground = np.stack([probe.background for probe in probes]).cumsum(-1)[:, None]
    seen = (joints @ tables).cumsum(-1)
    cumulative = (hidden * joints.sum(-1, keepdims=True) + (1 - hidden) * seen) * ground
    steps = np.diff(cumulative, axis=-1, prepend=0.0)
    return np.asarray(np.maximum(np.stack([steps[:, 0], steps[:, 1] - steps[:, 0]], axis=1), 0.0))


def _joined(kernels: Array, seen: Array) -> Array:
    """(variants,): kernels (variants, S, B, G..) joined with what all else says, (S, B, G..), in any coordinates."""
    return np.tensordot(kernels, seen, axes=seen.ndim)


def _off_on(off: Array, whole: Array) -> Array:
    return np.maximum(np.stack([off, whole - off]), 0.0)

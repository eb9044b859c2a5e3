"""Exact joint draws from a solved model: forward along the scan, each step weighed by the backward message."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.algebra import Operator
from leakinfer.inference.link import Link
from leakinfer.inference.model import Array
from leakinfer.inference.posterior import Posterior
from leakinfer.inference.segment import Segment
from leakinfer.inference.wide import WideOperator

Ints = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Draws(Mapping[str, Ints]):
    """``states``: by item, (draws, copies). ``switches``: by switch, (draws,)."""

    states: Mapping[str, Ints]
    switches: Mapping[str, Ints]

    def __getitem__(self, item: str) -> Ints:
        """The item's states: (draws, copies)."""
        return self.states[item]

    def __iter__(self) -> Iterator[str]:
        return iter(self.states)

    def __len__(self) -> int:
        return len(self.states)


def draw(posterior: Posterior, count: int, rng: np.random.Generator) -> Draws:
    """``count`` exact joint draws of all states and switches."""
    chain, axes = posterior.chain, dict[str, Ints]()
    states: dict[str, Ints] = {}
    switches: dict[str, Ints] = {}
    for segment in chain.segments:
        _open(segment, axes, count, rng)
        for axis in segment.axes:
            if axis.rank[0] == 0:
                switches[axis.name] = axes[axis.name]
        cell = segment.cells(axes, count)
        for offset, link in enumerate(segment.links):
            sampler = _LinkSampler(link, chain.effects(segment.first + offset), segment.after[offset + 1][0])
            states[link.item.name], own, cell = sampler.draw(cell, rng)
            sizes = [posterior.model.sizes[name] for name in link.private]
            switches.update(zip(link.private, np.unravel_index(own, sizes) if sizes else (), strict=True))
        axes = segment.positions(cell)
        for axis in segment.closes:
            del axes[axis.name]
    for switch in posterior.model.switches:
        if switch.name not in switches:
            switches[switch.name] = _choose(np.tile(posterior.switch(switch.name), (count, 1)), rng)
    return Draws(states, switches)


def _open(segment: Segment, axes: dict[str, Ints], count: int, rng: np.random.Generator) -> None:
    """Draw the values with which axes open, given what is open already."""
    if not segment.opens:
        return
    kept = [axis for axis in segment.axes if axis not in segment.opens]
    table = segment.opening_table()  # kept axes in rank order, then opened ones flattened
    sizes = [axis.opening.size for axis in kept]
    key = np.ravel_multi_index([axes[a.name] for a in kept], sizes) if kept else np.zeros(count, int)
    chosen = _choose(table.reshape(-1, table.shape[-1])[key], rng)
    opened = np.unravel_index(chosen, [axis.opening.size for axis in segment.opens])
    axes.update(zip((axis.name for axis in segment.opens), opened, strict=True))


class _LinkSampler:
    """Draws one item's states given the cell of the message in front of it."""

    def __init__(self, link: Link, effects: Array, after: Array) -> None:
        self.outer = after.shape
        self.opening = np.ones((1, 1, 1)) if link.terms is None else link.terms.opening  # (S, P, sets)
        self.sets = self.opening.shape[-1]
        if link.terms is not None:  # drawn with the item's own responses as bits behind the others
            link, closed = link.with_bits(), np.zeros((*after.shape[:3], self.sets, *after.shape[3:]))
            closed[:, :, :, -1] = after
            effects, after = link.effects(), closed.reshape(*after.shape[:2], -1, *after.shape[3:])
        self.link, self.after = link, after  # after: (S, U, B, G..)
        self.grid = after.shape[2:]
        lead = (after.shape[0], link.private_prior.size)
        self.effects = np.broadcast_to(effects, (*lead, *effects.shape[2:])).reshape(*lead, link.item.states, -1)

    def draw(self, cell: Ints, rng: np.random.Generator) -> tuple[Ints, Ints, Ints]:
        """States (draws, copies), values of the private switches (draws,), cells behind the item (draws,)."""
        copies = self.link.item.count
        behind = [self._pulled(p, copies) for p in range(self.link.private_prior.size)]  # [p][copies left]
        starts, switch = self._starts(cell), np.unravel_index(cell, self.outer)[0]
        opening = np.broadcast_to(self.opening, (self.after.shape[0], len(behind), self.sets))
        chance = [
            self.link.private_prior[p] * opening[switch, p] * b[copies].reshape(-1)[starts]
            for p, b in enumerate(behind)
        ]
        own, bits = np.divmod(_choose(np.concatenate(chance, axis=1), rng), self.sets)
        cell = starts[np.arange(len(starts)), bits]
        states = np.zeros((cell.size, copies), dtype=int)
        for copy in range(copies):
            for p in np.unique(own):
                rows = np.flatnonzero(own == p)
                after = behind[p][copies - 1 - copy]
                states[rows, copy], cell[rows] = self._one(cell[rows], int(p), after, rng)
        s, u, b, *sums = np.unravel_index(cell, self.after.shape)
        return states, own, np.asarray(np.ravel_multi_index((s, u, b // self.sets, *sums), self.outer))

    def _starts(self, cell: Ints) -> Ints:
        """(draws, sets of own responses): the cells in front of the item, by what the background explains."""
        s, u, b, *sums = (part[:, None] for part in np.unravel_index(cell, self.outer))
        every = b * self.sets + np.arange(self.sets)
        parts = np.broadcast_arrays(s, u, every, *sums)
        return np.asarray(np.ravel_multi_index(tuple(parts), self.after.shape))

    def _pulled(self, p: int, copies: int) -> list[Array]:
        """The backward message with 0, 1, .. copies pulled into it, given the private switches."""
        pull = self._puller(p)
        messages = [self.after[None]]
        for _ in range(copies):
            messages.append(pull(messages[-1]))
        return [message[0] for message in messages]

    def _puller(self, p: int) -> Callable[[Array], Array]:
        """The backward step of one copy."""
        if self.link.wide:
            wide = WideOperator(self.link, self.link.weights)
            return lambda message: wide.one_copy(message, p, back=True)
        summed = np.einsum("sk,skx->sx", self.link.weights[:, p], self.effects[:, p])
        return Operator(summed.reshape(summed.shape[0], *self.grid)).pull

    def _one(self, cell: Ints, p: int, after: Array, rng: np.random.Generator) -> tuple[Ints, Ints]:
        """The state of one copy, and the cell behind it."""
        state, behind = np.zeros(cell.size, dtype=int), np.zeros(cell.size, dtype=int)
        flat = after.reshape(-1)
        for value in np.unique(cell):
            rows = np.flatnonzero(cell == value)
            s = int(np.unravel_index(int(value), self.after.shape)[0])
            targets = self._targets(int(value))
            table = self.link.weights[s, p][:, None] * self.effects[s, p] * flat[targets]
            chosen = _choose(table.reshape(1, -1), rng, rows.size)
            k, x = np.divmod(chosen, targets.size)
            state[rows], behind[rows] = k, targets[x]
        return state, behind

    def _targets(self, cell: int) -> Ints:
        """The cells reached from a cell by each effect: union of bits, sums kept in the last cell."""
        s, u, b, *g = np.unravel_index(cell, self.after.shape)
        moved = [b | np.arange(self.grid[0])]
        moved += [np.minimum(start + np.arange(size), size - 1) for start, size in zip(g, self.grid[1:], strict=True)]
        mesh = np.meshgrid(*moved, indexing="ij")
        shape = mesh[0].shape
        index = np.ravel_multi_index([np.full(shape, s), np.full(shape, u), *mesh], self.after.shape)
        return np.asarray(index.reshape(-1))


def _choose(weights: Array, rng: np.random.Generator, count: int | None = None) -> Ints:
    """One column for each row of (rows, columns) weights; or ``count`` columns from a single row."""
    total = np.cumsum(weights, axis=1)
    if count is not None:
        spots = rng.random(count) * total[0, -1]
        return np.asarray(np.minimum(np.searchsorted(total[0], spots, side="right"), total.shape[1] - 1))
    spots = rng.random(weights.shape[0]) * total[:, -1]
    return np.asarray(np.minimum((total <= spots[:, None]).sum(1), total.shape[1] - 1))

"""One item of the scan, with everything that the open findings say about it, as operators on messages."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from leakinfer.inference import algebra
from leakinfer.inference.model import Array, Item, Table
from leakinfer.inference.own import Terms

# Responses on one item beyond which its states are scanned one by one: what it does to all sets of them takes 3^r
# products (8 responses: 0.1 GB and half a second on a coil, 2 GB and some ten seconds beside a sum of 64 cells).
WIDEST_KERNEL = 8
WIDEST_BESIDE_SUMS = 7
KEPT_POWERS = 512  # some 10 kB each
LARGEST_KEPT = 100_000  # bytes; larger ones, as of two sums side by side, are made anew
TOGETHER = 4_000_000  # bytes of one copy's kernels taken at once; joining them takes some tens of times as much
KEPT_ALIGNMENTS = 4096  # some numbers each


@dataclass(frozen=True, eq=False)
class Link:
    """An item in the scan.

    ``shared``: the switches it shares with others, in scan order, S values together; ``private``: its own, P values
    together, with their prior. ``weights``: (S, P, K) prior of a copy times what folds into it at once, scaled to a
    maximum of 1; ``log_scale`` is what that takes from the evidence. ``below`` and ``at``: by open response, (S, P, K)
    chances that a copy stays below the seen level or is just at it. ``spreads``: by open sum, (S, P, K, G). Axes of
    size 1 stand for all values. ``tables``: that of the one sum, where there is no response and no switch in it.
    ``terms``: the responses that stay inside the item, whose other fields know nothing of them.
    """

    item: Item
    shared: tuple[str, ...]
    private: tuple[str, ...]
    private_prior: Array
    weights: Array
    log_scale: float
    responses: tuple[str, ...]
    below: tuple[Array, ...]
    at: tuple[Array, ...]
    sums: tuple[str, ...]
    spreads: tuple[Array, ...]
    tables: tuple[Table, ...] | None = None
    terms: Terms | None = None

    @property
    def cells(self) -> tuple[int, ...]:
        """Cells of each open sum."""
        return tuple(spread.shape[-1] for spread in self.spreads)

    @property
    def wide(self) -> bool:
        """Whether too many responses are open here to work out what it does to all sets of them."""
        return len(self.responses) > (WIDEST_BESIDE_SUMS if self.spreads else WIDEST_KERNEL)

    @cached_property
    def effects_key(self) -> Hashable:
        """Links with the same key have the same effects; None where switches change them."""
        tables = (*self.below, *self.at, *self.spreads)
        if self.terms or any(table.shape[:2] != (1, 1) for table in tables):
            return None
        return self.item.states, *(
            (table.__array_interface__["data"][0], table.shape, table.strides) for table in tables
        )

    def effects(self) -> Array:
        """(S, P, K, B, G..): what one copy in each state does to bits and sums; switch axes may be 1."""
        pairs = [np.stack(pair, axis=-1) for pair in zip(self.below, self.at, strict=True)]
        return side_by_side(self.item.states, pairs, self.spreads)

    def kernel(self, weights: Array, effects: Array, *, factors: bool = False) -> Array:
        """(S, B, G..) of all copies together, the private switches summed out.

        ``factors``: effects are told so that what joins multiplies (:mod:`leakinfer.inference.products`).
        """
        if self.item.count == 1:
            weighted = weights * self.private_prior[:, None]
            if effects.shape[:2] == (1, 1):
                return _sum_states(weighted.sum(1, keepdims=True), effects)[:, 0]
            return np.asarray(_sum_states(weighted, effects).sum(1))
        each = weights[0].size // self.item.states * effects[0, 0, 0].nbytes * (self.terms.count if self.terms else 1)
        step = max(TOGETHER // (each * len(self.weights)), 1) * len(self.weights)  # whole variants of weights
        parts = [
            np.moveaxis(self.by_switch(weights[i : i + step], effects, factors=factors), 1, -1) @ self.private_prior
            for i in range(0, len(weights), step)
        ]
        return np.concatenate(parts) if len(parts) > 1 else np.asarray(parts[0])

    def by_switch(self, weights: Array, effects: Array, *, factors: bool = False) -> Array:
        """(S, P, B, G..) of all copies together, by private switch."""
        if self.terms is None:
            return self._power(_sum_states(weights, effects), self.item.count, factors=factors)
        copies = self._power(self._in_terms(weights, effects), self.item.count, factors=factors)
        return self.terms.summed(copies) if factors else self.terms.joined(copies)

    def others(self, weights: Array, effects: Array) -> Array:
        """(S, P, B, G..) of all copies but one, by private switch; of a count above 1. (S A, P, B, G..) with terms."""
        if self.terms is None:
            return self._power(_sum_states(weights, effects), self.item.count - 1)
        return self.terms.apart(self._power(self._in_terms(weights, effects), self.item.count - 1))

    def _in_terms(self, weights: Array, effects: Array) -> Array:
        """(V S, P A, B, G..) of one copy: each private value's terms side by side."""
        assert self.terms is not None
        if effects.shape[1] > 1:
            effects = np.repeat(effects, self.terms.count, axis=1)
        return _sum_states(self.terms.spread(weights), effects)

    def with_bits(self) -> Link:
        """The same item with its own responses as open ones behind the others."""
        assert self.terms is not None
        below, at = zip(*((own.below, own.at) for own in self.terms.responses), strict=True)
        names = tuple(f"own {number}" for number in range(len(at)))
        return replace(
            self, responses=(*self.responses, *names), below=(*self.below, *below), at=(*self.at, *at), terms=None
        )

    def _power(self, copies: Array, count: int, *, factors: bool = False) -> Array:
        """(S, P, B, G..) of one copy, of ``count`` copies."""
        if count == 1:
            return copies
        if factors:
            return algebra.power(copies, count, np.multiply)
        flat = copies.reshape(-1, *copies.shape[2:])
        if flat.nbytes > LARGEST_KEPT:
            return algebra.power(flat, count).reshape(copies.shape)
        return _power(flat.tobytes(), flat.shape, count).reshape(copies.shape)

    def copy_likelihood(self, cavity: Array, effects: Array, others: Sequence[algebra.Operator]) -> Array:
        """(S, P, K): what all else says of the state of one copy; ``others``: by private switch, the other copies."""
        switches = len(cavity)
        if self.terms is not None:
            cavity = np.repeat(cavity, self.terms.count, axis=0)
        if others:
            seen = np.stack([rest.pull(cavity[None, :, None])[0, :, 0] for rest in others], axis=1)
        else:
            seen = cavity[:, None]
        flat = effects.reshape(*effects.shape[:3], -1)
        if self.terms is not None and len(flat) > 1:
            flat = np.repeat(flat, self.terms.count, axis=0)
        result = (flat @ seen.reshape(*seen.shape[:2], -1)[..., None])[..., 0]
        if self.terms is not None:
            result = self.terms.said(result)
        return np.broadcast_to(result, (switches, self.private_prior.size, self.item.states))


def side_by_side(states: int, pairs: Sequence[Array], spreads: Sequence[Array]) -> Array:
    """(S, P, K, B, G..) from what a copy does to each response, (S, P, K, 2), and to each sum, (S, P, K, G)."""
    result = np.ones((1, 1, states, 1))
    for pair in pairs:
        lead = np.broadcast_shapes(result.shape[:3], pair.shape[:3])
        result = (result[..., :, None] * pair[..., None, :]).reshape(*lead, -1)
    for number, spread in enumerate(spreads):
        result = result[..., None] * spread.reshape(*spread.shape[:3], *(1,) * (number + 1), spread.shape[3])
    return result


@lru_cache(KEPT_POWERS)
def _power(copies: bytes, shape: tuple[int, ...], count: int) -> Array:
    """The kernels of ``count`` copies, from that of one as bytes; kept, since models of one search have most alike."""
    made = algebra.power(np.frombuffer(copies).reshape(shape), count)
    made.flags.writeable = False
    return made


def _sum_states(weights: Array, effects: Array) -> Array:
    """sum_k weights[s, p, k] effects[s, p, k, ...]."""
    flat = effects.reshape(*effects.shape[:3], -1)
    if flat.shape[:2] == (1, 1):
        summed = algebra.times(weights, flat[0, 0])
    else:
        if 1 < flat.shape[0] < weights.shape[0]:  # several variants of weights take the effects in turn
            flat = np.concatenate([flat] * (weights.shape[0] // flat.shape[0]))
        summed = algebra.times(weights[:, :, None, :], flat)[:, :, 0]
    return summed.reshape(*summed.shape[:2], *effects.shape[3:])


def aligned(
    values: Array, switches: Sequence[str], shared: Sequence[str], private: Sequence[str], sizes: Mapping[str, int]
) -> Array:
    """A table (*sizes of switches, ...) as (S, P, ...); S or P is 1 where it does not depend on such switches."""
    if not switches:
        return values[None, None]
    known = tuple(sizes[name] for name in (*shared, *private))
    order, lead, full, joint = _alignment(tuple(switches), tuple(shared), tuple(private), known)
    count = len(switches)
    tail = values.shape[count:]
    if count > 1:
        values = values.transpose(*order, *range(count, values.ndim))
    if lead != full:
        values = np.broadcast_to(values.reshape(*lead, *tail), (*full, *tail))
    return values.reshape(*joint, *tail)


@lru_cache(KEPT_ALIGNMENTS)
def _alignment(
    switches: tuple[str, ...], shared: tuple[str, ...], private: tuple[str, ...], sizes: tuple[int, ...]
) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...], tuple[int, int]]:
    """Order of a table's switches among those shared and private, of these ``sizes``; their axes as they are, and
    where they are used at all; the joint sizes of both kinds."""
    order = tuple(switches.index(name) for name in (*shared, *private) if name in switches)
    lead, full = list[int](), list[list[int]]()
    for part, known in ((shared, sizes[: len(shared)]), (private, sizes[len(shared) :])):
        used = any(name in switches for name in part)
        lead += [size if name in switches else 1 for name, size in zip(part, known, strict=True)]
        full.append([size if used else 1 for size in known])
    joint = math.prod(full[0]), math.prod(full[1])
    return order, tuple(lead), (*full[0], *full[1]), joint

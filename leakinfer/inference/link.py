"""One item of the scan, with everything that the open findings say about it, as operators on messages."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference import algebra
from leakinfer.inference.model import Array, Item


@dataclass(frozen=True, eq=False)
class Link:
    """An item in the scan.

    ``shared``: the switches it shares with others, in scan order, S values together; ``private``: its own, P values
    together, with their prior. ``weights``: (S, P, K) prior of a copy times what folds into it at once, scaled to a
    maximum of 1; ``log_scale`` is what that takes from the evidence. ``below`` and ``at``: by open response, (S, P, K)
    chances that a copy stays below the seen level or is just at it. ``spreads``: by open sum, (S, P, K, G). Axes of
    size 1 stand for all values.
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

    @cached_property
    def effects_key(self) -> Hashable:
        """Links with the same key have the same effects; None where switches change them."""
        tables = (*self.below, *self.at, *self.spreads)
        if any(table.shape[:2] != (1, 1) for table in tables):
            return None
        return self.item.states, *(
            (table.__array_interface__["data"][0], table.shape, table.strides) for table in tables
        )

    def effects(self) -> Array:
        """(S, P, K, B, G..): what one copy in each state does to bits and sums; switch axes may be 1."""
        result = np.ones((1, 1, self.item.states, 1))
        for below, at in zip(self.below, self.at, strict=True):
            pair = np.stack([below, at], axis=-1)
            result = (result[..., :, None] * pair[..., None, :]).reshape(
                *np.broadcast_shapes(result.shape[:3], below.shape), -1
            )
        for number, spread in enumerate(self.spreads):
            lead = (1,) * (number + 1)
            result = result[..., None] * spread.reshape(*spread.shape[:3], *lead, spread.shape[3])
        return result

    def kernel(self, weights: Array, effects: Array) -> Array:
        """(S, B, G..) of all copies together, the private switches summed out."""
        if self.item.count == 1:
            weighted = weights * self.private_prior[:, None]
            if effects.shape[:2] == (1, 1):
                return np.asarray(np.tensordot(weighted.sum(1), effects[0, 0], axes=(1, 0)), dtype=float)
            return np.asarray(_sum_states(weighted, effects).sum(1))
        joined = self._power(_sum_states(weights, effects), self.item.count)
        return np.asarray(np.moveaxis(joined, 1, -1) @ self.private_prior, dtype=float)

    def by_switch(self, weights: Array, effects: Array) -> Array:
        """(S, P, B, G..) of all copies together, by private switch."""
        return self._power(_sum_states(weights, effects), self.item.count)

    def others(self, weights: Array, effects: Array) -> Array:
        """(S, P, B, G..) of all copies but one, by private switch; of a count above 1."""
        return self._power(_sum_states(weights, effects), self.item.count - 1)

    def _power(self, copies: Array, count: int) -> Array:
        """(S, P, B, G..) of one copy, of ``count`` copies."""
        return algebra.power(copies.reshape(-1, *copies.shape[2:]), count).reshape(copies.shape)

    def copy_likelihood(self, cavity: Array, effects: Array, others: Sequence[algebra.Operator]) -> Array:
        """(S, P, K): what all else says of the state of one copy; ``others``: by private switch, the other copies."""
        if others:
            seen = np.stack([rest.pull(cavity[None, :, None])[0, :, 0] for rest in others], axis=1)
        else:
            seen = cavity[:, None]
        flat = effects.reshape(*effects.shape[:3], -1)
        result = (flat @ seen.reshape(*seen.shape[:2], -1)[..., None])[..., 0]
        return np.broadcast_to(result, (cavity.shape[0], self.private_prior.size, self.item.states))


def _sum_states(weights: Array, effects: Array) -> Array:
    """sum_k weights[s, p, k] effects[s, p, k, ...]."""
    flat = effects.reshape(*effects.shape[:3], -1)
    if 1 < flat.shape[0] < weights.shape[0]:  # several variants of weights take the effects in turn
        flat = np.concatenate([flat] * (weights.shape[0] // flat.shape[0]))
    summed = (weights[:, :, None, :] @ flat)[:, :, 0]
    return summed.reshape(*summed.shape[:2], *effects.shape[3:])


def aligned(
    values: Array, switches: Sequence[str], shared: Sequence[str], private: Sequence[str], sizes: Mapping[str, int]
) -> Array:
    """A table (*sizes of switches, ...) as (S, P, ...); S or P is 1 where it does not depend on such switches."""
    if not switches:
        return values[None, None]
    tail = values.shape[len(switches) :]
    order = [name for name in (*shared, *private) if name in switches]
    values = values.transpose(*(switches.index(name) for name in order), *range(len(switches), values.ndim))
    lead, full = [], []
    for part in (shared, private):
        used = any(name in switches for name in part)
        lead += [sizes[name] if name in switches else 1 for name in part]
        full.append([sizes[name] if used else 1 for name in part])
    values = values.reshape(*lead, *tail)
    if lead != [*full[0], *full[1]]:
        values = np.broadcast_to(values, (*full[0], *full[1], *tail))
    return values.reshape(math.prod(full[0]), math.prod(full[1]), *tail)


SAME_PROFILE = 1e-13  # relative; rounding of products of a few factors is far below


def quiet_states(effects: Array) -> NDArray[np.bool_]:
    """(K,): the states that do nothing to bits and sums; ``effects``: (K, B, G..)."""
    flat = effects.reshape(effects.shape[0], -1)
    return np.asarray((flat[:, 0] == 1) & (flat[:, 1:] == 0).all(1))


def one_profile(quiet: Array, loud: Array) -> tuple[Array, Array, Array] | None:
    """Shares of doing nothing and of acting, (n, V S) each, and the kernel (n, V, cells) by which an item acts whatever
    its switches; None if that differs. ``quiet``: (n, V S), ``loud``: (n, V, S, cells) kernels without the quiet part.
    """
    active = loud.sum(-1)  # (n, V, S)
    best = np.take_along_axis(loud, active.argmax(-1)[..., None, None], axis=2)[:, :, 0]
    total = best.sum(-1, keepdims=True)
    profile = best / np.where(total > 0, total, 1.0)
    if np.any(np.abs(loud - active[..., None] * profile[:, :, None]) > SAME_PROFILE * loud):
        return None
    return quiet, active.reshape(quiet.shape), profile

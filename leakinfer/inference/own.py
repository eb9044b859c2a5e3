"""Responses that only one item of several copies can explain: they open and close inside it.

P(the highest level is the seen one) = G prod(below + at) - g prod(below) over the copies; G and g are the chances that
the background stays at most at the level or below it. The product over several responses is a sum of signed *lanes*,
each a product over the copies, so a lane needs no bits; alike responses share lanes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import comb

import numpy as np

from leakinfer.inference.model import Array

MOST_CANCELLED = 1e-9  # what the lanes leave, to the largest; below, the responses are carried as bits instead


@dataclass(frozen=True, eq=False)
class Own:
    """One such response. ``below``, ``at``: (S, P, K) as those of a link; ``ground_below``, ``ground_at``: (S, P), of
    the background. Axes of size 1 stand for all values."""

    below: Array
    at: Array
    ground_below: Array
    ground_at: Array


@dataclass(frozen=True, eq=False)
class Lanes:
    """``keep``: (S, P, K, A), what a copy in each state multiplies each lane by; ``factor``: (S, P, A), signed."""

    responses: tuple[Own, ...]
    keep: Array
    factor: Array

    @property
    def count(self) -> int:
        """Number of lanes."""
        return int(self.factor.shape[-1])

    def spread(self, weights: Array) -> Array:
        """(V S, P A, K) from weights (V S, P, K): each private value's lanes side by side."""
        keep = _in_turn(self.keep.swapaxes(2, 3), len(weights))
        return (weights[:, :, None] * keep).reshape(len(weights), -1, weights.shape[2])

    def joined(self, lanes: Array) -> Array:
        """(V S, P, ...) of lanes (V S, P A, ...)."""
        split = self._split(lanes)
        factor = _in_turn(self.factor, len(lanes))
        joined = (split.reshape(*split.shape[:3], -1) * factor[..., None]).sum(2)
        return np.asarray(np.maximum(joined.reshape(*split.shape[:2], *split.shape[3:]), 0.0))

    def apart(self, lanes: Array) -> Array:
        """(S A, P, ...) of lanes (S, P A, ...)."""
        split = self._split(lanes).swapaxes(1, 2)
        return split.reshape(-1, *split.shape[2:])

    def said(self, lanes: Array) -> Array:
        """(S, P, K) of what is said of one copy by each lane (S A, P, K)."""
        split = np.moveaxis(lanes.reshape(-1, self.count, *lanes.shape[1:]), 1, -1)  # (S, P, K, A)
        return np.asarray(np.maximum((split * self.keep * self.factor[:, :, None]).sum(-1), 0.0))

    def cancel(self, weights: Array, count: int) -> bool:
        """Whether the lanes of ``count`` copies leave too little of each other to be trusted."""
        each = self.spread(weights).sum(-1).reshape(*weights.shape[:2], self.count) ** count * self.factor
        return bool(each.sum(-1).max() < MOST_CANCELLED * np.abs(each).sum(-1).max())

    def _split(self, lanes: Array) -> Array:
        return lanes.reshape(len(lanes), -1, self.count, *lanes.shape[2:])

    @cached_property
    def opening(self) -> Array:
        """(S, P, 2^q): P(these are explained by the background alone), as bits."""
        result = np.ones((1, 1, 1))
        for one in self.responses:
            pair = np.stack([one.ground_below, one.ground_at], axis=-1)
            result = _outer(result, pair)
        return result


def lanes_of(responses: Sequence[Own]) -> Lanes | None:
    """All lanes of an item's own responses; None where there are none."""
    if not responses:
        return None
    keep, factor = np.ones((1, 1, 1, 1)), np.ones((1, 1, 1))
    for alike in _alike(responses):
        kept, signed = zip(*_powers(alike[0], len(alike)), strict=True)
        keep, factor = _outer(keep, np.stack(kept, axis=-1)), _outer(factor, np.stack(signed, axis=-1))
    return Lanes(tuple(responses), keep, factor)


def _outer(first: Array, second: Array) -> Array:
    """(..., A) and (..., B) as (..., A B)."""
    both = first[..., :, None] * second[..., None, :]
    return both.reshape(*both.shape[:-2], -1)


def _in_turn(values: Array, length: int) -> Array:
    """Values (S, ...) for several variants of weights (V S, ...), one after the other."""
    return np.concatenate([values] * (length // len(values))) if 1 < len(values) < length else values


def _alike(responses: Sequence[Own]) -> list[list[Own]]:
    found: dict[tuple[object, ...], list[Own]] = {}
    for one in responses:
        parts = (one.below, one.at, one.ground_below, one.ground_at)
        found.setdefault(tuple((part.shape, part.tobytes()) for part in parts), []).append(one)
    return list(found.values())


def _powers(one: Own, times: int) -> Iterator[tuple[Array, Array]]:
    """(S, P, K) and (S, P): what copies keep and the factor of each lane of a response that was seen so many times."""
    whole = one.ground_below + one.ground_at
    for missed in range(times + 1):
        kept = (one.below + one.at) ** (times - missed) * one.below**missed
        yield kept, comb(times, missed) * whole ** (times - missed) * (-one.ground_below) ** missed

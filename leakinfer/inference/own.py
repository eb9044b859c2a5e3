"""Responses that only one item of several copies can explain: they open and close inside it.

P(the highest level is the seen one) = G prod(below + at) - g prod(below) over the copies; G and g are the chances that
the background stays at most at the level or below it. The product over several responses is a sum of signed *terms*,
each a product over the copies, so a term needs no bits; alike responses share terms.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import comb

import numpy as np

from leakinfer.inference.model import Array

MOST_CANCELLED = 1e-9  # what the terms leave, to the largest; below, the responses are carried as bits instead


@dataclass(frozen=True, eq=False)
class Own:
    """One such response. ``below``, ``at``: (S, P, K) as those of a link; ``ground_below``, ``ground_at``: (S, P), of
    the background. Axes of size 1 stand for all values."""

    below: Array
    at: Array
    ground_below: Array
    ground_at: Array


@dataclass(frozen=True, eq=False)
class Terms:
    """``keep``: (S, P, K, A), what a copy in each state multiplies each term by; ``factor``: (S, P, A), signed."""

    responses: tuple[Own, ...]
    keep: Array
    factor: Array

    @property
    def count(self) -> int:
        """Number of terms."""
        return int(self.factor.shape[-1])

    def spread(self, weights: Array) -> Array:
        """(V S, P A, K) from weights (V S, P, K): each private value's terms side by side."""
        keep = _in_turn(self.keep.swapaxes(2, 3), len(weights))
        return (weights[:, :, None] * keep).reshape(len(weights), -1, weights.shape[2])

    def joined(self, terms: Array) -> Array:
        """(V S, P, ...) of terms (V S, P A, ...), chances."""
        return np.asarray(np.maximum(self.summed(terms), 0.0))

    def summed(self, terms: Array) -> Array:
        """(V S, P, ...) of terms (V S, P A, ...), in any coordinates."""
        split = self._split(terms)
        factor = _in_turn(self.factor, len(terms))
        joined = (split.reshape(*split.shape[:3], -1) * factor[..., None]).sum(2)
        return np.asarray(joined.reshape(*split.shape[:2], *split.shape[3:]))

    def apart(self, terms: Array) -> Array:
        """(S A, P, ...) of terms (S, P A, ...)."""
        split = self._split(terms).swapaxes(1, 2)
        return split.reshape(-1, *split.shape[2:])

    def said(self, terms: Array) -> Array:
        """(S, P, K) of what is said of one copy by each term (S A, P, K)."""
        split = np.moveaxis(terms.reshape(-1, self.count, *terms.shape[1:]), 1, -1)  # (S, P, K, A)
        return np.asarray(np.maximum((split * self.keep * self.factor[:, :, None]).sum(-1), 0.0))

    def cancel(self, weights: Array, count: int) -> bool:
        """Whether the terms of ``count`` copies leave too little of each other to be trusted."""
        each = self.spread(weights).sum(-1).reshape(*weights.shape[:2], self.count) ** count * self.factor
        return bool(each.sum(-1).max() < MOST_CANCELLED * np.abs(each).sum(-1).max())

    def _split(self, terms: Array) -> Array:
        return terms.reshape(len(terms), -1, self.count, *terms.shape[2:])

    @cached_property
    def opening(self) -> Array:
        """(S, P, 2^q): P(these are explained by the background alone), as bits."""
        result = np.ones((1, 1, 1))
        for one in self.responses:
            pair = np.stack([one.ground_below, one.ground_at], axis=-1)
            result = _outer(result, pair)
        return result


def terms_of(responses: Sequence[Own]) -> Terms | None:
    """All terms of an item's own responses; None where there are none."""
    if not responses:
        return None
    keep, factor = np.ones((1, 1, 1, 1)), np.ones((1, 1, 1))
    for alike in _alike(responses):
        kept, signed = zip(*_powers(alike[0], len(alike)), strict=True)
        keep, factor = _outer(keep, np.stack(kept, axis=-1)), _outer(factor, np.stack(signed, axis=-1))
    return Terms(tuple(responses), keep, factor)


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
    """(S, P, K) and (S, P): what copies keep and the factor of each term of a response that was seen so many times."""
    whole = one.ground_below + one.ground_at
    for missed in range(times + 1):
        kept = (one.below + one.at) ** (times - missed) * one.below**missed
        yield kept, comb(times, missed) * whole ** (times - missed) * (-one.ground_below) ** missed

"""Intervals by drawing jobs anew: what another set of jobs of the same kind might have shown.

A job is drawn whole, with all that belongs to it, since its parts hang together. Jobs of a type of system are drawn
among themselves: a plan fixes how many there are. Percentile intervals (Efron & Tibshirani 1993, ch. 13).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from leakinfer.study.measures.values import UNKNOWN, Interval

Array = NDArray[np.float64]
Counts = NDArray[np.int32]
DRAWS = 2000  # the ends of an interval then move by a few hundredths of its width from seed to seed
LEVEL = 0.95
SEED = 1


@lru_cache(maxsize=8)
def drawn_counts(strata: tuple[int, ...], draws: int = DRAWS, seed: int = SEED) -> Counts:
    """(draws, jobs): how often each job comes up in each draw. ``strata``: numbers of jobs that are drawn together."""
    rng = np.random.default_rng(seed)
    parts = [_stratum(count, draws, rng) for count in strata]
    counts = np.concatenate(parts, axis=1) if parts else np.zeros((draws, 0), np.int32)
    counts.flags.writeable = False
    return counts


def _stratum(count: int, draws: int, rng: np.random.Generator) -> Counts:
    picked = rng.integers(count, size=(draws, count)) + count * np.arange(draws)[:, None]
    return np.bincount(picked.ravel(), minlength=draws * count).reshape(draws, count).astype(np.int32)


def strata_of(systems: Sequence[str]) -> tuple[int, ...]:
    """Lengths of the runs of equal systems; jobs stand in order of their system."""
    names = np.asarray(systems, dtype=object)
    starts = np.flatnonzero(np.concatenate([[True], names[1:] != names[:-1]])) if len(names) else np.zeros(0, int)
    return tuple(int(length) for length in np.diff(np.append(starts, len(names))))


def interval(value: float, drawn: Array) -> Interval:
    """A figure with the ends of the middle 95 % of what it came to in the draws; draws that gave none are left out."""
    known = drawn[~np.isnan(drawn)]
    if np.isnan(value) or not len(known):
        return Interval(float(value), np.nan, np.nan)
    tail = (1 - LEVEL) / 2
    low, high = np.quantile(known, [tail, 1 - tail], method="inverted_cdf")  # ends that occurred: some are infinite
    return Interval(float(value), float(low), float(high))


def mean(values: Array, counts: Counts, over: Array | None = None) -> Interval:
    """Mean of (jobs,) values; with ``over`` (jobs,) the sum of the values over the sum of these."""
    below = np.ones(len(values)) if over is None else over
    total = float(below.sum())
    if total == 0:
        return UNKNOWN
    return interval(float(values.sum()) / total, divided(counts @ values, counts @ below))


def difference(first: Array, second: Array, counts: Counts) -> Interval:
    """Mean of the (jobs,) differences on the same jobs."""
    return mean(first - second, counts)


def apart(first: Array, second: Array, counts: tuple[Counts, Counts], over: tuple[Array, Array]) -> Interval:
    """Difference of the means of two sets of jobs of their own, each a sum over a sum as in :func:`mean`."""
    drawn = [divided(count @ v, count @ o) for v, count, o in zip((first, second), counts, over, strict=True)]
    seen = [divided(np.array(v.sum()), np.array(o.sum())) for v, o in zip((first, second), over, strict=True)]
    return interval(float(seen[0] - seen[1]), drawn[0] - drawn[1])


def divided(above: Array, below: Array) -> Array:
    """A ratio; NaN where there is nothing below."""
    result = np.full(np.shape(above), np.nan)
    np.divide(above, below, out=result, where=np.asarray(below) != 0)
    return result


def median(values: Array, counts: Counts) -> Interval:
    """Median of (jobs,) values, which may be infinite; NaN values are left out."""
    kept = ~np.isnan(values)
    if not kept.any():
        return UNKNOWN
    order = np.argsort(values[kept], kind="stable")
    ranked = values[kept][order]
    reached = np.cumsum(counts[:, np.flatnonzero(kept)[order]], axis=1, dtype=np.int32)
    seen = middle(ranked, np.arange(1, len(ranked) + 1)[None, :])
    return interval(float(seen[0]), middle(ranked, reached))


def middle(ranked: Array, reached: NDArray[np.integer]) -> Array:
    """(draws,): mean of the two middle values; ``reached`` (draws, values): how many come up to each, itself included.

    An infinite one makes the mean infinite. NaN for a draw without values.
    """
    total = reached[:, -1]
    ends = [np.argmax(reached >= half[:, None], axis=1) for half in ((total + 1) // 2, total // 2 + 1)]
    result = (ranked[ends[0]] + ranked[ends[1]]) / 2
    return np.where(total > 0, result, np.nan)

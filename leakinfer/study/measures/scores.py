"""Told chances beside what was so: bins, their distance, scores and what makes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.study.measures.logistic import NORMAL_975
from leakinfer.study.measures.values import Bin, Interval, Score

Array = NDArray[np.float64]
Numbers = NDArray[np.intp]
BINS = 10
CHANCE_DRAWS = 4000  # of what chance alone leaves of the distance


def summed(place: Numbers, values: Array, places: int) -> Array:
    """(places,): sums of the (rows,) values that belong to each."""
    return np.asarray(np.bincount(place, values, places), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Told:
    """(rows,) told chances, 0 or 1 for what was so, and the job of each row, from 0."""

    chance: Array
    truth: Array
    job: Numbers


def fixed_edges(count: int = BINS) -> Array:
    """(count + 1,): bins of equal width from 0 to 1."""
    return np.linspace(0.0, 1.0, count + 1)


def equal_edges(chance: Array, count: int = BINS) -> Array:
    """(up to count + 1,): bins that hold about equally many; chances that are equal stay in one."""
    edges = np.unique(np.quantile(chance, np.linspace(0.0, 1.0, count + 1)))
    return edges if len(edges) > 1 else np.repeat(edges, 2)


def placed(chance: Array, edges: Array) -> Numbers:
    """(rows,): the bin of each chance; one on an edge belongs to the bin above it, the last bin has both ends."""
    return np.clip(np.searchsorted(edges, chance, side="right") - 1, 0, len(edges) - 2)


@dataclass(frozen=True, eq=False)
class Sums:
    """By bin that holds any (bins,): its number, how many, mean told, mean seen."""

    bin: Numbers
    count: Array
    told: Array
    seen: Array


def sums(told: Told, bins: Numbers) -> Sums:
    """Means by bin."""
    count = np.bincount(bins).astype(np.float64)
    held = np.flatnonzero(count)
    told_, seen = (np.bincount(bins, values)[held] / count[held] for values in (told.chance, told.truth))
    return Sums(held, count[held], told_, seen)


def bins_of(told: Told, edges: Array) -> tuple[Bin, ...]:
    """The reliability curve over bins that hold any."""
    bins = placed(told.chance, edges)
    found = sums(told, bins)
    every = zip(found.bin, found.count, found.told, found.seen, strict=True)
    return tuple(
        Bin(float(edges[at]), float(edges[at + 1]), int(count), float(mean), share(told, bins == at, float(seen)))
        for at, count, mean, seen in every
    )


def share(told: Told, rows: NDArray[np.bool_], seen: float) -> Interval:
    """How often it was so among some rows: Wilson's interval (1927), with the count lowered by the design effect.

    The design effect (Kish 1965) is the variance of the share with the rows of a job held together, over that of rows
    on their own; below 1 it counts as 1.
    """
    count = int(rows.sum())
    alone = seen * (1 - seen) / count
    by_job = np.bincount(told.job[rows], told.truth[rows] - seen)
    jobs = len(np.unique(told.job[rows]))
    together = float((by_job**2).sum()) / count**2 * jobs / max(jobs - 1, 1)
    effect = max(together / alone, 1.0) if alone > 0 else 1.0
    return Interval(seen, *wilson(seen, count / effect))


def wilson(seen: float, count: float) -> tuple[float, float]:
    """Ends of the 95 % interval of a share; at 0 and 1 they are exactly that on this side."""
    z = NORMAL_975**2 / count
    centre = (seen + z / 2) / (1 + z)
    half = float(np.sqrt(z * seen * (1 - seen) + z * z / 4)) / (1 + z)
    return (0.0 if seen <= 0 else centre - half), (1.0 if seen >= 1 else centre + half)


def expected_distance(told: Told, bins: Numbers) -> float:
    """Mean distance of told and seen by bin, weighted by count: the expected calibration error."""
    found = sums(told, bins)
    return float((found.count * np.abs(found.told - found.seen)).sum() / found.count.sum())


def chance_distance(told: Told, bins: Numbers, seed: int = 1) -> tuple[float, float]:
    """Mean, and the end that 5 in 100 pass, of :func:`expected_distance` if what is told is right.

    It is above 0, since distances do not cancel. Sums over a bin are taken as normal, with the covariance of the jobs'
    own sums about the bin's mean; the variance of a bin is at least that of rows on their own, which few cases in a bin
    would understate.
    """
    found, jobs = sums(told, bins), int(told.job.max()) + 1
    at = np.searchsorted(found.bin, bins)
    off = told.truth - told.chance - (found.seen - found.told)[at]
    by_job = summed(told.job * len(found.bin) + at, off, jobs * len(found.bin)).reshape(jobs, -1)
    inside = np.count_nonzero(by_job, axis=0)
    factor = np.sqrt(inside / np.maximum(inside - 1, 1))  # the bin's mean is the jobs' own
    together = by_job.T @ by_job * np.outer(factor, factor)
    alone = summed(at, told.chance * (1 - told.chance), len(found.bin))
    np.fill_diagonal(together, np.maximum(np.diag(together), alone))
    size, axes = np.linalg.eigh(together)
    lots = np.random.default_rng(seed).standard_normal((CHANCE_DRAWS, len(size)))
    drawn = (lots * np.sqrt(np.maximum(size, 0.0))) @ axes.T
    distance = np.abs(drawn).sum(axis=1) / len(told.chance)
    return float(distance.mean()), float(np.quantile(distance, 0.95))


def brier(told: Told, bins: Numbers) -> Score:
    """Mean (chance - truth)^2 and Murphy's parts (1973); ``within`` as chances of a bin differ (Stephenson, Coelho &
    Jolliffe 2008)."""
    found, mean = sums(told, bins), float(told.truth.mean())
    weight = found.count / found.count.sum()
    return _score(
        float(((told.chance - told.truth) ** 2).mean()),
        float(weight @ (found.told - found.seen) ** 2),
        float(weight @ (found.seen - mean) ** 2),
        mean * (1 - mean),
    )


def log_score(told: Told, bins: Numbers) -> Score:
    """Mean -log2 of the chance of what was so, with the same parts by divergence (Broecker 2009); in bits."""
    found, mean = sums(told, bins), np.array(told.truth.mean())
    weight = found.count / found.count.sum()
    return _score(
        float(surprise(told.truth, told.chance).mean()),
        float(weight @ divergence(found.seen, found.told)),
        float(weight @ divergence(found.seen, mean)),
        float(surprise(mean, mean)),
    )


def _score(value: float, reliability: float, resolution: float, uncertainty: float) -> Score:
    made = reliability - resolution + uncertainty
    return Score(value, reliability, resolution, uncertainty, value - made if np.isfinite(made) else float("nan"))


def surprise(truth: Array, chance: Array) -> Array:
    """-truth log2 chance - (1 - truth) log2(1 - chance), with 0 log 0 = 0; infinite for what was ruled out."""
    return _minus_times_log(truth, chance) + _minus_times_log(1 - truth, 1 - chance)


def divergence(seen: Array, told: Array) -> Array:
    """Bits that telling ``told`` costs beyond ``seen`` where ``seen`` is so (Kullback & Leibler 1951)."""
    return surprise(seen, told) - surprise(seen, seen)


def _minus_times_log(weight: Array, chance: Array) -> Array:
    weight, chance = np.broadcast_arrays(weight, chance)
    logs = np.full(weight.shape, -np.inf)
    np.log2(chance, out=logs, where=chance > 0)
    result = np.zeros(weight.shape)
    np.multiply(-weight, logs, out=result, where=weight > 0)
    return result


def ruled_out(told: Told) -> int:
    """How many chances of exactly 0 or 1 were wrong."""
    return int(((told.chance == 0) & (told.truth == 1)).sum() + ((told.chance == 1) & (told.truth == 0)).sum())

"""Two policies on the same jobs: what differs is the policies' doing, not the luck of the draw."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from leakinfer.study.measures.arms import HUNDRED, misses
from leakinfer.study.measures.frames import Array, Frame, counts_of, cuts, minutes_to_confirm, minutes_to_find, numbers
from leakinfer.study.measures.resampling import Counts, difference, divided, interval, mean, median
from leakinfer.study.measures.values import Interval, Pair

JOB = ["system", "job"]


def pairs(jobs: Frame, policy: str, others: Sequence[str]) -> tuple[Pair, ...]:
    """``policy`` beside each of the others, by system (and all together) and truth.

    Jobs that one of the two did not play are left out.
    """
    found = []
    for system, (truth,), rows in cuts(jobs, "truth"):
        own = rows[rows["policy"] == policy].set_index(JOB)
        for other in others:
            theirs = rows[rows["policy"] == other].set_index(JOB)
            both = own.index.intersection(theirs.index, sort=False)
            if len(both):
                ours, beside = (table.loc[both].reset_index() for table in (own, theirs))
                found.append(pair(system, truth, ours, beside))
    return tuple(found)


def pair(system: str, truth: str, ours: Frame, theirs: Frame) -> Pair:
    """Of two tables with the same jobs in the same order, that of the system."""
    counts, minutes = counts_of(ours), (minutes_to_confirm(ours), minutes_to_confirm(theirs))
    ratio = ratios(*minutes)
    reached, beside = (np.isfinite(taken) for taken in minutes)
    known = ~np.isnan(minutes[0])
    return Pair(
        system,
        truth,
        str(ours["policy"].iloc[0]),
        str(theirs["policy"].iloc[0]),
        jobs=len(ours),
        compared=int((~np.isnan(ratio)).sum()),
        neither=int((known & ~reached & ~beside).sum()),
        first=int((reached & ~beside).sum()),
        second=int((beside & ~reached).sum()),
        ratio=median(ratio, counts),
        found=median(ratios(minutes_to_find(ours), minutes_to_find(theirs)), counts),
        cost=difference(numbers(ours, "cost"), numbers(theirs, "cost"), counts),
        minutes=difference(numbers(ours, "minutes"), numbers(theirs, "minutes"), counts),
        missed=difference(misses(ours), misses(theirs), counts),
        missed_ratio=share_ratio(misses(ours), misses(theirs), counts),
        wrong=mean(HUNDRED * (numbers(ours, "wrong") - numbers(theirs, "wrong")), counts),
    )


def ratios(ours: Array, theirs: Array) -> Array:
    """(jobs,) ours over theirs: inf / x = inf, x / inf = 0; NaN for inf / inf and where no leak matters."""
    result = np.full(len(ours), np.nan)
    np.divide(ours, theirs, out=result, where=np.isfinite(ours) | np.isfinite(theirs))
    return result


def share_ratio(ours: Array, theirs: Array, counts: Counts) -> Interval:
    """Sum over sum; infinite where theirs is none and ours is not, NaN where both are none."""
    first, second = float(ours.sum()), float(theirs.sum())
    seen = first / second if second else (np.inf if first else np.nan)
    above, below = counts @ ours, counts @ theirs
    drawn = np.where((below == 0) & (above > 0), np.inf, divided(above, below))
    return interval(seen, drawn)

"""How each policy fared."""

from __future__ import annotations

import numpy as np

from leakinfer.study.measures.frames import Array, Frame, counts_of, cuts, minutes_to_confirm, minutes_to_find, numbers
from leakinfer.study.measures.resampling import mean, median
from leakinfer.study.measures.values import Arm, Curve

HUNDRED = 100.0


def arms(jobs: Frame) -> tuple[Arm, ...]:
    """By system (and all together), truth and policy. ``jobs``: columns of ``JobRow``."""
    return tuple(arm(system, key[0], key[1], rows) for system, key, rows in cuts(jobs, "truth", "policy"))


def arm(system: str, truth: str, policy: str, rows: Frame) -> Arm:
    """Of one policy; ``rows``: a job each, in order of system and job."""
    counts, reached = counts_of(rows), minutes_to_confirm(rows)
    done = reached[np.isfinite(reached)]
    return Arm(
        system,
        truth,
        policy,
        jobs=len(rows),
        with_leaks=int((~np.isnan(reached)).sum()),
        confirm=median(reached, counts),
        confirm_mean=float(done.mean()) if len(done) else np.nan,
        never=mean(np.isinf(reached).astype(float), counts, (~np.isnan(reached)).astype(float)),
        found=median(minutes_to_find(rows), counts),
        minutes=mean(numbers(rows, "minutes"), counts),
        missed=mean(misses(rows), counts),
        wrong=mean(HUNDRED * numbers(rows, "wrong"), counts),
        openings=mean(numbers(rows, "openings"), counts),
        tests=float(numbers(rows, "tests").mean()),
        cost=mean(numbers(rows, "cost"), counts),
    )


def misses(rows: Frame) -> Array:
    """(jobs,) 1 where a leak that matters was left, else 0."""
    return (numbers(rows, "missed") > 0).astype(np.float64)


def curves(jobs: Frame) -> tuple[Curve, ...]:
    """Shares over the minutes, by system (and all together), truth and policy; those of a system end together."""
    found = []
    for system, (truth,), rows in cuts(jobs, "truth"):
        reached = minutes_to_confirm(rows)
        last = float(np.max(reached, initial=0.0, where=np.isfinite(reached)))
        for policy in rows["policy"].unique():
            own = reached[np.asarray(rows["policy"] == policy) & ~np.isnan(reached)]
            at = np.unique(np.concatenate([[0.0, last], own[np.isfinite(own)]]))
            found.append(Curve(system, truth, policy, tuple(at.tolist()), tuple(reached_by(own, at).tolist())))
    return tuple(found)


def reached_by(reached: Array, minutes: Array) -> Array:
    """(points,): share of the (jobs,) values that are at most as large as each point; NaN without jobs."""
    if not len(reached):
        return np.full(len(minutes), np.nan)
    return np.asarray(np.searchsorted(np.sort(reached), minutes, side="right") / len(reached))

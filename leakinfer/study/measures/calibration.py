"""Are the told chances right? Of site probabilities, of the risk that was told at the end, of what tests would tell."""

from __future__ import annotations

from collections.abc import Iterator
from typing import get_args

import numpy as np

from leakinfer.study.measures import scores
from leakinfer.study.measures.frames import Frame, counts_of, cuts, job_numbers, numbers
from leakinfer.study.measures.logistic import slope_and_intercept
from leakinfer.study.measures.resampling import mean
from leakinfer.study.measures.scores import Told
from leakinfer.study.measures.values import EVERY, Calibration, Information, Stopping
from leakinfer.study.model import Moment


def calibrations(chances: Frame) -> Iterator[Calibration]:
    """Of site probabilities, by system (and all together), truth and policy, at each moment and over all of them.

    ``chances``: columns of ``ChanceRow``.
    """
    for system, (truth, policy), rows in cuts(chances, "truth", "policy"):
        there = set(rows["moment"])
        moments = [moment for moment in get_args(Moment) if moment in there]
        for moment in [*moments, *([EVERY] if len(moments) > 1 else [])]:
            here = rows if moment == EVERY else rows[rows["moment"] == moment]
            yield calibration((system, truth, policy, moment), here, "chance", "leaks")


def calibration(of: tuple[str, str, str, str], rows: Frame, chance: str, truth: str) -> Calibration:
    """One set of chances. ``of``: system, truth, policy, moment; ``chance``, ``truth``: columns."""
    job, jobs = job_numbers(rows)
    told = Told(numbers(rows, chance), numbers(rows, truth), job)
    edges = scores.equal_edges(told.chance)
    bins = scores.placed(told.chance, edges)
    count = np.bincount(job, minlength=len(jobs)).astype(np.float64)
    seen = scores.summed(job, told.truth, len(jobs))
    slope, intercept = slope_and_intercept(told.chance, told.truth, job)
    by_chance = scores.chance_distance(told, bins)
    return Calibration(
        *of,
        jobs=len(jobs),
        count=len(rows),
        told=float(told.chance.mean()),
        seen=mean(seen, counts_of(jobs), count),
        slope=slope,
        intercept=intercept,
        ece=scores.expected_distance(told, bins),
        ece_expected=by_chance[0],
        ece_most=by_chance[1],
        brier=scores.brier(told, bins),
        log=scores.log_score(told, bins),
        ruled_out=scores.ruled_out(told),
        fixed=scores.bins_of(told, scores.fixed_edges()),
        equal=scores.bins_of(told, edges),
    )


def stopping(jobs: Frame) -> Iterator[Stopping]:
    """The risk told at the end beside what was left, by system (and all together), truth and policy.

    ``jobs``: columns of ``JobRow``; jobs whose policy told no risk are left out.
    """
    told = jobs[jobs["another"].notna()]
    for system, (truth, policy), rows in cuts(told, "truth", "policy"):
        counts = counts_of(rows)
        expected, missed = numbers(rows, "expected_missed"), numbers(rows, "missed")
        yield Stopping(
            calibration((system, truth, policy, "end"), rows, "another", "left"),
            excess=mean(numbers(rows, "left") - numbers(rows, "another"), counts),
            expected=float(expected.mean()),
            missed=mean(missed, counts),
            missed_excess=mean(missed - expected, counts),
        )


def information(steps: Frame) -> Iterator[Information]:
    """Bits forecast beside bits gained, by system (and all together), truth, policy and method (and all methods).

    ``steps``: columns of ``StepRow``; tests without both figures are left out. Where the truth is as the belief assumes
    the two agree on average, since information is the mean of log2 of P(true state) after over before.
    """
    known = steps[steps["bits"].notna() & steps["gained"].notna()]
    for system, (truth, policy), rows in cuts(known, "truth", "policy"):
        for method in [*sorted(set(rows["method"])), EVERY]:
            here = rows if method == EVERY else rows[rows["method"] == method]
            yield _information((system, truth, policy, method), here)


def _information(of: tuple[str, str, str, str], rows: Frame) -> Information:
    job, jobs = job_numbers(rows)
    counts, bits, gained = counts_of(jobs), numbers(rows, "bits"), numbers(rows, "gained")
    tests = np.bincount(job, minlength=len(jobs)).astype(np.float64)
    by_job = [scores.summed(job, values, len(jobs)) for values in (gained, gained - bits)]
    realised, excess = (mean(values, counts, tests) for values in by_job)
    return Information(*of, len(rows), len(jobs), float(bits.mean()), realised, excess)

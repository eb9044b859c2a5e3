"""Arms, pairs, curves and what a wrong world costs, by hand on a few jobs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from leakinfer.study.measures.arms import arm, arms, curves, reached_by
from leakinfer.study.measures.pairs import pairs, ratios
from leakinfer.study.measures.suffering import sufferings
from leakinfer.study.measures.values import EVERY

INF, NAN = np.inf, np.nan


def rows(policy: str, reached: list[float], system: str = "a", truth: str = "as_believed", **more: Any) -> pd.DataFrame:
    """Jobs 0, 1, ... of a policy; a job without a leak has ``leaks`` 0."""
    count = len(reached)
    table = {
        "system": system,
        "truth": truth,
        "policy": policy,
        "job": range(count),
        "minutes": 100.0,
        "all_confirmed": reached,
        "leaks": 1,
        "missed": [int(np.isnan(one)) for one in reached],
        "wrong": 0,
        "openings": 0,
        "tests": 5,
        "cost": 200.0,
    }
    return pd.DataFrame({**table, **more}, index=range(count))


def test_ratios_with_what_never_ends() -> None:
    """By hand: 30/60; never over 40; 20 over never; never over never is left out, and so is a job without a leak."""
    found = ratios(np.array([30.0, INF, 20.0, INF, NAN]), np.array([60.0, 40.0, INF, INF, NAN]))
    assert found[:3].tolist() == [0.5, INF, 0.0]
    assert np.isnan(found[3:]).all()


def test_a_pair_by_hand() -> None:
    """Six jobs: ratios 0.5, inf, 0, (left out), 0.8, and one job without a leak. Their median is (0.5 + 0.8) / 2."""
    leaks = [1, 2, 1, 1, 1, 0]
    ours = rows("ours", [30, NAN, 20, NAN, 40, NAN], leaks=leaks, missed=[0, 1, 0, 2, 0, 0], wrong=[0, 1, 0, 0, 0, 0])
    theirs = rows("theirs", [60, 40, NAN, NAN, 50, NAN], leaks=leaks, missed=[0, 0, 1, 2, 0, 0], cost=250.0)
    found = next(iter(pairs(pd.concat([ours, theirs]), "ours", ["theirs"])))
    assert (found.jobs, found.compared, found.neither, found.first, found.second) == (6, 4, 1, 1, 1)
    assert found.ratio.value == pytest.approx(0.65)
    assert (found.ratio.low, found.ratio.high) == (0.0, INF)
    assert [found.cost.value, found.cost.low, found.cost.high] == [-50.0, -50.0, -50.0]
    assert found.missed.value == 0.0
    assert found.missed_ratio.value == 1.0
    assert found.wrong.value == pytest.approx(100 / 6)


def test_pairs_join_by_job_not_by_row() -> None:
    """The order of rows changes nothing, and a job that one has not played is left out."""
    ours, theirs = rows("ours", [10, 20, 30, 40]), rows("theirs", [10, 40, 90, 160])
    mixed = pd.concat([theirs.iloc[[2, 0, 1]], ours.iloc[::-1]])
    (found,) = pairs(mixed, "ours", ["theirs"])
    assert found.jobs == 3
    assert found.ratio.value == pytest.approx(0.5)


def test_all_systems_together_are_told_beside_each() -> None:
    table = pd.concat([rows(name, [10, 20, 30], system=system) for name in ("ours", "theirs") for system in ("a", "b")])
    assert [(one.system, one.jobs) for one in pairs(table, "ours", ["theirs"])] == [("a", 3), ("b", 3), (EVERY, 6)]
    assert [one.system for one in arms(table)] == ["a", "a", "b", "b", EVERY, EVERY]


def test_a_ratio_of_shares_without_a_miss_on_the_other_side() -> None:
    ours, theirs = rows("ours", [10, NAN], missed=[0, 1]), rows("theirs", [10, 20])
    (found,) = pairs(pd.concat([ours, theirs]), "ours", ["theirs"])
    assert found.missed_ratio.value == INF
    (found,) = pairs(pd.concat([rows("ours", [10, 20]), theirs]), "ours", ["theirs"])
    assert np.isnan(found.missed_ratio.value)


def test_an_arm_by_hand() -> None:
    """Five jobs, one of them without a leak: of four, one never confirmed; two misses of five jobs; 2 wrong of 5."""
    table = rows("ours", [10, 20, NAN, 60, NAN], leaks=[1, 1, 2, 1, 0], missed=[0, 1, 1, 0, 0], wrong=[0, 0, 2, 0, 0])
    found = arm("a", "as_believed", "ours", table)
    assert (found.jobs, found.with_leaks) == (5, 4)
    assert found.confirm.value == 40.0
    assert found.confirm_mean == 30.0
    assert found.never.value == 0.25
    assert found.found.value == 40.0
    assert found.missed.value == 0.4
    assert found.wrong.value == 40.0


def test_what_is_repaired_without_a_pinpoint_answer_was_found_at_the_end() -> None:
    """Three jobs: confirmed at 10; never confirmed but repaired, after 100 minutes in all; left."""
    ours = rows("ours", [10, NAN, NAN], missed=[0, 0, 1])
    found = arm("a", "t", "ours", ours)
    assert (found.confirm.value, found.found.value) == (INF, 100.0)
    (pair,) = pairs(pd.concat([ours, rows("theirs", [20, 50, 60])]), "ours", ["theirs"])
    assert (pair.ratio.value, pair.found.value) == (INF, 2.0)


def test_minutes_of_a_job_without_a_leak_do_not_count() -> None:
    """Whatever was written down as its minutes until all was confirmed."""
    one, other = (arm("a", "t", "ours", rows("ours", [10, last, 30], leaks=[1, 0, 1])) for last in (0.0, NAN))
    assert one.confirm.value == other.confirm.value == 20.0
    assert one.with_leaks == 2


def test_curves_count_the_jobs_that_are_done() -> None:
    table = pd.concat([rows("ours", [10, 20, NAN, 40]), rows("theirs", [40, 40, NAN, NAN])])
    ours, theirs = curves(table)
    assert (ours.minutes, ours.share) == ((0.0, 10.0, 20.0, 40.0), (0.0, 0.25, 0.5, 0.75))
    assert (theirs.minutes, theirs.share) == ((0.0, 40.0), (0.0, 0.5))


def test_a_curve_steps_where_a_job_is_done() -> None:
    assert reached_by(np.array([5.0, 5.0, INF, 9.0]), np.array([4.9, 5.0, 9.0])).tolist() == [0.0, 0.5, 0.75]
    assert np.isnan(reached_by(np.zeros(0), np.array([1.0]))).all()


def test_what_a_wrong_world_costs() -> None:
    """By hand: cost 200 to 300, misses 0 to 1 of 2, never 0 to 1 of 2; the base itself is not told."""
    base = rows("ours", [10, 20])
    worse = rows("ours", [10, NAN], truth="windier", cost=[200.0, 400.0], wrong=[1, 0])
    (found,) = sufferings(pd.concat([base, worse]), ["ours"])
    assert (found.truth, found.policy) == ("windier", "ours")
    assert [found.cost.value, found.cost_ratio.value] == [100.0, 1.5]
    assert [found.missed.value, found.never.value, found.wrong.value] == [0.5, 0.5, 50.0]
    assert not list(sufferings(worse, ["ours"]))

"""Calibration, stop risk and information of whole tables: forecasters whose truth is known, and figures by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from leakinfer.study.measures.calibration import calibration, calibrations, information, stopping
from leakinfer.study.measures.values import EVERY

from .made import chances, made, one_test
from .made import information as exact_information

KEY = {"system": "a", "truth": "t", "policy": "ours"}
OF = ("a", "t", "ours", "end")


def told(slope: float, seed: int, jobs: int = 400) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame([KEY | {"job": job} | row for job in range(jobs) for row in chances(rng, slope)])


def test_a_calibrated_forecaster_passes() -> None:
    """3,200 rows, seed 31. Each of the three statements fails in 5 of 100 calibrated sets."""
    found = calibration(OF, told(1.0, 31), "chance", "leaks")
    assert (found.jobs, found.count) == (400, 3200)
    assert not found.slope.beyond(1.0)
    assert not found.intercept.beyond(0.0)
    assert found.ece < found.ece_most


def test_a_forecaster_with_a_known_slope_is_found_out() -> None:
    """The truth's log-odds are 0.6 times the told ones, seed 32; the interval holds 0.6 in 95 of 100 sets."""
    found = calibration(OF, told(0.6, 32), "chance", "leaks")
    assert found.slope.beyond(1.0)
    assert not found.slope.beyond(0.6)
    assert found.ece > found.ece_most


def test_figures_of_a_calibration_by_hand() -> None:
    """Two jobs of two rows: told .2, .4, .6, .8; true 0, 0, 1, 1. Brier (.04 + .16 + .16 + .04) / 4 = .1."""
    rows = pd.DataFrame(
        {"system": "a", "job": [0, 0, 1, 1], "chance": [0.2, 0.4, 0.6, 0.8], "leaks": [False, False, True, True]}
    )
    found = calibration(OF, rows, "chance", "leaks")
    assert (found.jobs, found.count, found.told, found.seen.value) == (2, 4, 0.5, 0.5)
    assert (found.seen.low, found.seen.high) == (0.0, 1.0)
    assert found.brier.value == pytest.approx(0.1)
    assert np.isnan(found.slope.value)
    assert sum(one.count for one in found.fixed) == sum(one.count for one in found.equal) == 4


def test_moments_are_told_apart_and_together() -> None:
    table = pd.concat([told(1.0, 33, 20), told(1.0, 34, 20).assign(system="b")])
    table = table[(table["moment"] != "during") | (table["job"] > 0)]  # the first job wrote down none on the way
    found = list(calibrations(table))
    assert [(one.system, one.moment) for one in found] == [
        (system, moment) for system in ("a", "b", EVERY) for moment in ("start", "during", "end", EVERY)
    ]
    by = {(one.system, one.moment): one.count for one in found}
    assert by[EVERY, EVERY] == len(table)
    assert sum(by[EVERY, moment] for moment in ("start", "during", "end")) == len(table)


def test_jobs_of_two_systems_with_one_number_are_two_jobs() -> None:
    table = pd.concat([told(1.0, 35, 10), told(1.0, 36, 10).assign(system="b")])
    assert calibration(OF, table, "chance", "leaks").jobs == 20


def ended(another: list[float], left: list[bool], missed: list[int], expected: list[float]) -> pd.DataFrame:
    more = {"another": another, "left": left, "missed": missed, "expected_missed": expected}
    return pd.DataFrame({**KEY, "job": range(len(another)), **more}, index=range(len(another)))


def test_stop_risk_by_hand() -> None:
    """Told .1, .3, .2, .2, of which one was so: .25 seen less .2 told. Expected .9 units in all, one missed."""
    (found,) = stopping(ended([0.1, 0.3, 0.2, 0.2], [False, True, False, False], [0, 1, 0, 0], [0.1, 0.4, 0.2, 0.2]))
    assert found.another.told == pytest.approx(0.2)
    assert found.another.seen.value == 0.25
    assert found.excess.value == pytest.approx(0.05)
    assert found.expected == pytest.approx(0.225)
    assert found.missed_excess.value == pytest.approx(0.025)


def test_stop_risk_of_who_told_none_is_left_out() -> None:
    table = ended([0.1, np.nan], [False, True], [0, 1], [0.1, np.nan])
    (found,) = stopping(table)
    assert found.another.jobs == 1


def test_right_stop_risks_are_not_beyond_what_was_so() -> None:
    """``made``'s jobs leave a leak with the chance that they tell (seed 5): 80 jobs, 5 in 100 such sets would fail."""
    found = [one for one in stopping(made().jobs) if one.another.system == EVERY]
    assert len(found) == 6
    assert sum(one.excess.beyond(0.0) for one in found) <= 1


def searched(seed: int, told_chance: float | None = None) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = [KEY | {"job": job} | one_test(rng, step, told_chance) for job in range(300) for step in range(10)]
    return pd.DataFrame(rows)


def test_information_comes_as_forecast_where_the_belief_is_right() -> None:
    """Identity: the mean of log2 P(true | answer) / P(true) is the mutual information (Lindley 1956). 3,000 tests with
    exact chances, seed 41; each interval fails in 5 of 100 sets."""
    found = list(information(searched(41)))
    assert [one.method for one in found] == ["bubbles", "probe_point", EVERY]
    assert [one.tests for one in found] == [1500, 1500, 3000]
    assert not any(one.excess.beyond(0.0) for one in found)
    assert found[2].excess.value == pytest.approx(found[2].realised.value - found[2].forecast)


def test_a_test_by_hand_has_the_information_of_bayes_rule() -> None:
    """Prior .1, sensitivity .8, false alarm .05: .213614372 bits (computed from the definition)."""
    assert exact_information(0.1) == pytest.approx(0.213614372, abs=1e-9)


def test_a_wrong_belief_does_not_get_what_it_forecasts() -> None:
    """The belief takes every unit for a coin toss, truly it leaks three times in ten on average, seed 42.

    Closed form: gained is the mean of log2 P(answer | unit) / P(answer as believed), over the true units and answers.
    """
    truly, believed = 0.3, 0.5
    answers = {True: (0.2, 0.8), False: (0.95, 0.05)}
    evidence = [believed * answers[True][n] + (1 - believed) * answers[False][n] for n in (0, 1)]
    gained = sum(
        chance * answers[leaks][n] * np.log2(answers[leaks][n] / evidence[n])
        for leaks, chance in ((True, truly), (False, 1 - truly))
        for n in (0, 1)
    )
    last = list(information(searched(42, told_chance=believed)))[-1]
    assert last.excess.beyond(0.0)
    assert not last.excess.beyond(gained - exact_information(believed))


def test_tests_without_both_figures_are_left_out() -> None:
    table = searched(43)
    table.loc[:9, "bits"] = np.nan
    table.loc[20:24, "gained"] = np.nan
    assert list(information(table))[-1].tests == 3000 - 15

"""Slope and intercept of calibration against scipy, statsmodels, closed forms and forecasters of known slope."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special, stats

from leakinfer.study.measures.logistic import (
    EDGE,
    covariance,
    fitted,
    log_odds,
    sigmoid,
    slope_and_intercept,
)

RNG = np.random.default_rng(8)


def made(count: int, slope: float, intercept: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chances, truths and jobs of four rows that share part of their odds."""
    rng = np.random.default_rng(seed)
    odds = np.repeat(rng.normal(-1.0, 1.0, count // 4), 4) + rng.normal(0.0, 1.0, count)
    truth = (rng.random(count) < special.expit(intercept + slope * odds)).astype(float)
    return special.expit(odds), truth, np.repeat(np.arange(count // 4), 4)


def test_odds_and_back() -> None:
    """scipy.special."""
    chances = np.array([1e-9, 0.2, 0.5, 0.999])
    assert log_odds(chances) == pytest.approx(special.logit(chances), rel=1e-9)
    assert sigmoid(np.array([-800.0, -2.0, 0.0, 800.0])) == pytest.approx(special.expit([-800.0, -2.0, 0.0, 800.0]))
    assert log_odds(np.array([0.0, 1.0])) == pytest.approx([np.log(EDGE), -np.log(EDGE)], rel=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_the_fit_is_the_likelihoods_top(seed: int) -> None:
    """scipy.optimize on the plain likelihood."""
    chance, truth, job = made(400, 0.8, 0.3, seed)
    odds = special.logit(chance)

    def loss(weights: np.ndarray) -> float:
        expected = special.expit(weights[0] + weights[1] * odds)
        return float(-(special.xlogy(truth, expected) + special.xlogy(1 - truth, 1 - expected)).sum())

    best = optimize.minimize(loss, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).x
    slope, intercept = slope_and_intercept(chance, truth, job)
    assert [intercept.value, slope.value] == pytest.approx(best, rel=1e-5, abs=1e-6)


def test_intervals_by_job_agree_with_statsmodels() -> None:
    """``cov_type="cluster"``; its factor for few rows, jobs/(jobs-1) x (rows-1)/(rows-columns), is set to ours."""
    models = pytest.importorskip("statsmodels.api")
    chance, truth, job = made(400, 0.8, 0.3, 5)
    columns = np.stack([np.ones(400), special.logit(chance)], axis=1)
    theirs = models.Logit(truth, columns).fit(
        disp=0, cov_type="cluster", cov_kwds={"groups": job, "use_correction": True}
    )
    found = fitted(columns, truth)
    assert found is not None
    assert found == pytest.approx(theirs.params, rel=1e-6)
    ours = covariance(columns, truth, found, job) * 399 / 398
    assert ours == pytest.approx(theirs.cov_params(), rel=1e-5)


def test_rows_written_twice_tell_no_more_within_a_job() -> None:
    chance, truth, job = made(400, 1.0, 0.0, 6)
    once = slope_and_intercept(chance, truth, job)[0]
    twice = slope_and_intercept(np.repeat(chance, 2), np.repeat(truth, 2), np.repeat(job, 2))[0]
    assert [twice.value, twice.low, twice.high] == pytest.approx([once.value, once.low, once.high], rel=1e-6)


def test_the_rows_of_one_job_tell_nothing_of_their_scatter() -> None:
    """One job's scatter cannot be told from what all jobs share: the interval has no ends, and nothing warns."""
    chance, truth, _ = made(100, 1.0, 0.0, 3)
    slope = slope_and_intercept(chance, truth, np.zeros(len(chance), dtype=np.intp))[0]
    assert (slope.low, slope.high) == (-np.inf, np.inf)
    assert np.isfinite(slope.value)


def test_one_chance_for_two_kinds_of_rows_by_hand() -> None:
    """Two chances, .5 and e/(1+e): the fit gives each its own share, so slope = logit(.6) - logit(.2)."""
    chance = np.repeat([0.5, special.expit(1.0)], 5)
    truth = np.array([1, 0, 0, 0, 0, 1, 1, 1, 0, 0], float)
    slope, intercept = slope_and_intercept(chance, truth, np.arange(10))
    assert slope.value == pytest.approx(special.logit(0.6) - special.logit(0.2), rel=1e-8)
    assert intercept.value == pytest.approx(special.logit(0.2), rel=1e-8)


@pytest.mark.parametrize("slope", [0.5, 1.0, 1.6])
def test_a_known_slope_is_inside_its_interval_as_often_as_said(slope: float) -> None:
    """200 sets of 800 rows: inside 95 % of the time, exact binomial test, false alarm 1 in 1,000 each (seeds 0-199)."""
    held = 0
    for seed in range(200):
        chance, truth, job = made(800, slope, 0.0, seed)
        held += not slope_and_intercept(chance, truth, job)[0].beyond(slope)
    assert stats.binomtest(held, 200, 0.95).pvalue > 1e-3


def test_a_forecaster_twice_too_sure_is_found_out() -> None:
    found = slope_and_intercept(*made(4000, 0.5, 0.0, 3))[0]
    assert found.beyond(1.0)
    assert found.value == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize(
    ("chance", "truth"),
    [
        ([0.1, 0.2, 0.3, 0.4], [0, 0, 0, 0]),
        ([0.3, 0.3, 0.3, 0.3], [0, 1, 0, 1]),
        ([0.1, 0.2, 0.3, 0.4], [0, 0, 1, 1]),
    ],
    ids=["all false", "one chance", "parted by a line"],
)
def test_what_cannot_be_known_is_not_told(chance: list[float], truth: list[int]) -> None:
    slope, intercept = slope_and_intercept(np.array(chance), np.array(truth, float), np.arange(4))
    assert np.isnan([slope.value, slope.low, intercept.value, intercept.high]).all()

"""Calibration by hand, by identities, against scipy and against forecasters whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from leakinfer.study.measures.scores import (
    Told,
    bins_of,
    brier,
    chance_distance,
    divergence,
    equal_edges,
    expected_distance,
    fixed_edges,
    log_score,
    placed,
    ruled_out,
    surprise,
)

Array = NDArray[np.float64]


def told(chance: list[float] | Array, truth: list[int] | Array, job: list[int] | None = None) -> Told:
    """Rows of jobs of their own unless said."""
    jobs = np.arange(len(chance)) if job is None else np.array(job)
    return Told(np.array(chance, float), np.array(truth, float), jobs)


def forecaster(rng: np.random.Generator, count: int, slope: float = 1.0, per_job: int = 1) -> Told:
    """Told log-odds normal (-1, 1.5); the truth's are ``slope`` times these. Rows of a job have one chance and truth
    alike, so that they hang together wholly."""
    odds = np.repeat(rng.normal(-1.0, 1.5, count // per_job), per_job)
    leaks = np.repeat(rng.random(count // per_job), per_job) < 1 / (1 + np.exp(-slope * odds))
    return Told(1 / (1 + np.exp(-odds)), leaks.astype(float), np.repeat(np.arange(count // per_job), per_job))


def test_brier_by_hand() -> None:
    """Chances .2 (five, one true) and .8 (five, three true). Value: (4 x .04 + .64 + 3 x .04 + 2 x .64) / 10 = .22;
    mean .4, uncertainty .24; reliability (0 + .04) / 2 = .02; resolution (.04 + .04) / 2 = .04 (Murphy 1973)."""
    one = told([0.2] * 5 + [0.8] * 5, [1, 0, 0, 0, 0, 1, 1, 1, 0, 0])
    found = brier(one, placed(one.chance, fixed_edges()))
    assert found.value == pytest.approx(0.22, rel=1e-12)
    assert [found.reliability, found.resolution, found.uncertainty] == pytest.approx([0.02, 0.04, 0.24], rel=1e-12)
    assert found.within == pytest.approx(0.0, abs=1e-12)


def test_log_score_by_hand() -> None:
    """The same rows: -(log2 .2 + 4 log2 .8 + 3 log2 .8 + 2 log2 .2) / 10; uncertainty is the entropy of .4."""
    one = told([0.2] * 5 + [0.8] * 5, [1, 0, 0, 0, 0, 1, 1, 1, 0, 0])
    found = log_score(one, placed(one.chance, fixed_edges()))
    assert found.value == pytest.approx(-(3 * np.log2(0.2) + 7 * np.log2(0.8)) / 10, rel=1e-12)
    assert found.uncertainty == pytest.approx(stats.entropy([0.4, 0.6], base=2), rel=1e-12)
    assert found.reliability == pytest.approx(stats.entropy([0.6, 0.4], [0.8, 0.2], base=2) / 2, rel=1e-12)
    within = found.value - found.reliability + found.resolution - found.uncertainty
    assert [found.within, within] == pytest.approx([0.0, 0.0], abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_parts_of_the_brier_score_add_up(seed: int) -> None:
    """Identity of Murphy (1973) where chances of a bin are equal; where they differ ``within`` is their variance less
    twice their covariance with the truth, bin by bin (Stephenson, Coelho & Jolliffe 2008)."""
    rng = np.random.default_rng(seed)
    one = forecaster(rng, 300)
    bins = placed(one.chance, equal_edges(one.chance))
    found = brier(one, bins)
    held = [bins == at for at in np.unique(bins)]
    spread = sum(rows.sum() * one.chance[rows].var() for rows in held) / 300
    shared = sum(rows.sum() * np.cov(one.chance[rows], one.truth[rows], ddof=0)[0, 1] for rows in held) / 300
    assert found.within == pytest.approx(spread - 2 * shared, abs=1e-12)
    rounded = told(np.round(one.chance, 1), one.truth)
    found = brier(rounded, placed(rounded.chance, np.arange(12) / 10 - 0.05))
    assert found.within == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_parts_of_the_log_score_add_up(seed: int) -> None:
    """Identity of Broecker (2009) for chances of tenths, by scipy's entropies."""
    rng = np.random.default_rng(seed)
    one = told(rng.integers(1, 10, 500) / 10, rng.integers(0, 2, 500).astype(float))
    found = log_score(one, placed(one.chance, np.arange(12) / 10 - 0.05))
    assert found.within == pytest.approx(0.0, abs=1e-12)
    both = np.array([1 - one.truth, one.truth])
    assert found.value == pytest.approx(-np.log2(np.where(both[1] == 1, one.chance, 1 - one.chance)).mean(), rel=1e-12)


def test_what_was_ruled_out_costs_without_end() -> None:
    one = told([0.0, 1.0, 0.5, 0.0], [1, 1, 0, 0])
    assert ruled_out(one) == 1
    assert log_score(one, placed(one.chance, fixed_edges())).value == np.inf
    assert surprise(np.array([0.0, 1.0]), np.array([0.0, 1.0])).tolist() == [0.0, 0.0]
    assert divergence(np.array(0.5), np.array(0.0)) == np.inf


def test_every_chance_has_its_bin() -> None:
    edges = fixed_edges(10)
    assert placed(np.array([0.0, 0.05, 0.5, 0.99, 1.0]), edges).tolist() == [0, 0, 5, 9, 9]
    equal = equal_edges(np.arange(1, 101) / 100, 10)
    assert np.bincount(placed(np.arange(1, 101) / 100, equal)).tolist() == [10] * 10
    same = equal_edges(np.full(7, 0.3))
    assert placed(np.full(7, 0.3), same).tolist() == [0] * 7


def test_bins_tell_means_and_leave_empty_ones_out() -> None:
    one = told([0.1, 0.12, 0.18, 0.9], [0, 1, 0, 1])
    first, last = bins_of(one, fixed_edges())
    assert (first.count, last.count) == (3, 1)
    assert first.told == pytest.approx(0.4 / 3)
    assert first.seen.value == pytest.approx(1 / 3)
    assert (first.low, last.high) == (0.1, 1.0)


@pytest.mark.parametrize(("true", "count"), [(0, 12), (3, 40), (20, 20)])
def test_interval_of_a_share_is_wilsons(true: int, count: int) -> None:
    """scipy.stats.binomtest, rows on their own. The design effect of such rows is count / (count - 1)."""
    one = told([0.5] * count, [1] * true + [0] * (count - true))
    (found,) = bins_of(one, np.array([0.0, 1.0]))
    expected = stats.binomtest(true, count).proportion_ci(method="wilson")
    assert found.seen.low == pytest.approx(expected.low, abs=0.004)
    assert found.seen.high == pytest.approx(expected.high, abs=0.004)


def test_rows_that_hang_together_count_as_their_jobs() -> None:
    """30 jobs of 4 rows that are all alike tell as much as 30 rows; the correction for few jobs makes it 29."""
    truth = np.repeat([1, 0, 0], 10)
    every = told([0.4] * 120, np.repeat(truth, 4), np.repeat(np.arange(30), 4).tolist())
    (found,) = bins_of(every, np.array([0.0, 1.0]))
    expected = stats.binomtest(10, 30).proportion_ci(method="wilson")
    assert found.seen.low == pytest.approx(expected.low, abs=0.005)
    assert found.seen.high == pytest.approx(expected.high, abs=0.005)


def test_distance_by_hand() -> None:
    """Half of the rows are told .2 and seen .2, half told .8 and seen .6: distance .1."""
    one = told([0.2] * 5 + [0.8] * 5, [1, 0, 0, 0, 0, 1, 1, 1, 0, 0])
    assert expected_distance(one, placed(one.chance, fixed_edges())) == pytest.approx(0.1, rel=1e-12)


@pytest.mark.parametrize("per_job", [1, 5])
def test_chance_leaves_the_distance_that_calibrated_forecasters_have(per_job: int) -> None:
    """300 calibrated forecasters of 600 rows: the mean of their distances is the mean of what chance is said to leave,
    within 6 %; the said end is passed about 5 times in 100 (seed 21, exact binomial test, false alarm 1 in 1,000,
    a true rate of 3 to 8 in 100 allowed)."""
    rng, seen, said, passed = np.random.default_rng(21), [], [], 0
    for _ in range(300):
        one = forecaster(rng, 600, per_job=per_job)
        bins = placed(one.chance, equal_edges(one.chance))
        expected, most = chance_distance(one, bins)
        seen.append(expected_distance(one, bins))
        said.append(expected)
        passed += seen[-1] > most
    assert np.mean(said) == pytest.approx(np.mean(seen), rel=0.06)
    assert stats.binom.ppf(5e-4, 300, 0.03) <= passed <= stats.binom.ppf(1 - 5e-4, 300, 0.08)


def test_a_miscalibrated_forecaster_stands_out() -> None:
    """Twice too sure: 2,000 rows lie far beyond what chance leaves (seed 22)."""
    one = forecaster(np.random.default_rng(22), 2000, slope=0.5)
    bins = placed(one.chance, equal_edges(one.chance))
    expected, most = chance_distance(one, bins)
    assert expected_distance(one, bins) > 2 * most
    assert expected < most


def test_few_cases_do_not_look_certain() -> None:
    """No leak among 100 rows told .01: independent rows leave sqrt(.01 x .99 x 100) / 100 x sqrt(2 / pi) = .0079."""
    one = told([0.01] * 100, [0] * 100)
    expected, _ = chance_distance(one, placed(one.chance, equal_edges(one.chance)))
    assert expected == pytest.approx(np.sqrt(0.0099 / 100) * np.sqrt(2 / np.pi), rel=0.05)

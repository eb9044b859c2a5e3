"""Intervals over jobs against numpy on the jobs written out, scipy's bootstrap, and the coverage known for a normal
mean."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from leakinfer.study.measures.resampling import (
    DRAWS,
    Counts,
    apart,
    difference,
    drawn_counts,
    interval,
    mean,
    median,
    middle,
    strata_of,
)

RNG = np.random.default_rng(3)


def written_out(values: np.ndarray, counts: Counts) -> list[np.ndarray]:
    """The jobs of each draw, one by one."""
    return [np.repeat(values, count) for count in counts]


def test_jobs_are_drawn_within_their_system() -> None:
    counts = drawn_counts((4, 7), draws=50, seed=2)
    assert counts.shape == (50, 11)
    assert (counts[:, :4].sum(axis=1) == 4).all()
    assert (counts[:, 4:].sum(axis=1) == 7).all()
    assert (drawn_counts((4, 7), draws=50, seed=3) != counts).any()


def test_a_job_comes_up_as_often_as_a_binomial_says() -> None:
    """Each count is binomial (n, 1/n); chi-square over 0, 1, 2, 3 and more, false alarm 1 in 1,000, seed 7.

    Counts of one draw hang together, which makes the statistic smaller, not larger.
    """
    counts = drawn_counts((20,), draws=3000, seed=7)
    seen = np.bincount(np.minimum(counts, 3).ravel(), minlength=4)
    chances = stats.binom.pmf(np.arange(3), 20, 1 / 20)
    expected = counts.size * np.append(chances, 1 - chances.sum())
    assert stats.chisquare(seen, expected).pvalue > 1e-3


def test_runs_of_systems_are_strata() -> None:
    assert strata_of(["a", "a", "b", "c", "c", "c"]) == (2, 1, 3)
    assert strata_of([]) == ()


@pytest.mark.parametrize("count", [1, 2, 7, 8])
def test_medians_are_those_of_the_jobs_written_out(count: int) -> None:
    values = RNG.normal(size=count)
    values[: count // 3] = np.inf
    counts = drawn_counts((count,), draws=200, seed=4)
    order = np.argsort(values)
    got = middle(values[order], np.cumsum(counts[:, order], axis=1))
    with np.errstate(invalid="ignore"):
        expected = [np.median(draw) for draw in written_out(values, counts)]
    assert got == pytest.approx(expected, rel=1e-12)


def test_median_leaves_out_what_is_not_known_and_bears_what_never_ends() -> None:
    values = np.array([3.0, np.nan, 1.0, np.inf, 2.0])
    found = median(values, drawn_counts((5,)))
    assert found.value == 2.5
    assert found.low == 1.0
    assert found.high == np.inf
    assert np.isnan(median(np.full(3, np.nan), drawn_counts((3,))).value)


def test_a_median_that_is_never_reached_is_never() -> None:
    found = median(np.array([np.inf, np.inf, np.inf, 4.0]), drawn_counts((4,)))
    assert (found.value, found.high) == (np.inf, np.inf)


def test_mean_and_ratio_agree_with_scipy() -> None:
    """scipy.stats.bootstrap, percentile method, another generator: the ends agree within 4 standard errors of an end,
    which is some 0.05 of the half-width at 2,000 draws each."""
    values, over = RNG.gamma(2.0, size=80), RNG.uniform(0.5, 2.0, 80)
    ours = [mean(values, drawn_counts((80,))), mean(values, drawn_counts((80,)), over)]
    theirs = [
        stats.bootstrap((values,), np.mean, method="percentile", n_resamples=DRAWS, rng=1),
        stats.bootstrap(
            (values, over),
            lambda a, b, axis: a.sum(axis=axis) / b.sum(axis=axis),
            paired=True,
            method="percentile",
            n_resamples=DRAWS,
            rng=1,
        ),
    ]
    for found, beside in zip(ours, theirs, strict=True):
        low, high = beside.confidence_interval
        assert [found.low, found.high] == pytest.approx([low, high], abs=0.2 * (high - low) / 2)
    assert ours[0].value == values.mean()
    assert ours[1].value == pytest.approx(values.sum() / over.sum(), rel=1e-12)


def test_coverage_of_a_normal_mean() -> None:
    """Of 800 sets of 50 jobs the interval of the mean holds the truth as often as it should.

    The draws' spread is that of the sample with divisor n, so the interval is about the mean +- 1.96 s sqrt(49/50) /
    sqrt(50), and holds the truth with P(|t49| < 1.96 sqrt(49/50)) = 0.942 (Student's t). Seed 11; exact binomial test,
    false alarm 1 in 1,000.
    """
    rng, counts = np.random.default_rng(11), drawn_counts((50,))
    sets = [mean(rng.normal(5.0, 2.0, 50), counts) for _ in range(800)]
    held = sum(not one.beyond(5.0) for one in sets)
    chance = 1 - 2 * stats.t.sf(stats.norm.ppf(0.975) * np.sqrt(49 / 50), 49)
    assert chance == pytest.approx(0.942, abs=1e-3)
    assert stats.binomtest(held, 800, chance).pvalue > 1e-3


def test_paired_differences_lose_what_both_share() -> None:
    """Closed form: two policies that differ by 3 in every job have a difference of 3 without any spread."""
    luck = RNG.normal(100.0, 30.0, 60)
    found = difference(luck + 3.0, luck, drawn_counts((60,)))
    assert [found.value, found.low, found.high] == pytest.approx([3.0, 3.0, 3.0], rel=1e-12)


def test_sets_of_their_own_spread_more_than_pairs() -> None:
    """Normal theory: the half-width of a difference of two means is 1.96 sqrt(s1^2/n1 + s2^2/n2)."""
    first, second = RNG.normal(10.0, 4.0, 300), RNG.normal(7.0, 3.0, 200)
    counts = drawn_counts((300,), seed=1), drawn_counts((200,), seed=2)
    found = apart(first, second, counts, (np.ones(300), np.ones(200)))
    half = 1.96 * np.sqrt(first.var() / 300 + second.var() / 200)
    assert found.value == pytest.approx(first.mean() - second.mean(), rel=1e-12)
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=0.1)


def test_draws_without_a_figure_are_left_out() -> None:
    found = interval(1.0, np.array([np.nan, 0.5, 1.5, np.nan]))
    assert (found.low, found.high) == (0.5, 1.5)
    unknown = mean(np.zeros(3), drawn_counts((3,)), np.zeros(3))
    assert np.isnan(unknown.value)
    assert np.isnan(unknown.low)

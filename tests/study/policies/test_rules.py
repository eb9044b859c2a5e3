"""Policies that ask the belief, on small cases with known answers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from leakinfer.study.model import Policy
from leakinfer.study.policies import POLICIES
from leakinfer.study.small.case import Array, Case, Trial, point
from leakinfer.study.small.situation import start

DEAR = 500_000.0  # a repair in vain, so that no repair stands in for a look


def one_of(chances: Sequence[float]) -> Array:
    """Worlds in which exactly one unit leaks, or none with what is left."""
    worlds = np.zeros(2 ** len(chances))
    worlds[[1 << unit for unit in range(len(chances))]] = chances
    worlds[0] = max(0.0, 1 - sum(chances))
    return worlds


def hidden(p: Sequence[float], q: Sequence[float], c: Sequence[float], looks: int) -> Case:
    """One leak; ``looks`` looks at each place, each finds it with q and never errs, for c minutes."""
    units = len(p)
    trials = [
        Trial(c[unit], 0, (unit,), point(units, unit, {True: (1 - q[unit], q[unit]), False: (1, 0)}))
        for _ in range(looks)
        for unit in range(units)
    ]
    return Case(one_of(p), np.full(units, 5000.0), np.full(units, DEAR), tuple(trials), np.zeros((1, 1)), 0)


def in_vain(case: Case, policy: Policy, steps: int) -> list[int]:
    """Places looked at one after the other while nothing is found, from 1."""
    here, path = start(case, direct=True), list[int]()
    while len(path) < steps and (pick := policy.choose(here)) is not None:
        test = here.left[pick]
        path.append(case.trials[test].units[0] + 1)
        here = here.then(test, 0)
    return path


def expected_minutes(path: Sequence[int], p: Sequence[float], q: Sequence[float], c: Sequence[float]) -> float:
    """Minutes until it is found, by its definition: each look is paid for unless it was found before."""
    left, total = list(p), 0.0
    for place in path:
        total += c[place - 1] * sum(left)
        left[place - 1] *= 1 - q[place - 1]
    return total


def test_p_q_over_c_is_the_optimal_search() -> None:
    """Blackwell; Chew 1967; Kadane & Simon 1977: p (.5, .3, .2), q (.8, .6, .9), c (2, 1, 1.5) starts 1 2 3 2 1 2 3 2
    and costs 4.1348823635 (computed from the definition)."""
    p, q, c = (0.5, 0.3, 0.2), (0.8, 0.6, 0.9), (2, 1, 1.5)
    path = in_vain(hidden(p, q, c, 10), POLICIES["chance_per_minute"], 24)
    assert path[:8] == [1, 2, 3, 2, 1, 2, 3, 2]
    assert expected_minutes(path, p, q, c) == pytest.approx(4.1348823635, abs=1e-4)


def test_perfect_looks_go_by_p_over_c() -> None:
    """Jensen et al. 2001: p (.5, .3, .15, .05), c (10, 4, 1, 2): order 3 2 1 4, expected cost 10.0."""
    p, c = (0.5, 0.3, 0.15, 0.05), (10, 4, 1, 2)
    case = hidden([0.9 * chance for chance in p], (1.0,) * 4, c, 1)
    path = in_vain(case, POLICIES["chance_per_minute"], 4)
    assert path == [3, 2, 1, 4]
    assert expected_minutes(path, p, (1.0,) * 4, c) == pytest.approx(10.0)


def test_most_likely_goes_by_chance_alone() -> None:
    p, c = (0.4, 0.2, 0.3), (30, 1, 10)
    assert in_vain(hidden(p, (1.0,) * 3, c, 1), POLICIES["most_likely"], 3) == [1, 3, 2]


def test_bits_ignore_minutes_and_bits_per_minute_do_not() -> None:
    """Two units alike: a sharp dear look at one, a poor cheap one at the other."""
    trials = (
        Trial(20, 0, (0,), point(2, 0, {True: (0.05, 0.95), False: (0.99, 0.01)})),
        Trial(1, 0, (1,), point(2, 1, {True: (0.4, 0.6), False: (0.9, 0.1)})),
    )
    worlds = np.full(4, 0.25)
    case = Case(worlds, np.full(2, 900.0), np.full(2, 900.0), trials, np.zeros((1, 1)), 0)
    assert POLICIES["bits"].choose(start(case)) == 0
    assert POLICIES["bits_per_minute"].choose(start(case)) == 1


@pytest.mark.parametrize("name", ["expected_cost", "two_step", "chance_per_minute", "most_likely", "bits", "random"])
def test_nobody_goes_on_where_no_test_is_worth_its_minutes(name: str) -> None:
    """At stake are 2 x .01 x 100 = 2 minutes, each look takes 5."""
    trials = tuple(Trial(5, 0, (unit,), point(2, unit, {True: (0, 1), False: (1, 0)})) for unit in range(2))
    worlds = np.array([0.99**2, 0.0099, 0.0099, 0.0001])
    case = Case(worlds, np.full(2, 100.0), np.full(2, 100.0), trials, np.zeros((1, 1)), 0)
    assert POLICIES[name].choose(start(case)) is None


def test_chance_takes_every_test_that_pays_about_equally_often() -> None:
    """Three like tests, 300 lots: each count is binomial(300, 1/3), sd 8.2; beyond 5 sd in one of three tests with
    chance below 2e-6. Seeds are fixed."""
    trials = tuple(Trial(5, 0, (unit,), point(3, unit, {True: (0, 1), False: (1, 0)})) for unit in range(3))
    case = Case(np.full(8, 0.125), np.full(3, 900.0), np.full(3, 900.0), trials, np.zeros((1, 1)), 0)
    picks = [POLICIES["random"].choose(start(case, lots=lots)) for lots in range(300)]
    counts = [picks.count(test) for test in range(3)]
    assert sum(counts) == 300
    assert max(abs(count - 100) for count in counts) <= 41


@pytest.mark.parametrize(("minutes", "goes_on"), [(4.0, 3), (8.0, 2), (15.0, 1), (25.0, 0)])
def test_care_is_a_factor_on_the_price_of_a_leak_that_is_left(minutes: float, goes_on: int) -> None:
    """A look that never errs is worth the price of ending without it, p times the price of a leak that is left:
    0.1 x 100 minutes, half of that by half the care, twice as much by twice the care."""
    trial = Trial(minutes, 0, (0,), point(1, 0, {True: (0, 1), False: (1, 0)}))
    case = Case(np.array([0.9, 0.1]), np.array([100.0]), np.array([DEAR]), (trial,), np.zeros((1, 1)), 0)
    said = [POLICIES[name].choose(start(case)) for name in ("double_weight", "expected_cost", "half_weight")]
    assert said == [0] * goes_on + [None] * (3 - goes_on)

"""The yardstick: its tables against plain recursion, and against closed forms by hand."""

from __future__ import annotations

import numpy as np
import pytest

from leakinfer.study.small.case import Case, Trial, independent, point, pooled
from leakinfer.study.small.cases import ends_at_once, make_cases
from leakinfer.study.small.optimum import first_costs, optimum
from leakinfer.study.small.situation import start

from .brute import brute_force

CLOSE = 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_tables_agree_with_plain_recursion(seed: int) -> None:
    """Four tests, all worlds and all orders of findings tried one by one."""
    cases = [(case, best) for case, best in make_cases(12, 100 + seed) if len(case.trials) == 4]
    assert cases
    for case, best in cases:
        assert best == pytest.approx(brute_force(case), rel=CLOSE)
        assert min(first_costs(case).min(), float(case.stop(case.worlds))) == pytest.approx(best, rel=CLOSE)


def test_two_perfect_tests_by_hand() -> None:
    """Risks .2 and .5, a miss 100, in vain 40; perfect tests at 1 and 3 minutes: 4 in all against min(20, 32) + min(50,
    20) for ending; only the second pays by itself at 3 < 20, the first at 1 < 20."""
    trials = (
        Trial(1, 0, (0,), point(2, 0, {True: (0, 1), False: (1, 0)})),
        Trial(3, 0, (1,), point(2, 1, {True: (0, 1), False: (1, 0)})),
    )
    case = Case(independent(np.array([0.2, 0.5])), np.full(2, 100.0), np.full(2, 40.0), trials, np.zeros((1, 1)), 0)
    assert float(case.stop(case.worlds)) == pytest.approx(20 + 20)
    assert optimum(case) == pytest.approx(4)
    assert first_costs(case) == pytest.approx([4, 4])


def test_a_pooled_test_is_a_noisy_or() -> None:
    """P(silent) = (1 - false alarm) times the misses of those that leak (noisy-OR, Pearl 1988); bit u is unit u."""
    silent = pooled(3, {0: 0.8, 2: 0.5}, 0.1)[:, 0]
    assert silent == pytest.approx([0.9, 0.18, 0.9, 0.18, 0.45, 0.09, 0.45, 0.09])


def test_few_cases_end_at_once() -> None:
    cases = make_cases(40, 3)
    assert sum(ends_at_once(case, best) for case, best in cases) <= 8
    assert {len(case.missed) for case, _ in cases} == {3, 4}


def test_information_is_that_of_bayes_rule() -> None:
    """Prior .1, sensitivity .8, false alarm .05: P(response) .125, .213614372 bits, p q = .08 (Bayes' rule)."""
    trial = Trial(2, 0, (0,), point(1, 0, {True: (0.2, 0.8), False: (0.95, 0.05)}))
    case = Case(independent(np.array([0.1])), np.array([500.0]), np.array([100.0]), (trial,), np.zeros((1, 1)), 0)
    here = start(case)
    assert here.response == pytest.approx([0.125])
    assert here.bits == pytest.approx([0.213614372], abs=1e-9)
    assert here.shown == pytest.approx([0.08])
    assert here.risk == pytest.approx({"unit 0": 0.1})

"""The decision: against exact dynamic programming on small cases, closed forms of search theory, and its own laws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from leakinfer.planner.decision import Choice, Problem, Worth, weigh, weigh_ahead
from leakinfer.study.small.case import Array, Case, Trial, independent, point, pooled
from leakinfer.study.small.cases import make_cases
from leakinfer.study.small.optimum import first_costs, optimum
from leakinfer.study.small.situation import SmallSituation as Here
from leakinfer.study.small.situation import cost_of, start
from tests.bench.planning import Policy, by_weigh, by_weigh_ahead, wide_problem
from tests.study.small.brute import brute_force

CLOSE = 1e-9
INTERPOLATED = 0.03  # share of a cost that 25 points of a unit's grid may be off
NOTHING = np.array([[0.0]])


def case_of(worlds: Array, prices: tuple[Sequence[float], Sequence[float]], trials: Sequence[Trial]) -> Case:
    """A case of one state."""
    missed, wrong = (np.array(price, dtype=float) for price in prices)
    return Case(worlds, missed, wrong, tuple(trials), NOTHING, 0)


def look(minutes: float, q: float, unit: int, units: int, alarm: float = 0.0, state: int = 0) -> Trial:
    """A test of one unit: finds a leak with chance q."""
    return Trial(minutes, state, (unit,), point(units, unit, {True: (1 - q, q), False: (1 - alarm, alarm)}))


def one_of(chances: Sequence[float]) -> Array:
    """Worlds in which at most one unit leaks."""
    worlds = np.zeros(2 ** len(chances))
    worlds[[1 << unit for unit in range(len(chances))]] = chances
    worlds[0] = 1 - sum(chances)
    return worlds


def silent_path(case: Case, policy: Policy, *, direct: bool = False) -> list[int]:
    """Units tested one after the other while nothing is found, from 1."""
    here, path = start(case, direct=direct), []
    while (pick := policy(here)) is not None:
        test = here.left[pick]
        path.append(case.trials[test].units[0] + 1)
        here = here.then(test, 0)
    return path


def small_problem(seed: int = 5) -> Problem:
    """A problem of the bench."""
    ((case, _),) = make_cases(1, seed)
    return start(case).problem


def rebuilt(problem: Problem, **changed: Any) -> Problem:
    """A problem with other fields."""
    return Problem(**{**vars(problem), **changed})


# the yardstick itself


@pytest.mark.parametrize("seed", range(4))
def test_the_tables_agree_with_plain_recursion(seed: int) -> None:
    cases = [(case, best) for case, best in make_cases(12, seed) if len(case.trials) == 4]
    assert cases
    for case, best in cases:
        assert best == pytest.approx(brute_force(case), rel=CLOSE)
        assert min(first_costs(case).min(), float(case.stop(case.worlds))) == pytest.approx(best, rel=CLOSE)


def test_one_test_by_hand() -> None:
    """Prior .1, found .8, false alarm .05 (Bayes' rule: P(response) .125, posterior .64 and .02 / .875); by hand:
    ending now .1 x 500 = 50; after it 3 + .125 x min(.64 x 500, .36 x 100) + .875 x min(.0228571 x 500, ...) = 17.5."""
    case = case_of(independent(np.array([0.1])), ([500], [100]), [look(3, 0.8, 0, 1, 0.05)])
    worth = weigh(start(case).problem)
    assert worth.stop == pytest.approx(50, abs=CLOSE)
    assert worth.costs == pytest.approx([3 + 0.125 * 36 + 0.02 * 500], abs=CLOSE)
    assert optimum(case) == pytest.approx(17.5, abs=CLOSE)


# closed forms


def test_one_fault_is_checked_in_the_order_of_chance_over_cost() -> None:
    """Perfect checks of one fault, which may also be none of them: order by p / c (Jensen et al. 2001).

    A repair in vain is dear, so that no repair replaces a check.
    """
    p, c = (0.5, 0.3, 0.15, 0.05), (10, 4, 1, 2)
    trials = [look(minutes, 1.0, unit, 4) for unit, minutes in enumerate(c)]
    case = case_of(one_of([0.9 * chance for chance in p]), ([5000] * 4, [500_000] * 4), trials)
    assert silent_path(case, by_weigh, direct=True) == [3, 2, 1, 4]
    assert cost_of(case, by_weigh, direct=True) == pytest.approx(optimum(case), rel=CLOSE)


def test_a_hidden_object_is_sought_where_p_q_over_c_is_greatest() -> None:
    """Imperfect looks, two at each of three places (Blackwell; Chew 1967; Kadane & Simon 1977): largest p q / c."""
    p, q, c = (0.5, 0.3, 0.2), (0.8, 0.6, 0.9), (2, 1, 1.5)
    trials = [look(c[unit], q[unit], unit, 3) for unit in (0, 1, 2, 0, 1, 2)]
    case = case_of(one_of([0.9 * chance for chance in p]), ([500] * 3, [500] * 3), trials)
    assert silent_path(case, by_weigh, direct=True)[:5] == [1, 2, 3, 2, 1]
    assert cost_of(case, by_weigh, direct=True) == pytest.approx(optimum(case), rel=CLOSE)


def bundle(set_up: float) -> Case:
    """Four units; a good test of each in a state that costs a set-up, and a poor one here."""
    tests = [look(2, 0.95, unit, 4, 0.01, state=1) for unit in range(4)] + [look(4, 0.6, 0, 4, 0.1)]
    change = np.array([[0.0, set_up], [set_up, 0.0]])
    return Case(independent(np.full(4, 0.1)), np.full(4, 300.0), np.full(4, 60.0), tuple(tests), change, 0)


def next_test_pays(here: Here) -> int | None:
    """Charges the whole set-up to the next test alone: is the price of ending lowered by more?"""
    costs = []
    for number, choice in enumerate(here.problem.choices):
        later = [weigh(here.after(number, outcome)).stop for outcome in range(len(choice.outcomes))]
        way = here.problem.change[here.now, choice.state]
        costs.append(way + choice.minutes + float(choice.outcomes @ np.array(later)))
    return Worth(weigh(here.problem).stop, np.array(costs), -np.array(costs)).best


def test_a_set_up_is_charged_to_its_best_bundle() -> None:
    """40 minutes pay for four tests, not for one (set-ups in search: Kadane & Simon 1977); 120 pay for none."""
    case = bundle(40)
    assert start(case).left[by_weigh(start(case)) or 0] in range(4)
    assert cost_of(case, by_weigh) == pytest.approx(optimum(case), rel=1e-3)
    assert cost_of(case, next_test_pays) > 1.2 * optimum(case)
    assert not np.any(weigh(start(bundle(120)).problem).costs[:4] < weigh(start(bundle(120)).problem).stop)


@pytest.mark.parametrize("seed", range(12))
def test_one_unit_is_tested_as_in_the_exact_sequential_test(seed: int) -> None:
    """One unit, up to four tests: the optimum of Wald's sequential test with a finite menu, by the oracle."""
    rng = np.random.default_rng(seed)
    trials = [
        look(rng.uniform(1, 20), rng.uniform(0.5, 0.95), 0, 1, rng.uniform(0.01, 0.2))
        for _ in range(rng.integers(2, 5))
    ]
    prices = ([rng.uniform(100, 2000)], [rng.uniform(50, 500)])
    case = case_of(independent(rng.uniform(0.05, 0.5, 1)), prices, trials)
    worth = weigh(start(case).problem)
    np.testing.assert_allclose(worth.costs, first_costs(case), rtol=INTERPOLATED)
    assert cost_of(case, by_weigh) <= optimum(case) * (1 + INTERPOLATED / 2)


def test_two_units_with_one_test_each_are_exact() -> None:
    """Nothing is left to interpolate but one grid point of the other unit's table."""
    case = case_of(
        independent(np.array([0.2, 0.1])),
        ([400, 900], [120, 80]),
        [look(5, 0.9, 0, 2, 0.02), look(3, 0.7, 1, 2, 0.05)],
    )
    np.testing.assert_allclose(weigh(start(case).problem).costs, first_costs(case), rtol=INTERPOLATED)


# laws


def test_renaming_units_and_tests_changes_nothing() -> None:
    problem = wide_problem(3)
    rng = np.random.default_rng(1)
    new, order = rng.permutation(len(problem.risk)), rng.permutation(len(problem.choices))
    old = np.argsort(new)
    choices = [problem.choices[n] for n in order]
    renamed = tuple(
        Choice(c.minutes, c.state, tuple(int(new[u]) for u in c.units), c.outcomes, c.leaking) for c in choices
    )
    moved = rebuilt(
        problem, risk=problem.risk[old], missed=problem.missed[old], wrong=problem.wrong[old], choices=renamed
    )
    assert weigh(moved).stop == pytest.approx(weigh(problem).stop, rel=CLOSE)
    np.testing.assert_allclose(weigh(moved).costs, weigh(problem).costs[order], rtol=CLOSE)


@pytest.mark.parametrize("scale", [0.1, 60.0])
def test_all_minutes_scale(scale: float) -> None:
    """Hours instead of minutes: the same decision."""
    problem = wide_problem(3)
    choices = tuple(Choice(c.minutes * scale, c.state, c.units, c.outcomes, c.leaking) for c in problem.choices)
    priced = {name: getattr(problem, name) * scale for name in ("missed", "wrong", "change")}
    found = weigh(rebuilt(problem, choices=choices, **priced))
    assert found.stop == pytest.approx(weigh(problem).stop * scale, rel=CLOSE)
    np.testing.assert_allclose(found.costs, weigh(problem).costs * scale, rtol=CLOSE)


@pytest.mark.parametrize("seed", range(6))
def test_a_test_that_cannot_tell_changes_nothing(seed: int) -> None:
    problem = small_problem(seed)
    before = weigh(problem)
    outcomes = np.array([0.3, 0.7])
    useless = Choice(2.0, problem.now, (0, 1), outcomes, np.outer(problem.risk[:2], outcomes))
    after = weigh(rebuilt(problem, choices=(*problem.choices, useless)))
    np.testing.assert_allclose(after.costs[:-1], before.costs, rtol=CLOSE)
    assert after.costs[-1] >= min(before.least, before.stop) + 2.0 - INTERPOLATED * before.stop


def test_nothing_pays_that_costs_more_than_is_at_stake() -> None:
    problem = wide_problem(2)
    dear = tuple(Choice(5000.0, c.state, c.units, c.outcomes, c.leaking) for c in problem.choices)
    worth = weigh(rebuilt(problem, choices=dear))
    assert worth.stop < 5000
    assert worth.best is None
    assert np.all(worth.costs >= 5000)


def test_without_tests_there_is_only_stopping() -> None:
    problem = rebuilt(small_problem(), choices=())
    worth = weigh(problem)
    assert worth.costs.shape == (0,)
    p = problem.risk
    assert worth.least == worth.stop == pytest.approx(np.minimum(p * problem.missed, (1 - p) * problem.wrong).sum())
    assert weigh_ahead(problem, lambda choice, outcome: problem, 3).stop == worth.stop


def test_a_state_that_must_not_be_is_never_entered() -> None:
    """No way into the second state: its tests cost inf, and the others are worth what they are without them."""
    case = bundle(math.inf)
    costs = weigh(start(case).problem).costs
    assert costs.shape == (1,)  # the oracle leaves out what cannot be reached
    alone = Case(case.worlds, case.missed, case.wrong, case.trials[4:], NOTHING, 0)
    assert costs[-1] == pytest.approx(weigh(start(alone).problem).costs[0], rel=CLOSE)


def test_certain_units_and_perfect_tests() -> None:
    """Nothing is at stake in a unit that leaks or is tight for sure; a perfect test leaves nothing in its own."""
    change = np.array([[0.0, 7.0], [math.inf, 0.0]])
    perfect = Choice(3.0, 1, (2,), np.array([0.75, 0.25]), np.array([[0.0, 0.25]]))
    vain = Choice(2.0, 0, (0, 1), np.array([0.4, 0.6]), np.array([[0.0, 0.0], [0.4, 0.6]]))
    nobody = Choice(1.0, 0, (), np.array([1.0]), np.zeros((0, 1)))
    problem = Problem(
        np.array([0.0, 1.0, 0.25]), np.full(3, 100.0), np.full(3, 90.0), (perfect, vain, nobody), change, 0
    )
    worth = weigh(problem)
    assert worth.stop == pytest.approx(25)
    assert worth.costs[0] == pytest.approx(10, abs=1e-6)
    assert worth.costs[1] == pytest.approx(12, abs=1e-6)
    assert worth.costs[2] == math.inf


def test_every_unit_of_a_shared_test_counts() -> None:
    """A noisy-OR test over three like units is worth more than over one of them, and is exact as a last step."""
    risk = np.full(3, 0.1)
    costs = []
    for seen in ({0: 0.9}, {0: 0.9, 1: 0.9, 2: 0.9}):
        trial = Trial(4.0, 0, tuple(seen), pooled(3, seen, 0.02))
        case = case_of(independent(risk), ([400] * 3, [60] * 3), [trial])
        costs.append(weigh(start(case).problem).costs[0])
        assert costs[-1] == pytest.approx(first_costs(case)[0], rel=CLOSE)
    assert costs[1] < costs[0] - 10


# two steps


def test_two_steps_ask_for_no_more_than_the_most_promising() -> None:
    ((case, _),) = make_cases(1, 8)
    here, asked = start(case), set()

    def after(choice: int, outcome: int) -> Problem:
        asked.add(choice)
        return here.after(choice, outcome)

    worth = weigh_ahead(here.problem, after, 2)
    best_two = {int(n) for n in np.argsort(weigh(here.problem).costs, kind="stable")[:2]}
    assert asked == best_two
    assert int(np.argmin(worth.costs)) in best_two
    assert weigh_ahead(here.problem, after, 0).costs == pytest.approx(weigh(here.problem).costs)


@pytest.mark.parametrize("seed", range(5))
def test_two_steps_are_exact_where_two_tests_are_left(seed: int) -> None:
    """Coupled by a shared response: the second step is exact, and after it nothing is left to test."""
    rng = np.random.default_rng(seed)
    sweep = Trial(4.0, 0, (0, 1, 2), pooled(3, {0: 0.9, 1: 0.7, 2: 0.8}, 0.05))
    case = case_of(
        independent(rng.uniform(0.05, 0.4, 3)),
        (rng.uniform(100, 900, 3).tolist(), rng.uniform(50, 400, 3).tolist()),
        [sweep, look(6, 0.9, int(rng.integers(3)), 3, 0.02)],
    )
    here = start(case)
    np.testing.assert_allclose(weigh_ahead(here.problem, here.after, 2).costs, first_costs(case), rtol=CLOSE)


# near the optimum


def test_decisions_cost_little_more_than_the_optimum() -> None:
    """A small part of ``tests/bench/planning.py``, exact expectations, no sampling beyond the choice of cases."""
    cases = make_cases(30, 77)
    ratio = {policy: [cost_of(case, policy) / best for case, best in cases] for policy in (by_weigh, by_weigh_ahead)}
    for found in ratio.values():
        assert min(found) >= 1 - CLOSE
        assert np.mean(found) <= 1.02
    assert max(ratio[by_weigh_ahead]) <= 1.1


def test_told_of_direct_units_only_it_still_does_well() -> None:
    """Where a test's effect on units it does not touch is left out, as a planner may for speed."""
    cases = make_cases(30, 78)
    assert np.mean([cost_of(case, by_weigh, direct=True) / best for case, best in cases]) <= 1.02

"""Closed forms: Bayes' rule for one test, group testing with perfect tests, pools, counting, and a biased estimator.

Perfect any-of tests on N equal items are group testing (Sobel & Groll 1959); the Huffman code (1952) bounds any plan
of yes/no questions from below; pool sizes are Dorfman's (1943). Values without a printed source are computed from
the definition; every plan is found by dynamic programming through the engine's own answers.
"""

from __future__ import annotations

import heapq
import math
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from leakinfer.inference import AmountTest, Item, LevelTest, Model, Observation, Table, information, local_test, solve

from .enumeration import Array, Mask, Test

LEAKS: Mask = np.array([False, True])


def equal_items(count: int, chance: float) -> Model:
    """Independent yes/no items."""
    return Model(tuple(Item(f"item{n}", np.array([1 - chance, chance])) for n in range(count)))


def subsets(model: Model) -> list[tuple[str, ...]]:
    """All non-empty sets of item names."""
    names = [item.name for item in model.items]
    return [chosen for size in range(1, len(names) + 1) for chosen in combinations(names, size)]


def any_of(names: tuple[str, ...]) -> LevelTest:
    """A perfect yes/no test: does any of them leak?"""
    return LevelTest(np.array([1.0, 0.0]), {name: Table(np.eye(2)) for name in names})


def count_of(names: tuple[str, ...]) -> AmountTest:
    """A perfect count: how many of them leak?"""
    cells = len(names) + 1
    return AmountTest({name: Table(np.eye(2, cells)) for name in names}, np.eye(cells))


def best_plan(model: Model, tests: list[Test], known: dict[tuple[float, ...], float]) -> float:
    """Expected number of tests of the best adaptive plan until every item is known."""
    found = solve(model)
    key = tuple(round(found.probability_none(dict.fromkeys(chosen, LEAKS)), 9) for chosen in subsets(model))
    if all(min(found.marginal(item.name)) < 1e-12 for item in model.items):
        return 0.0
    if key not in known:
        groups = [{item.name: LEAKS} for item in model.items]
        told = [(test, information(found, test, groups, max_leaking=len(groups))) for test in tests]
        plans = [after(model, test, answer.outcomes, tests, known) for test, answer in told if answer.bits > 1e-9]
        known[key] = 1 + min(plans)
    return known[key]


def after(model: Model, test: Test, chances: Array, tests: list[Test], known: dict[tuple[float, ...], float]) -> float:
    """Expected number of tests still to come once ``test`` has been made."""
    futures = [(chance, model.observing(Observation(test, n))) for n, chance in enumerate(chances) if chance > 1e-12]
    return float(sum(chance * best_plan(then, tests, known) for chance, then in futures))


def huffman(chances: Array) -> float:
    """Expected length of the best yes/no code (Huffman 1952): join the two least likely until one is left."""
    heap, length = sorted(chances.tolist()), 0.0
    while len(heap) > 1:
        joined = heapq.heappop(heap) + heapq.heappop(heap)
        length += joined
        heapq.heappush(heap, joined)
    return length


def test_one_test_by_bayes_rule() -> None:
    """Prior .1, sensitivity .8, false alarm .05: P(response) .125, then .64 or .0228571, .213614372 bits."""
    model = equal_items(1, 0.1)
    test = local_test("item0", [[0.95, 0.05], [0.2, 0.8]])
    found = information(solve(model), test, [{"item0": LEAKS}])
    np.testing.assert_allclose(found.outcomes, [0.875, 0.125], rtol=0, atol=1e-12)
    assert found.bits == pytest.approx(0.213614372, abs=5e-10)
    for outcome, chance in ((1, 0.64), (0, 0.0228571)):
        after_it = solve(model.observing(Observation(test, outcome)))
        assert after_it.marginal("item0")[1] == pytest.approx(chance, abs=5e-8)


@pytest.mark.parametrize(
    ("chance", "entropy", "bound", "tests"), [(0.05, 0.85919, 1.29975, 1.307125), (0.1, 1.40699, 1.598, 1.627)]
)
def test_best_group_testing_plan_of_three(chance: float, entropy: float, bound: float, tests: float) -> None:
    """Entropy <= Huffman bound <= best plan of perfect any-of tests; all three computed from the definition."""
    model = equal_items(3, chance)
    worlds = np.array([chance**on * (1 - chance) ** (3 - on) for on in (0, 1, 1, 1, 2, 2, 2, 3)])
    assert -(worlds * np.log2(worlds)).sum() == pytest.approx(entropy, abs=5e-6)
    assert huffman(worlds) == pytest.approx(bound, abs=5e-6)
    assert best_plan(model, [any_of(names) for names in subsets(model)], {}) == pytest.approx(tests, abs=1e-9)


@pytest.mark.parametrize(("count", "tests"), [(2, 1.18), (3, 1.45)])
def test_best_plan_of_perfect_counts(count: int, tests: float) -> None:
    """p = .1. Two items: one count, and one more test when exactly one leaks: 1 + 2 x .1 x .9 = 1.18."""
    model = equal_items(count, 0.1)
    assert best_plan(model, [count_of(names) for names in subsets(model)], {}) == pytest.approx(tests, abs=1e-9)


@pytest.mark.parametrize("chance", [0.05, 0.1])
def test_a_perfect_test_of_all_gives_the_entropy_of_its_outcome(chance: float) -> None:
    """A noiseless outcome is a function of the target: I = H(outcome)."""
    model = equal_items(3, chance)
    silent = (1 - chance) ** 3
    found = information(solve(model), any_of(("item0", "item1", "item2")), [{f"item{n}": LEAKS} for n in range(3)], 3)
    expected = -silent * math.log2(silent) - (1 - silent) * math.log2(1 - silent)
    assert found.bits == pytest.approx(expected, abs=1e-12)


def pool_cost(chance: float, size: int) -> float:
    """Tests an item in pools of ``size``: one for the pool, one each when it responds (Dorfman 1943)."""
    model = equal_items(size, chance)
    pool = any_of(tuple(item.name for item in model.items))
    response = information(solve(model), pool, [{"item0": LEAKS}], max_leaking=1).outcomes[1]
    return float(1 / size + response)


@pytest.mark.parametrize(
    ("chance", "size", "cost"),
    [(0.01, 11, 0.195571), (0.02, 8, 0.274237), (0.05, 5, 0.426219), (0.1, 4, 0.593900), (0.2, 3, 0.821333)],
)
def test_best_pool_sizes(chance: float, size: int, cost: float) -> None:
    """Dorfman 1943: sizes from the printed table (from memory), costs computed as 1/k + 1 - (1-p)^k."""
    costs = {k: pool_cost(chance, k) for k in range(2, 16)}
    assert min(costs, key=lambda k: costs[k]) == size
    assert costs[size] == pytest.approx(cost, abs=5e-7)


def test_pools_stop_paying_at_the_known_prevalence() -> None:
    """Best pool (of 3) breaks even at p = 1 - 3^(-1/3) = .306639."""
    even = 1 - 3 ** (-1 / 3)
    assert even == pytest.approx(0.306639, abs=5e-7)
    assert min(pool_cost(even - 1e-6, size) for size in range(2, 16)) < 1
    assert min(pool_cost(even + 1e-6, size) for size in range(2, 16)) > 1


@pytest.mark.parametrize("inner", [200, 1000, 5000])
def test_nested_monte_carlo_would_be_biased_upwards(inner: int) -> None:
    """Why the engine does not sample: with M inner draws the estimate is .334/M bits too high on average.

    The estimator replaces P(outcome) by the mean over M prior draws; its expectation is an exact binomial sum over
    the number of leaking draws.
    """
    model, respond = equal_items(1, 0.1), np.array([0.05, 0.8])
    test = local_test("item0", np.stack([1 - respond, respond], axis=1))
    leaking = np.arange(inner + 1)
    weight = stats.binom.pmf(leaking, inner, 0.1)
    mean = respond[0] + (respond[1] - respond[0]) * leaking / inner
    outcome = 0.9 * respond[0] + 0.1 * respond[1]
    within = sum(p * (r * np.log2(r) + (1 - r) * np.log2(1 - r)) for p, r in zip((0.9, 0.1), respond, strict=True))
    nested = within - (weight * (outcome * np.log2(mean) + (1 - outcome) * np.log2(1 - mean))).sum()
    bias = nested - information(solve(model), test, [{"item0": LEAKS}]).bits
    assert bias * inner == pytest.approx(0.334, rel=0.03)

"""A model beyond the exact budget: the answer says so, and its error is what its effective sample size promises.

40 yes/no items in four classes of ten, 40 any-of tests that look at all of them. Within a class all items look the
same to every test, so only the number of leaks by class matters: 11^4 cases, summed exactly below. The engine is not
told of the classes.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from leakinfer.inference import Item, LevelTest, Model, Observation, Table, solve

CLASSES, SIZE, TESTS, CHANCE = 4, 10, 40, 0.05


def crowded(seen: np.ndarray, responses: np.ndarray, alarm: float) -> Model:
    """``seen``: (tests, classes) chance that a leak is seen; ``responses``: (tests,) 0 or 1."""
    items = [Item(f"item{n}", np.array([1 - CHANCE, CHANCE])) for n in range(CLASSES * SIZE)]
    tests = []
    for row in seen:
        tables = [Table(np.array([[1.0, 0.0], [1 - chance, chance]])) for chance in row]
        emit = {item.name: tables[place % CLASSES] for place, item in enumerate(items)}
        tests.append(LevelTest(np.array([1 - alarm, alarm]), emit))
    observed = [Observation(test, int(outcome)) for test, outcome in zip(tests, responses, strict=True)]
    return Model(tuple(items), (), tuple(observed))


def by_class(seen: np.ndarray, responses: np.ndarray, alarm: float) -> tuple[float, np.ndarray]:
    """Log evidence, and P(leak | observations) of an item of each class: (classes,)."""
    counts = np.indices((SIZE + 1,) * CLASSES).reshape(CLASSES, -1)  # (classes, cases)
    prior = stats.binom.pmf(counts, SIZE, CHANCE).prod(axis=0)
    silent = (1 - alarm) * np.prod((1 - seen)[:, :, None] ** counts[None], axis=1)  # (tests, cases)
    weight = prior * np.where(responses[:, None] == 1, 1 - silent, silent).prod(axis=0)
    return math.log(weight.sum()), (counts * weight).sum(axis=1) / weight.sum() / SIZE


def alike(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Forty copies of one test; three in four respond."""
    return np.tile(rng.uniform(0.2, 0.7, CLASSES), (TESTS, 1)), (np.arange(TESTS) % 4 > 0).astype(int)


def different(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Forty different tests, all respond."""
    return rng.uniform(0.05, 0.6, (TESTS, CLASSES)), np.ones(TESTS, int)


@pytest.mark.parametrize(("build", "seed"), [(alike, 1), (different, 2)])
def test_beyond_the_budget_the_answer_says_so_and_keeps_its_promise(build: object, seed: int) -> None:
    """Within 4 standard errors of the effective sample size, for 40 marginals.

    The draws' seed is the engine's own and fixed; a fresh seed would fail by chance in less than
    40 x 6.3e-5 = 0.3 % of cases (normal tail).
    """
    assert callable(build)
    seen, responses = build(np.random.default_rng(seed))
    found = solve(crowded(seen, responses, 0.02))
    _, right = by_class(seen, responses, 0.02)
    assert found.exact is False
    size = found.effective_sample_size
    assert size is not None
    assert size >= 100
    for place in range(CLASSES * SIZE):
        chance = right[place % CLASSES]
        error = abs(found.marginal(f"item{place}")[1] - chance)
        assert error <= 4 * math.sqrt(chance * (1 - chance) / size)


def test_within_the_budget_the_answer_is_exact() -> None:
    """The same items with two tests: exact, without an effective sample size."""
    seen, responses = different(np.random.default_rng(3))
    found = solve(crowded(seen[:2], responses[:2], 0.02))
    log_evidence, right = by_class(seen[:2], responses[:2], 0.02)
    assert found.exact is True
    assert found.effective_sample_size is None
    assert found.log_evidence == pytest.approx(log_evidence, abs=1e-9)
    for place in range(CLASSES * SIZE):
        assert found.marginal(f"item{place}")[1] == pytest.approx(right[place % CLASSES], abs=1e-9)

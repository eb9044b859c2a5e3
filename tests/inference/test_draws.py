"""Exact joint draws: chi-square against the enumerated joint distribution, with explicit seeds.

False-alarm rate: each of the five chi-square tests fails by chance once in 10^5, all together below 1e-4.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from leakinfer.inference import Item, LevelTest, Model, Observation, Posterior, Table, draw, solve

from .enumeration import Array, solve_by_enumeration
from .random_models import Shape, random_model, random_observations

Counts = NDArray[np.intp]
DRAWS = 20_000
FALSE_ALARM = 1e-5


def joint_counts(model: Model, seed: int) -> tuple[Counts, Array]:
    """Counts of every joint state of all copies in the draws, and its probability: (distinct,) each."""
    found = solve(model)
    assert isinstance(found, Posterior)  # exact
    drawn = draw(found, DRAWS, np.random.default_rng(seed))
    for item in model.items:
        assert drawn[item.name].shape == (DRAWS, item.count)
    seen = np.concatenate([drawn[item.name] for item in model.items], axis=1)
    states, chances = solve_by_enumeration(model).joint()
    place = {tuple(row): number for number, row in enumerate(states.tolist())}
    return np.bincount([place[tuple(row)] for row in seen.tolist()], minlength=len(chances)), chances


def p_value(counts: Counts, chances: Array) -> float:
    """Chi-square p-value; joint states expected less than ten times are pooled."""
    expected = chances * counts.sum()
    common = expected >= 10
    pooled = np.append(expected[common], expected[~common].sum())
    found = np.append(counts[common], counts[~common].sum())
    kept = pooled >= 1  # a pool of almost nothing has no chi-square distribution
    scale = found[kept].sum() / pooled[kept].sum()
    return float(stats.chisquare(found[kept], pooled[kept] * scale).pvalue)


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_joint_draws_follow_the_posterior(seed: int) -> None:
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(5, copies=7, worlds=1_500)), 4)
    counts, chances = joint_counts(model, seed)
    assert counts[chances == 0].sum() == 0
    assert p_value(counts, chances) > FALSE_ALARM


def explaining_away() -> Model:
    """Two responses that share their likeliest cause: the copies' states depend strongly on each other."""
    items = tuple(Item(f"item{n}", np.array([0.9, 0.07, 0.03]), count=1 + n % 2) for n in range(4))
    rows = Table(np.array([[1.0, 0.0], [0.5, 0.5], [0.1, 0.9]]))
    left, right = ({f"item{n}": rows for n in scope} for scope in ((0, 1, 2), (1, 2, 3)))
    quiet = np.array([0.999, 0.001])
    return Model(items, (), (Observation(LevelTest(quiet, left), 1), Observation(LevelTest(quiet, right), 1)))


def test_draws_keep_dependence_between_items() -> None:
    model = explaining_away()
    counts, chances = joint_counts(model, 15)
    independent = np.ones(1)
    for item in model.items:
        for _ in range(item.count):
            independent = np.outer(independent, solve(model).marginal(item.name)).ravel()
    assert p_value(counts, chances) > FALSE_ALARM
    assert p_value(counts, independent) < FALSE_ALARM  # so the check above can fail


def test_equal_seeds_give_equal_draws() -> None:
    found = solve(explaining_away())
    assert isinstance(found, Posterior)
    one, two, three = (draw(found, 500, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert all(np.array_equal(one[name], two[name]) for name in one)
    assert not all(np.array_equal(one[name], three[name]) for name in one)

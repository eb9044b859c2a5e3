"""Amounts on a grid of cells: the mean is kept, and a fine grid hardly moves an answer.

Splitting an amount between two cells keeps its mean and adds a variance of f(1-f) step^2 <= step^2 / 4 for each leak,
so the error goes with (step / sigma)^2. On the random systems below the largest shift of a marginal is 4e-3 at
step = sigma / 5 and below 1e-3 at sigma / 12 (measured, see the tests).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import AmountTest, Item, Model, Observation, Table, solve, split_amounts

from .checks import SEEDS, steady
from .enumeration import Array, solve_ungridded


@steady(100)
@given(seed=SEEDS, cells=st.integers(2, 9), step=st.floats(0.01, 50))
def test_split_keeps_the_mean_below_the_last_cell(seed: int, cells: int, step: float) -> None:
    rng = np.random.default_rng(seed)
    amounts = rng.uniform(0, (cells - 1) * step, (3, 4))
    rows = split_amounts(amounts, step, cells)
    assert rows.shape == (3, 4, cells)
    assert (rows >= 0).all()
    assert ((rows > 0).sum(-1) <= 2).all()
    np.testing.assert_allclose(rows.sum(-1), 1, rtol=0, atol=1e-12)
    np.testing.assert_allclose(rows @ np.arange(cells) * step, amounts, rtol=1e-12, atol=1e-12 * step)


def test_split_edges() -> None:
    """On a cell, half way, on the last cell, far beyond it, and a grid of one cell."""
    expected = np.array([[1, 0, 0], [0, 1, 0], [0, 0.5, 0.5], [0, 0, 1], [0, 0, 1]])
    np.testing.assert_allclose(split_amounts([0.0, 2.0, 3.0, 4.0, 1e9], 2.0, 3), expected, rtol=0, atol=1e-15)
    np.testing.assert_array_equal(split_amounts([0.0, 5.0], 2.0, 1), [[1], [1]])


def random_system(seed: int) -> tuple[Model, dict[str, Array], float]:
    """Up to ten items, their amounts by state in units of the reading's error, and a reading of one random world."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(4, 11))
    states = 3 if count <= 8 else 2
    priors = rng.dirichlet([6.0, *np.ones(states - 1)], count)
    items = tuple(Item(f"item{n}", prior) for n, prior in enumerate(priors))
    amounts = {item.name: np.append(0.0, rng.lognormal(1.0, 0.8, states - 1)) for item in items}
    total = sum(amounts[item.name][rng.choice(states, p=item.prior)] for item in items)
    return Model(items), amounts, float(total + rng.normal())


def largest_shift(seed: int, step: float) -> float:
    """Largest change of any marginal by a grid of ``step`` (in units of sigma), against exact amounts."""
    model, amounts, reading = random_system(seed)
    cells = max(3, int(np.ceil((reading + 8) / step)) + 1)  # beyond the last cell the likelihood is below e^-32
    likelihood = np.exp(-0.5 * (np.arange(cells) * step - reading) ** 2)
    spread = {name: Table(split_amounts(amount, step, cells)) for name, amount in amounts.items()}
    found = solve(model.observing(Observation(AmountTest(spread, likelihood[:, None]), 0)))
    right = solve_ungridded(model, amounts, lambda total: np.exp(-0.5 * (total - reading) ** 2))
    return max(float(np.abs(found.marginal(name) - right.marginal(name)).max()) for name in amounts)


@pytest.mark.parametrize(("step", "bound"), [(1 / 5, 5e-3), (1 / 12, 1e-3)])
def test_a_fine_grid_moves_no_marginal_much(step: float, bound: float) -> None:
    assert max(largest_shift(seed, step) for seed in range(30)) <= bound


def test_the_shift_falls_with_the_square_of_the_step() -> None:
    """Halving the step quarters the error (between 1/3 and 1/5 over ten systems)."""
    coarse, fine = (sum(largest_shift(seed, step) for seed in range(10)) for step in (1 / 5, 1 / 10))
    assert 3 < coarse / fine < 5


def test_amounts_on_the_grid_are_exact() -> None:
    """Amounts that are whole cells lose nothing: gridded and exact sums agree to rounding."""
    model, amounts, reading = random_system(3)
    whole = {name: np.round(amount / 0.5) * 0.5 for name, amount in amounts.items()}
    cells = int(np.ceil((reading + 9) / 0.5)) + 1
    likelihood = np.exp(-0.5 * (np.arange(cells) * 0.5 - reading) ** 2)
    spread = {name: Table(split_amounts(amount, 0.5, cells)) for name, amount in whole.items()}
    found = solve(model.observing(Observation(AmountTest(spread, likelihood[:, None]), 0)))
    right = solve_ungridded(model, whole, lambda total: np.exp(-0.5 * (total - reading) ** 2))
    for name in whole:
        np.testing.assert_allclose(found.marginal(name), right.marginal(name), rtol=0, atol=1e-9)

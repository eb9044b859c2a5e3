"""Adding along a running sum, by matrix and cell by cell, against numpy's own convolution."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import amounts
from leakinfer.inference.algebra import Operator, power

from .checks import SEEDS, assert_equals_enumeration, steady
from .enumeration import Array
from .random_models import Shape, random_model, random_observations


def capped(one: Array, other: Array) -> Array:
    """Distributions of two amounts as that of their sum, the last cell keeping what is beyond."""
    whole = np.convolve(one, other)
    return np.append(whole[: len(one) - 1], whole[len(one) - 1 :].sum())


@pytest.mark.parametrize("largest", [0, 10**9])
@steady(20)
@given(seed=SEEDS, cells=st.integers(1, 9), rows=st.integers(1, 3))
def test_an_operator_adds_as_numpy_convolves(largest: int, seed: int, cells: int, rows: int) -> None:
    rng = np.random.default_rng(seed)
    kernel, message = rng.random((2, 1, cells)), rng.random((rows, 2, 3, 1, cells))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(amounts, "LARGEST_MATRIX", largest)
        operator = Operator(kernel)
    assert (operator.parts is None) == (largest > 0)
    pushed = operator.push(message)
    for row, switch, other in np.ndindex(rows, 2, 3):
        right = capped(message[row, switch, other, 0], kernel[switch, 0])
        np.testing.assert_allclose(pushed[row, switch, other, 0], right, rtol=1e-12)
    after = rng.random(message.shape)
    assert float((pushed * after).sum()) == pytest.approx(float((message * operator.pull(after)).sum()), rel=1e-12)


@steady(20)
@given(seed=SEEDS, cells=st.integers(1, 9), count=st.integers(1, 12))
def test_copies_add_as_numpy_convolves(seed: int, cells: int, count: int) -> None:
    one = np.random.default_rng(seed).random((2, 1, cells))
    right = [row[0] for row in one]
    for _ in range(count - 1):
        right = [capped(have, row[0]) for have, row in zip(right, one, strict=True)]
    np.testing.assert_allclose(power(one, count)[:, 0], right, rtol=1e-11)


@steady(15)
@given(seed=SEEDS, observations=st.integers(1, 5))
def test_without_any_matrix_all_answers_are_the_same(seed: int, observations: int) -> None:
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(5, worlds=3_000)), observations)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(amounts, "LARGEST_MATRIX", 0)
        assert_equals_enumeration(model, seed)


@steady(20)
@given(seed=SEEDS, grid=st.lists(st.integers(1, 4), max_size=4), rows=st.integers(1, 2))
def test_what_all_else_says_of_an_amount_is_summed_cell_by_cell(seed: int, grid: list[int], rows: int) -> None:
    """Over any number of sums side by side, each adding as far as its last cell."""
    rng = np.random.default_rng(seed)
    lead = rows, 2, 3, 1
    before, after = rng.random((*lead, *grid)), rng.random((*lead, *grid))
    have = amounts.correlated(before.reshape(*lead, -1), after, len(grid)).reshape(2, *grid)
    for switch, *added in np.ndindex(2, *grid):
        right = 0.0
        for start in np.ndindex(*grid):
            reached = tuple(min(a + b, size - 1) for a, b, size in zip(start, added, grid, strict=True))
            one, other = before[(slice(None), switch, slice(None), 0, *start)], after[:, switch, :, 0]
            right += float((one * other[(slice(None), slice(None), *reached)]).sum())
        assert have[(switch, *added)] == pytest.approx(right, rel=1e-12)

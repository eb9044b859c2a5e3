"""Scoring by products: sums and unions where they multiply, against direct sums and the plain scan."""

from __future__ import annotations

import math
from functools import reduce
from importlib import import_module

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import Item, LevelTest, Model, Observation, Posterior, Table, information, products, solve
from leakinfer.inference.chain import Chain
from leakinfer.inference.products import ProductScan, circles, in_products, of_response, of_sum
from leakinfer.job.belief import Belief
from leakinfer.planner.candidates import may_charge
from leakinfer.planner.problem import doable, scored
from tests.job.small import shipped_job

from .checks import SEEDS, steady
from .enumeration import Array
from .random_models import Shape, distributions, random_groups, random_model, random_observations, random_test
from .test_amounts import capped

# by name: a function hides the module
SCORING, LOCAL = import_module("leakinfer.inference.information"), import_module("leakinfer.inference.local")
ROUNDED = 1e-8  # of chances: what one sum is damped by times a few


@steady(40)
@given(seed=SEEDS, cells=st.integers(1, 70), items=st.integers(1, 12))
def test_amounts_add_as_numpy_convolves(seed: int, cells: int, items: int) -> None:
    """Also far beyond the last cell, where amounts would alias."""
    rng = np.random.default_rng(seed)
    added, likelihood = distributions(rng, items, cells), rng.random(cells)
    right = reduce(capped, added) @ likelihood
    there, back = of_sum(*circles([cells], 0, [[0]]))
    found = ((added @ there).prod(0) @ (likelihood @ back)).real
    assert found == pytest.approx(right, abs=ROUNDED)


@steady(20)
@given(seed=SEEDS, first=st.integers(1, 20), second=st.integers(1, 20))
def test_two_sums_add_side_by_side(seed: int, first: int, second: int) -> None:
    """One of them on the whole circle; what two items add to both, summed pair by pair."""
    rng = np.random.default_rng(seed)
    one, other = (distributions(rng, first * second).reshape(first, second) for _ in range(2))
    likelihood, right = rng.random((first, second)), 0.0
    for (a, b), chance in np.ndenumerate(one):
        for (c, d), also in np.ndenumerate(other):
            right += chance * also * likelihood[min(a + c, first - 1), min(b + d, second - 1)]
    along_first, along_second = map(of_sum, circles([first, second], 1, [[0, 1]]))
    factors = [along_first.forward.T @ each @ along_second.forward for each in (one, other)]
    seen = along_first.backward.T @ likelihood @ along_second.backward
    assert (factors[0] * factors[1] * seen).sum().real == pytest.approx(right, abs=100 * ROUNDED)


@pytest.mark.parametrize("many", [0, products.MANY_CELLS])
@steady(20)
@given(seed=SEEDS, cells=st.tuples(*[st.integers(1, 7)] * 3))
def test_three_sums_add_side_by_side(many: int, seed: int, cells: tuple[int, int, int]) -> None:
    """As two; a short sum has fewer points where the three have many cells."""
    rng = np.random.default_rng(seed)
    one, likelihood = distributions(rng, math.prod(cells)).reshape(cells), rng.random(cells)
    few, right = [distributions(rng, size) for size in cells], 0.0
    for added in np.ndindex(*cells):
        for start, chance in np.ndenumerate(one):
            reached = tuple(min(a + b, size - 1) for a, b, size in zip(start, added, cells, strict=True))
            right += chance * math.prod(part[a] for part, a in zip(few, added, strict=True)) * likelihood[reached]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(products, "MANY_CELLS", many)
        along = [of_sum(circle) for circle in circles(cells, 2, [[0, 1, 2]])]
    first, seen = one, likelihood
    for axis, each in enumerate(along):
        first = np.moveaxis(np.moveaxis(first, axis, -1) @ each.forward, -1, axis)
        seen = np.moveaxis(np.moveaxis(seen, axis, -1) @ each.backward, -1, axis)
    other = reduce(np.multiply.outer, [part @ each.forward for part, each in zip(few, along, strict=True)])
    assert (first * other * seen).sum().real == pytest.approx(right, abs=(1 if many else 1000) * ROUNDED)


def test_responses_join_as_unions() -> None:
    """A response is explained once any of two items explains it."""
    one, other, closing = np.array([0.7, 0.3]), np.array([0.6, 0.1]), np.array([0.2, 0.9])
    union = np.array([0.7 * 0.6, 0.7 * 0.1 + 0.3 * (0.6 + 0.1)])
    there, back = of_response()
    assert ((one @ there) * (other @ there) * (closing @ back)).sum() == pytest.approx(union @ closing, abs=1e-15)


@pytest.mark.parametrize("kind", ["any-of", "graded", "amount", "switch"])
@steady(15)
@given(seed=SEEDS, items=st.integers(1, 8), most=st.sampled_from([1, 2]))
def test_scores_equal_those_of_the_plain_scan(kind: str, seed: int, items: int, most: int) -> None:
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(items, copies=9, worlds=10**9)), 5)
    test, groups = random_test(rng, model, kind), random_groups(rng, model)
    quick = information(solve(model), test, groups, most)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SCORING, "LARGEST_ERROR", -1.0)
        plain = information(solve(model), test, groups, most)
    np.testing.assert_allclose(quick.outcomes, plain.outcomes, rtol=0, atol=ROUNDED)
    assert quick.bits == pytest.approx(plain.bits, abs=10 * ROUNDED)


@pytest.mark.parametrize("system", ["ducted_split", "walk_in_cooler"])
def test_all_candidates_of_a_job_score_the_same(system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    belief = Belief(shipped_job(system, loss={"kg": 0.5, "years": 2.0}))
    assert isinstance(in_products(belief.posterior.chain), ProductScan)  # type: ignore[union-attr]
    found = doable(belief.job, charging=may_charge(belief))
    quick = scored(belief, found=found).scores
    for module in (SCORING, LOCAL):
        monkeypatch.setattr(module, "LARGEST_ERROR", -1.0)
    for one, other in zip(quick, scored(belief, found=found).scores, strict=True):
        assert one.information.bits == pytest.approx(other.information.bits, abs=ROUNDED)
        _close(one.leaking, other.leaking)


def _close(one: Array, other: Array) -> None:
    np.testing.assert_allclose(one, other, rtol=0, atol=ROUNDED)


@pytest.mark.parametrize(("responses", "kind"), [(8, ProductScan), (9, Chain)])
def test_items_under_very_many_responses_stay_with_the_plain_scan(responses: int, kind: type) -> None:
    """Their sets double with each response, where the plain scan takes them one by one."""
    items = tuple(Item(f"item{n}", np.array([0.9, 0.1])) for n in range(2))
    rng = np.random.default_rng(3)
    tests = [
        LevelTest(np.array([0.9, 0.1]), {item.name: Table(distributions(rng, 2, 2)) for item in items})
        for _ in range(responses)
    ]
    found = solve(Model(items, (), tuple(Observation(test, 1) for test in tests)))
    assert isinstance(found, Posterior)
    assert type(in_products(found.chain)) is kind

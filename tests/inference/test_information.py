"""Expected information of a test against enumeration of all worlds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import (
    AmountTest,
    Item,
    LevelTest,
    Model,
    ModelError,
    Observation,
    SampledPosterior,
    SwitchTest,
    Table,
    information,
    solve,
    split_amounts,
)

from .checks import CLOSE, SEEDS, steady
from .enumeration import Mask, Test, solve_by_enumeration
from .random_models import KINDS, Shape, random_groups, random_model, random_observations, random_test

Groups = list[dict[str, Mask]]


def assert_information(model: Model, test: Test, groups: Groups, most: int) -> None:
    """Bits and outcome chances equal enumeration; the gap covers what lumping hides, and is 0 when it hides nothing."""
    right = solve_by_enumeration(model)
    found = information(solve(model), test, groups, max_leaking=most)
    assert found.outcomes.shape == (test.outcomes,)
    np.testing.assert_allclose(found.outcomes, right.outcomes(test), rtol=0, atol=CLOSE)
    assert abs(found.bits - right.information(test, groups, most)) <= CLOSE
    hidden = right.information(test, groups, len(groups)) - found.bits
    assert hidden <= found.gap + CLOSE
    if most >= len(groups):
        assert found.gap <= CLOSE


@pytest.mark.parametrize("kind", KINDS)
@steady(50)
@given(seed=SEEDS, items=st.integers(1, 6), observations=st.integers(0, 5), most=st.sampled_from([1, 2, None]))
def test_information_equals_enumeration(kind: str, seed: int, items: int, observations: int, most: int | None) -> None:
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(items, worlds=3_000)), observations)
    test, groups = random_test(rng, model, kind), random_groups(rng, model)
    assert_information(model, test, groups, len(groups) if most is None else most)


@pytest.mark.parametrize("kind", ["any-of", "graded", "amount"])
@steady(8)
@given(seed=SEEDS, most=st.sampled_from([1, 2, 12]))
def test_twelve_single_item_groups(kind: str, seed: int, most: int) -> None:
    """Every item is its own group: the full target has 4,096 values."""
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(12, copies=12, switches=0, worlds=4_096)), 3)
    groups = [{item.name: np.arange(item.states) > 0} for item in model.items]
    assert_information(model, random_test(rng, model, kind), groups, most)


def rare_row(rng: np.random.Generator) -> Model:
    """Nine items of three states with rare leaks, as on a real system."""
    leak = 10.0 ** rng.uniform(-4, -1.5, (9, 2))
    prior = np.concatenate([1 - leak.sum(-1, keepdims=True), leak], -1)
    return Model(tuple(Item(f"item{place}", row) for place, row in enumerate(prior)))


@pytest.mark.parametrize("most", [1, 2, 3])
@pytest.mark.parametrize("scope", [range(2, 6), (0, 3, 8), (7, 1, 4, 5), range(9)])
def test_rare_leaks_and_scattered_scopes(scope: range | tuple[int, ...], most: int) -> None:
    """Groups of three items each, after a scattered response, a silence and a loss; small sizes do not matter."""
    rng = np.random.default_rng(17)
    model = rare_row(rng)
    sum_of = {item.name: Table(split_amounts([0.0, 0.7, 3.1], 0.8, 7)) for item in model.items}
    reading = np.exp(-0.5 * ((np.arange(7) - 3.6) / 1.3) ** 2)
    answer = 1 / (1 + np.exp(3.0 - np.arange(7)))
    meter = np.stack([answer, 1 - answer], axis=1)
    loss = Observation(AmountTest(sum_of, reading[:, None]), 0)
    model = model.observing(Observation(probe(rng, (8, 2, 6, 1)), 1), Observation(probe(rng, (0, 4, 5)), 0), loss)
    matters = {n: np.array([False, n % 2 == 0, True]) for n in range(9)}
    groups = [{f"item{n}": matters[n] for n in (first, first + 3, first + 6)} for first in range(3)]
    assert_information(model, probe(rng, scope), groups, most)
    assert_information(model, AmountTest({f"item{n}": sum_of[f"item{n}"] for n in scope}, meter), groups, most)


def probe(rng: np.random.Generator, scope: range | tuple[int, ...]) -> LevelTest:
    """A binary any-of test with a false alarm of 2 %."""
    seen = np.sort(rng.uniform(0.2, 0.95, (len(scope), 2)), axis=1)
    rows = [np.array([[1.0, 0.0], [1 - low, low], [1 - high, high]]) for low, high in seen]
    return LevelTest(np.array([0.98, 0.02]), {f"item{n}": Table(row) for n, row in zip(scope, rows, strict=True)})


MISFITS: dict[str, dict[str, Mask]] = {
    "unknown item": {"nowhere": np.array([False, False, True])},
    "too few states": {"item1": np.array([False, True])},
}


@pytest.mark.parametrize("name", MISFITS)
def test_a_group_that_does_not_fit_the_model_is_refused(name: str) -> None:
    rng = np.random.default_rng(1)
    model = rare_row(rng)
    with pytest.raises(ModelError):
        information(solve(model), probe(rng, range(3)), [MISFITS[name]], max_leaking=1)


YES_NO = np.array([[1.0, 0.0], [0.5, 0.5], [0.2, 0.8]])
LEVEL = np.array([0.98, 0.02])
UNFITTING: dict[str, tuple[Test, str]] = {
    "unknown item": (LevelTest(LEVEL, {"nowhere": Table(YES_NO)}), "unknown item nowhere"),
    "too few states": (LevelTest(LEVEL, {"item1": Table(YES_NO[:2])}), "has 2 states, the item 3"),
    "unknown switch": (LevelTest(LEVEL, {"item1": Table(np.array([YES_NO, YES_NO]), ("none",))}), "switch none"),
    "switch test": (SwitchTest("none", np.array([[0.9, 0.1], [0.2, 0.8]])), "unknown switch none"),
    "sum": (AmountTest({"nowhere": Table(YES_NO)}, np.eye(2)), "unknown item nowhere"),
}


@pytest.mark.parametrize("name", UNFITTING)
def test_a_test_that_does_not_fit_the_model_is_refused(name: str) -> None:
    test, told = UNFITTING[name]
    model = rare_row(np.random.default_rng(1))
    for posterior in (solve(model), SampledPosterior(model, (), 100, 0)):
        with pytest.raises(ModelError, match=told):
            information(posterior, test, [{"item1": np.array([False, True, True])}], max_leaking=1)


def test_sets_of_up_to_two_groups_are_told_apart_unless_told_otherwise() -> None:
    rng = np.random.default_rng(3)
    model, test = rare_row(rng), probe(rng, range(4))
    groups = [{f"item{n}": np.array([False, True, True])} for n in range(4)]
    found = [information(solve(model), test, groups, max_leaking=most).bits for most in (1, 2, 3)]
    assert information(solve(model), test, groups).bits == found[1]
    assert found[0] < found[1] < found[2]

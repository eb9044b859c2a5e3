"""Many responses open at one item: worked out at once up to a limit, then state by state, copies by draws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import Item, LevelTest, Model, Observation, Table, link, solve

from .checks import CLOSE, SEEDS, assert_equals_enumeration, steady
from .random_models import KINDS, Shape, random_groups, random_model, random_observations, random_test
from .test_information import assert_information

SINGLE = Shape(items=6, copies=6, worlds=2_000)


def single_copies(seed: int, observations: int) -> tuple[np.random.Generator, Model]:
    """A random model of items of one copy."""
    rng = np.random.default_rng(seed)
    model = random_model(rng, SINGLE)
    items = tuple(Item(item.name, item.prior, item.switches) for item in model.items)
    return rng, random_observations(rng, Model(items, model.switches), observations)


@pytest.fixture(autouse=True, params=[0, 1, 8])
def limit(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """How many responses at an item are worked out at once."""
    monkeypatch.setattr(link, "WIDEST_KERNEL", request.param)
    monkeypatch.setattr(link, "WIDEST_BESIDE_SUMS", request.param)


@steady(40)
@given(seed=SEEDS, observations=st.integers(2, 7))
def test_a_posterior_is_the_same_either_way(seed: int, observations: int) -> None:
    assert_equals_enumeration(single_copies(seed, observations)[1], seed)


@pytest.mark.parametrize("kind", KINDS)
@steady(15)
@given(seed=SEEDS, observations=st.integers(2, 6))
def test_information_is_the_same_either_way(kind: str, seed: int, observations: int) -> None:
    rng, model = single_copies(seed, observations)
    test, groups = random_test(rng, model, kind), random_groups(rng, model)
    assert_information(model, test, groups, len(groups))


@pytest.mark.parametrize("responses", [1, 2, 8, 9])
def test_copies_are_exact_up_to_the_limit_and_drawn_beyond_it(responses: int) -> None:
    """Five like copies, each leaking by chance 0.1; beside them one item, so that no response is the copies' own.

    By hand: the copies and the item are tight or not, and each response is missed by each leak by chance 0.6.
    """
    seen = Table(np.array([[1.0, 0.0], [0.6, 0.4]]))
    test = LevelTest(np.array([0.9, 0.1]), {"copies": seen, "other": seen})
    items = (Item("copies", np.array([0.9, 0.1]), count=5), Item("other", np.array([0.8, 0.2])))
    found = solve(Model(items, (), (Observation(test, 1),) * responses))
    leaks = np.arange(6)
    chance = np.array([1, 5, 10, 10, 5, 1]) * 0.1**leaks * 0.9 ** (5 - leaks)
    other = np.array([0.8, 0.2])
    weight = chance[:, None] * other * (1 - 0.9 * 0.6 ** (leaks[:, None] + np.arange(2))) ** responses
    right = weight.sum(0) / weight.sum()
    assert found.exact == (responses <= link.WIDEST_KERNEL)
    np.testing.assert_allclose(found.marginal("other"), right, rtol=0, atol=CLOSE if found.exact else 0.05)

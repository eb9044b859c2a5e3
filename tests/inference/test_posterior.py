"""The posterior against enumeration of all worlds, and against exact rational arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import (
    AmountTest,
    ImpossibleEvidence,
    Item,
    LevelTest,
    Model,
    ModelError,
    Observation,
    Switch,
    SwitchTest,
    Table,
    local_test,
    solve,
)

from .checks import CLOSE, SEEDS, assert_equals_enumeration, steady
from .enumeration import Test, solve_by_enumeration
from .random_models import Shape, random_model, random_observations
from .rational import solve_in_fractions


@steady(200)
@given(seed=SEEDS, items=st.integers(1, 7), observations=st.integers(0, 7))
def test_any_mixture_of_findings_equals_enumeration(seed: int, items: int, observations: int) -> None:
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(items)), observations)
    assert_equals_enumeration(model, seed)


@steady(30)
@given(seed=SEEDS, items=st.integers(10, 14), observations=st.integers(2, 6))
def test_up_to_fourteen_items_equal_enumeration(seed: int, items: int, observations: int) -> None:
    rng = np.random.default_rng(seed)
    shape = Shape(items, copies=items, switches=1, worlds=40_000)
    assert_equals_enumeration(random_observations(rng, random_model(rng, shape), observations), seed)


def window_test(rng: np.random.Generator, first: int, length: int, false_alarm: float) -> LevelTest:
    """A binary any-of test of neighbouring yes/no items, each seen with a chance between .3 and .95."""
    names = [f"item{place}" for place in range(first, first + length)]
    seen = rng.uniform(0.3, 0.95, length)
    emit = {name: Table(np.array([[1.0, 0.0], [1 - d, d]])) for name, d in zip(names, seen, strict=True)}
    return LevelTest(np.array([1 - false_alarm, false_alarm]), emit)


def yes_no_items(count: int, chance: float) -> tuple[Item, ...]:
    """Equal, independent yes/no items."""
    return tuple(Item(f"item{place}", np.array([1 - chance, chance])) for place in range(count))


@pytest.mark.parametrize("seed", range(4))
def test_overlapping_rare_responses_equal_enumeration(seed: int) -> None:
    """13 items with priors of 3 %, nine overlapping windows, most of them with a response."""
    rng = np.random.default_rng(100 + seed)
    tests = [window_test(rng, first, 5, 0.002) for first in range(9)]
    seen = [Observation(test, int(rng.random() < 0.8)) for test in tests]
    assert_equals_enumeration(Model(yes_no_items(13, 0.03), (), tuple(seen)), seed)


def scattered_test(rng: np.random.Generator, items: int, size: int, false_alarm: float) -> LevelTest:
    """A binary any-of test of ``size`` random yes/no items."""
    emit = {}
    for place in rng.permutation(items)[:size]:
        seen = rng.uniform(0.3, 0.9)
        emit[f"item{place}"] = Table(np.array([[1.0, 0.0], [1 - seen, seen]]))
    return LevelTest(np.array([1 - false_alarm, false_alarm]), emit)


@pytest.mark.parametrize(("seed", "items", "silent"), [(0, 6, 0), (1, 7, 3), (2, 5, 0)])
def test_eighteen_overlapping_responses_keep_relative_accuracy(seed: int, items: int, silent: int) -> None:
    """Priors 1e-4, false alarms 1e-6: nothing may cancel. Right answer in exact rational arithmetic."""
    rng = np.random.default_rng(seed)
    tests = [scattered_test(rng, items, 3, 1e-6) for _ in range(18 + silent)]
    seen = tuple(Observation(test, int(place < 18)) for place, test in enumerate(tests))
    model = Model(yes_no_items(items, 1e-4), (), seen)
    found, (evidence, marginals) = solve(model), solve_in_fractions(model)
    assert found.exact
    assert abs(found.log_evidence - _log(evidence)) <= CLOSE
    for item, right in zip(model.items, marginals, strict=True):
        np.testing.assert_allclose(found.marginal(item.name), [float(chance) for chance in right], rtol=CLOSE, atol=0)


def _log(number: Fraction) -> float:
    """Natural logarithm of a fraction too small or too long for a float."""
    return math.log(number.numerator) - math.log(number.denominator)


def test_eighteen_windows_over_a_long_row_keep_relative_accuracy() -> None:
    """Each response can only come from a false alarm or from one of two neighbours: a chain solved by hand.

    With items 0..18 and response k looking at items k and k+1, the evidence is a product of 2 x 2 matrices
    (transfer matrices), all terms positive; they are multiplied here as fractions.
    """
    chance, alarm, see = Fraction(1e-4), Fraction(1e-6), Fraction(0.75)
    row = yes_no_items(19, 1e-4)
    table = Table(np.array([[1.0, 0.0], [0.25, 0.75]]))
    tests = [LevelTest(np.array([1 - 1e-6, 1e-6]), {a.name: table, b.name: table}) for a, b in pairwise(row)]
    model = Model(row, (), tuple(Observation(test, 1) for test in tests))
    missed = [1 - alarm, (1 - alarm) * (1 - see), (1 - alarm) * (1 - see) ** 2]  # by number of leaks in the window
    prior = (1 - chance, chance)
    forward: list[Fraction] = list(prior)
    for _ in tests:
        forward = [sum((forward[a] * (1 - missed[a + b]) for a in (0, 1)), Fraction(0)) * prior[b] for b in (0, 1)]
    found = solve(model)
    assert abs(found.log_evidence - _log(forward[0] + forward[1])) <= CLOSE
    last = [float(weight / (forward[0] + forward[1])) for weight in forward]
    np.testing.assert_allclose(found.marginal("item18"), last, rtol=CLOSE, atol=0)
    np.testing.assert_allclose(found.marginal("item0"), last, rtol=CLOSE, atol=0)  # by symmetry


def test_evidence_far_below_the_smallest_float() -> None:
    """400 independent readings of chance 1e-3: log evidence 400 ln(1e-3), far below 1e-308."""
    items = yes_no_items(400, 1e-3)
    seen = tuple(Observation(local_test(item.name, np.eye(2)), 1) for item in items)
    assert solve(Model(items, (), seen)).log_evidence == pytest.approx(400 * math.log(1e-3), rel=1e-12)


EXTREME: dict[str, SwitchTest | AmountTest] = {
    "one switch": SwitchTest("blind", np.array([[1e-200], [1e-201], [1e-205]])),
    "one item": AmountTest({"item0": Table(np.eye(2))}, np.array([[1e-200], [1e-201]])),
    "a sum": AmountTest(
        {"item0": Table(np.eye(2, 3)), "item1": Table(np.eye(2, 3))}, 1e-200 * np.eye(3)[:, [0]] + 1e-203
    ),
}


@pytest.mark.parametrize("name", EXTREME)
def test_repeated_readings_far_out_do_not_underflow(name: str) -> None:
    """The same reading three times, each with a likelihood near 1e-200: a likelihood's scale is only an offset.

    The scaled model (times 1e200) is enumerated; its log evidence differs by 3 ln(1e200).
    """
    test, switch = EXTREME[name], Switch("blind", np.array([0.5, 0.3, 0.2]))
    model = Model(yes_no_items(2, 0.2), (switch,))
    found = solve(model.observing(*[Observation(test, 0)] * 3))
    scaled = replace(test, likelihood=test.likelihood * 1e200)
    right = solve_by_enumeration(model.observing(*[Observation(scaled, 0)] * 3))
    assert found.log_evidence == pytest.approx(math.log(right.evidence) - 3 * math.log(1e200), rel=1e-12)
    np.testing.assert_allclose(found.marginal("item0"), right.marginal("item0"), rtol=1e-9, atol=0)
    np.testing.assert_allclose(found.switch("blind"), right.switch("blind"), rtol=1e-9, atol=0)


def _perfect(*names: str) -> LevelTest:
    return LevelTest(np.array([1.0, 0.0]), {name: Table(np.eye(2)) for name in names})


IMPOSSIBLE: dict[str, list[tuple[Test, int]]] = {
    "response of tight items": [(_perfect("item0"), 0), (_perfect("item1"), 0), (_perfect("item0", "item1"), 1)],
    "silence of a leak": [(_perfect("item2"), 1), (_perfect("item0", "item2"), 0)],
    "three responses, one leak at most": [
        (AmountTest({f"item{n}": Table(np.eye(2, 4)) for n in range(3)}, np.array([[1.0], [1], [0], [0]])), 0),
        (_perfect("item0"), 1),
        (_perfect("item1", "item2"), 1),
    ],
    "switch": [(SwitchTest("blind", np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 0.0]])), 1)],
    "one item twice": [(local_test("item1", np.eye(2)), 1), (local_test("item1", np.eye(2)), 0)],
}


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_impossible_evidence_is_refused(name: str) -> None:
    seen = tuple(Observation(test, outcome) for test, outcome in IMPOSSIBLE[name])
    model = Model(yes_no_items(3, 0.2), (Switch("blind", np.array([0.5, 0.3, 0.2])),), seen)
    with pytest.raises(ImpossibleEvidence):
        solve(model)
    assert solve(Model(model.items, model.switches, seen[:-1])).exact  # without the last finding all is well


@pytest.mark.parametrize("outcome", [-1, 2, 7])
def test_unknown_outcome_is_refused(outcome: int) -> None:
    with pytest.raises(ModelError):
        Observation(_perfect("item0"), outcome)


def test_certain_items_stay_certain() -> None:
    """Priors of exactly 0 and 1 are kept, with a finding that cannot move them and one that fits them."""
    items = (Item("tight", np.array([1.0, 0.0, 0.0])), Item("open", np.array([0.0, 0.0, 1.0]), count=2))
    table = Table(np.array([[1.0, 0.0], [0.5, 0.5], [0.2, 0.8]]))
    seen = Observation(LevelTest(np.array([1.0, 0.0]), {"tight": table, "open": table}), 1)
    found = solve(Model(items, (), (seen,)))
    np.testing.assert_array_equal(found.marginal("tight"), [1, 0, 0])
    np.testing.assert_allclose(found.marginal("open"), [0, 0, 1], rtol=0, atol=1e-15)
    assert math.exp(found.log_evidence) == pytest.approx(1 - 0.2**2, rel=1e-12)  # either copy may respond

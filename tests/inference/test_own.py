"""Responses of one item of several copies, which stay inside it, against enumeration of all worlds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from leakinfer.inference import Item, LevelTest, Model, Observation, Posterior, Switch, Table, information, link, solve

from .checks import CLOSE, SEEDS, assert_equals_enumeration, steady
from .enumeration import solve_by_enumeration
from .random_models import distributions, random_test
from .test_draws import FALSE_ALARM, joint_counts, p_value

LEVELS = 3


def bends(seed: int, seen: int, alarm: float = 0.05, copies: int = 3) -> Model:
    """Bends of one coil with a header beside them, in air that may be fouled: each probe of the bends is answered by
    them, by the air, or for no reason; one sweep takes in the header too, and the amount lost is read."""
    rng = np.random.default_rng(seed)
    items = (
        Item("header", distributions(rng, 3)),
        Item("bends", distributions(rng, 2, 3), ("salt",), copies),
        Item("air", np.ones(1)),
    )
    switches = tuple(Switch(name, distributions(rng, 2)) for name in ("salt", "blind", "fouled"))
    tables = [Table(distributions(rng, 2, 3, LEVELS), ("blind",)), Table(distributions(rng, 3, LEVELS))]
    air = Table(distributions(rng, 2, 1, LEVELS), ("fouled",))
    ground = np.array([1 - alarm, alarm / 2, alarm / 2])
    probes = []
    for number in range(seen):  # every other one is the same test, its outcomes repeat
        emit = {"bends": tables[number % 2]} | ({"air": air} if number % 3 == 0 else {})
        probes.append(Observation(LevelTest(ground, emit), 1 + number // 2 % 2))
    sweep = LevelTest(ground, {"header": tables[1], "bends": tables[0], "air": air})
    return Model(items, switches, (*probes, Observation(sweep, 2)))


@steady(25)
@given(seed=SEEDS, seen=st.integers(1, 6))
def test_they_equal_enumeration(seed: int, seen: int) -> None:
    model = bends(seed, seen)
    assume(solve_by_enumeration(model).evidence > 0)
    assert_equals_enumeration(model, seed)


@steady(15)
@given(seed=SEEDS, seen=st.integers(1, 4), kind=st.sampled_from(["any-of", "graded", "amount"]))
def test_information_with_them_equals_enumeration(seed: int, seen: int, kind: str) -> None:
    model = bends(seed, seen)
    assume(solve_by_enumeration(model).evidence > 0)
    test = random_test(np.random.default_rng(seed), model, kind)
    groups = [{"header": np.array([False, True, True])}, {"bends": np.array([False, False, True])}]
    found = information(solve(model), test, groups, max_leaking=2)
    assert abs(found.bits - solve_by_enumeration(model).information(test, groups, 2)) <= CLOSE


def test_draws_keep_what_they_explain() -> None:
    counts, chances = joint_counts(bends(6, 3), 16)
    assert p_value(counts, chances) > FALSE_ALARM


def test_only_what_others_can_explain_stays_open() -> None:
    """Six answers on the bends alone, the air beside them or not, and one sweep over more."""
    found = solve(bends(1, 6))
    assert isinstance(found, Posterior)
    assert {name for link in found.chain.links for name in link.responses} == {"response 6"}


@pytest.mark.parametrize("alarm", [1e-3, 1e-7])
def test_answers_that_are_hardly_possible_are_carried_as_bits(alarm: float) -> None:
    """A part that is tight for sure: five answers, all false, are as likely as the false alarm to the fifth. Their
    terms would cancel below rounding."""
    bend = Item("bends", np.array([1.0, 0.0]), count=4)
    answers = Table(np.array([[1.0, 0.0], [0.1, 0.9]]))
    tests = [Observation(LevelTest(np.array([1 - alarm, alarm]), {"bends": answers}), 1) for _ in range(5)]
    assert solve(Model((bend,), (), tuple(tests))).log_evidence == pytest.approx(5 * np.log(alarm), rel=1e-9)


def test_many_variants_are_taken_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a coil in air that may be fouled, whose terms hang on the air, and beside a sweep over more."""
    model = bends(6, 5)
    test = LevelTest(np.array([0.9, 0.05, 0.05]), dict(model.observations[-1].test.emit))  # type: ignore[union-attr]
    groups = [{"header": np.array([False, True, True])}, {"bends": np.array([False, False, True])}]
    whole = information(solve(model), test, groups, max_leaking=2)
    monkeypatch.setattr(link, "TOGETHER", 1)
    parts = information(solve(model), test, groups, max_leaking=2)
    assert parts.bits == pytest.approx(whole.bits, abs=CLOSE)
    assert whole.bits == pytest.approx(solve_by_enumeration(model).information(test, groups, 2), abs=CLOSE)

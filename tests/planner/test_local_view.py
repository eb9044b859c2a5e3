"""Many tests of single items at once against one test at a time, and against the sum over all worlds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import Item, LevelTest, Model, Observation, Posterior, Switch, SwitchTest, Table
from leakinfer.inference.entropy import mutual_information_bits
from leakinfer.inference.information import target_table
from leakinfer.inference.local import GroupView, Probe, plain_tables
from tests.inference.checks import CLOSE, SEEDS, steady
from tests.inference.enumeration import Array, Mask, mutual_information, outcome_probabilities, solve_by_enumeration
from tests.inference.random_models import (
    Shape,
    distributions,
    random_groups,
    random_model,
    random_observations,
    random_tables,
)

Group = dict[str, Mask]


def random_probes(rng: np.random.Generator, model: Model, item: str, count: int = 3) -> list[Probe]:
    """Tests of one item with 2 to 4 levels, some of which may be hidden."""
    probes = []
    for levels in rng.integers(2, 5, count):
        table = random_tables(rng, known_switches(model, item), [item], int(levels))[item]
        alarm = 10.0 ** rng.uniform(-5, 0)
        ground = (1 - alarm) * np.eye(levels)[0] + alarm * distributions(rng, int(levels))
        probes.append(Probe(table, ground, float(rng.choice([0.0, 0.3, 1.0], p=[0.5, 0.4, 0.1]))))
    return probes


def known_switches(model: Model, item: str) -> Model:
    """The item alone with the switches that it depends on: a new one would need a new scan."""
    own = model.items[model.index[item]].switches
    return Model((model.items[model.index[item]],), tuple(s for s in model.switches if s.name in own))


def as_test(item: str, probe: Probe) -> LevelTest:
    """The same test as the engine knows it."""
    return LevelTest(probe.background, {item: probe.table}, {item: probe.hidden})


def listed(model: Model, group: Group, test: LevelTest | SwitchTest) -> Array:
    """(2, outcomes): group off or on against the outcome, from all worlds. A test that is hidden is quiet."""
    right = solve_by_enumeration(model)
    hidden = next(iter(test.hidden.values()), 0.0) if isinstance(test, LevelTest) else 0.0
    chances = (1 - hidden) * outcome_probabilities(right.worlds, plain(test))
    if isinstance(test, LevelTest):
        chances = chances + hidden * test.background
    on = right.worlds.any_copy(group)
    return np.stack([right.posterior[~on] @ chances[~on], right.posterior[on] @ chances[on]])


def plain(test: LevelTest | SwitchTest) -> LevelTest | SwitchTest:
    """The test without its chance of being hidden."""
    return LevelTest(test.background, test.emit) if isinstance(test, LevelTest) else test


def random_case(seed: int, observations: int) -> tuple[np.random.Generator, Model, list[Group]]:
    """A random model with observations and its groups."""
    rng = np.random.default_rng(seed)
    model = random_observations(rng, random_model(rng, Shape(5, worlds=2_000)), observations)
    return rng, model, random_groups(rng, model)


@steady(60)
@given(seed=SEEDS, observations=st.integers(0, 5))
def test_tests_of_one_item_equal_one_test_at_a_time(seed: int, observations: int) -> None:
    rng, model, groups = random_case(seed, observations)
    posterior = Posterior(model)
    for group in groups:
        view = GroupView(posterior, group)
        for item in group:
            probes = random_probes(rng, model, item)
            for probe, table in zip(probes, view.tables(item, probes), strict=True):
                test = as_test(item, probe)
                np.testing.assert_allclose(table, target_table(posterior, test, [group], 1)[:2], rtol=0, atol=CLOSE)
                np.testing.assert_allclose(table, listed(model, group, test), rtol=0, atol=CLOSE)


@steady(40)
@given(seed=SEEDS, observations=st.integers(0, 5))
def test_looks_at_a_switch_of_one_item_equal_one_look_at_a_time(seed: int, observations: int) -> None:
    rng, model, groups = random_case(seed, observations)
    posterior = Posterior(model)
    for group in groups:
        view = GroupView(posterior, group)
        for item in (model.items[model.index[name]] for name in group):
            for switch in item.switches:
                test = SwitchTest(switch, distributions(rng, model.sizes[switch], 3))
                table = view.switch_table(item.name, test)
                np.testing.assert_allclose(table, target_table(posterior, test, [group], 1)[:2], rtol=0, atol=CLOSE)
                np.testing.assert_allclose(table, listed(model, group, test), rtol=0, atol=CLOSE)


@steady(40)
@given(seed=SEEDS, observations=st.integers(0, 5))
def test_one_table_for_many_items_equals_each_alone(seed: int, observations: int) -> None:
    """Items of two states share one table without switches."""
    rng, model, groups = random_case(seed, observations)
    posterior = Posterior(model)
    two = [
        (group, name)
        for group in groups
        for name in group
        if model.items[model.index[name]].states == 2 and model.items[model.index[name]].count == 1
    ]
    probe = Probe(Table(distributions(rng, 2, 3)), distributions(rng, 3), 0.2)
    if not two:
        return
    plain = np.stack([GroupView(posterior, group).plain(name) for group, name in two])
    stacked = plain_tables(plain, [probe] * len(two))
    for table, (group, name) in zip(stacked, two, strict=True):
        np.testing.assert_allclose(table, listed(model, group, as_test(name, probe)), rtol=0, atol=CLOSE)


def coil() -> tuple[Model, Group]:
    """Five bends in one row, a header and a joint; a response of all three and a known amount lost."""
    damp = Switch("damp", np.array([0.7, 0.3]))
    bends = Item("bends", np.array([[0.98, 0.01, 0.01], [0.9, 0.06, 0.04]]), ("damp",), 5)
    header = Item("header", np.array([[0.97, 0.03], [0.9, 0.1]]), ("damp",))
    joint = Item("joint", np.array([0.95, 0.05]))
    shown = {
        "bends": Table(np.array([[1.0, 0.0], [0.6, 0.4], [0.2, 0.8]])),
        "header": Table(np.array([[1.0, 0.0], [0.3, 0.7]])),
        "joint": Table(np.array([[1.0, 0.0], [0.3, 0.7]])),
    }
    response = Observation(LevelTest(np.array([0.95, 0.05]), shown), 1)
    group = {"bends": np.array([False, False, True]), "header": np.array([False, True])}
    return Model((bends, header, joint), (damp,), (response,)), group


@pytest.mark.parametrize("item", ["bends", "header"])
@pytest.mark.parametrize("hidden", [0.0, 0.25, 1.0])
def test_a_coil_whose_response_is_being_explained(item: str, hidden: float) -> None:
    model, group = coil()
    states = model.items[model.index[item]].states
    probe = Probe(
        Table(np.stack([np.linspace(1, 0.1, states), np.linspace(0, 0.9, states)], 1)), np.array([0.9, 0.1]), hidden
    )
    (table,) = GroupView(Posterior(model), group).tables(item, [probe])
    right = listed(model, group, as_test(item, probe))
    np.testing.assert_allclose(table, right, rtol=0, atol=CLOSE)
    on = solve_by_enumeration(model).worlds.any_copy(group)
    assert 0 < right[1].sum() < 1
    assert on.any()
    bits = float(mutual_information_bits(table))
    assert bits == pytest.approx(mutual_information(np.array([0, 1]), right), abs=CLOSE)
    assert (bits > 1e-4) == (hidden < 1)


def test_a_group_that_is_one_item_needs_no_second_scan() -> None:
    model, _ = coil()
    group = {"joint": np.array([False, True])}
    probe = Probe(Table(np.array([[1.0, 0.0], [0.2, 0.8]])), np.array([0.97, 0.03]), 0.05)
    (table,) = GroupView(Posterior(model), group).tables("joint", [probe])
    np.testing.assert_allclose(table, listed(model, group, as_test("joint", probe)), rtol=0, atol=CLOSE)

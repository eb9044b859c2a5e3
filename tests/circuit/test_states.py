"""Conditions beyond the estimate: gauges, flat, test gas, vacuum; what is refused; words; how they are written down."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from leakinfer.circuit.conditions import Condition, check_condition, condition_numbers, phase, pressure_pa, reached
from leakinfer.circuit.model import Section
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.physics.properties import load_properties

ATMOSPHERE = 101_325.0  # Pa; CGPM 1954
PSI = 6894.757293168  # Pa; exact definition of the pound-force and the inch


def condition(state: Any = "standing", outdoor_c: float = 30.0, indoor_c: float = 22.0, **more: Any) -> Condition:
    return Condition(state, more.pop("air", "still"), outdoor_c, indoor_c, **more)


def section(system: str, name: str) -> Section:
    return {part.id: part for part in load_system(system).sections}[name]


def pressure(where: Section, when: Condition, fluid: str = "R-410A") -> float:
    return pressure_pa(where, when, load_properties().fluid(fluid), condition_numbers())


@pytest.mark.parametrize(
    ("where", "when", "saturation_c", "quality"),
    [
        # shipped approaches by hand: condensing 15 K above outdoors, evaporating 19 K below the room
        ("outdoor_coil", condition("running", 35, 24), 50, 1),
        ("liquid_line", condition("running", 35, 24), 50, 0),
        ("indoor", condition("running", 35, 24), 5, 1),
        ("vapour_line", condition("running", 35, 24), 5, 1),
        # heating: condensing 20 K above the room, evaporating 8 K below outdoors
        ("indoor", condition("running", 7, 20, heating=True), 40, 1),
        ("liquid_line", condition("running", 7, 20, heating=True), 40, 0),
        ("outdoor_vapour", condition("running", 7, 20, heating=True), 40, 1),
        ("outdoor_coil", condition("running", 7, 20, heating=True), -1, 1),
        ("compressor", condition("running", 7, 20, heating=True), -1, 1),
        ("indoor", condition("standing", 7, 20), 7, 1),
    ],
)
@pytest.mark.parametrize(("fluid", "foreign"), [("R-410A", "R410A"), ("R-32", "R32"), ("R-134a", "R134a")])
def test_estimates_against_coolprop(
    where: str, when: Condition, saturation_c: float, quality: int, fluid: str, foreign: str
) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    expected = coolprop.PropsSI("P", "T", saturation_c + 273.15, "Q", quality, foreign)
    assert pressure(section("heat_pump", where), when, fluid) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("where", [part.id for part in load_system("heat_pump").sections])
@pytest.mark.parametrize("heating", [False, True])
def test_gauges_override_the_estimate_on_their_side(where: str, heating: bool) -> None:
    """A reversing valve puts the indoor coil on the high side in heating; discharge and suction stay where they are."""
    high = {"discharge", "liquid_line", "outdoor_liquid"}
    high |= {"indoor", "vapour_line", "outdoor_vapour"} if heating else {"outdoor_coil"}
    when = condition("running", heating=heating, high_kpa=2000.0, low_kpa=700.0)
    expected = 2_101_325.0 if where in high else 801_325.0
    assert pressure(section("heat_pump", where), when) == pytest.approx(expected, rel=1e-12)


def test_one_gauge_leaves_the_other_side_to_the_estimate() -> None:
    only_high = condition("running", high_kpa=2000.0)
    assert pressure(section("ducted_split", "liquid_line"), only_high) == pytest.approx(2_101_325.0)
    suction = section("ducted_split", "suction_line")
    assert pressure(suction, only_high) == pressure(suction, condition("running"))


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"high_kpa": 900.0}, 1_001_325.0),
        ({"low_kpa": 900.0}, 1_001_325.0),
        ({"high_kpa": 930.0, "low_kpa": 870.0}, 1_001_325.0),
        ({"low_kpa": 0.0}, ATMOSPHERE),
        ({"low_kpa": -50.0}, 51_325.0),
    ],
)
def test_standing_either_gauge_tells_of_the_whole_circuit(readings: dict[str, float], expected: float) -> None:
    pressures = {pressure(part, condition(**readings)) for part in load_system("heat_pump").sections}
    assert len(pressures) == 1
    assert pressures.pop() == pytest.approx(expected, rel=1e-12)


def test_standing_gauges_that_differ_are_not_equalised() -> None:
    when = condition(high_kpa=1500.0, low_kpa=800.0)
    with pytest.raises(InputError, match=r"not equalised.*1,500 kPa.*800 kPa"):
        pressure(section("ducted_split", "indoor"), when)
    with pytest.raises(InputError, match=r"^finding 3: high_kpa, low_kpa: not equalised"):
        check_condition(when, load_system("ducted_split"), "finding 3")


@pytest.mark.parametrize(
    ("where", "when", "expected"),
    [
        ("discharge", condition("running", 35, 4, high_kpa=9000.0), 9_101_325.0),
        ("liquid_line", condition("running", 35, 4, high_kpa=9000.0), 9_101_325.0),
        ("evaporator", condition("standing", 40, 36, low_kpa=7500.0), 7_601_325.0),
    ],
)
def test_carbon_dioxide_above_its_critical_point_is_read_on_a_gauge(
    where: str, when: Condition, expected: float
) -> None:
    """Critical point of carbon dioxide 30.98 C (Span and Wagner 1996, doi 10.1063/1.555991)."""
    assert pressure(section("walk_in_cooler", where), when, "R-744") == pytest.approx(expected, rel=1e-12)
    blind = msgspec.structs.replace(when, high_kpa=None, low_kpa=None)
    with pytest.raises(InputError, match="transcritical"):
        pressure(section("walk_in_cooler", where), blind, "R-744")


def test_a_reading_on_the_low_side_does_not_tell_the_transcritical_high_side() -> None:
    when = condition("running", 35, 4, low_kpa=2500.0)
    with pytest.raises(InputError, match="transcritical"):
        pressure(section("walk_in_cooler", "discharge"), when, "R-744")


@pytest.mark.parametrize("state", ["nitrogen", "tracer"])
def test_test_gas_fills_the_circuit(state: str) -> None:
    """150 psig is 164.696 psia (1 atm = 14.696 psi)."""
    when = condition(state, test_kpa=150 * PSI / 1000)
    for part in load_system("heat_pump").sections:
        assert pressure(part, when) / PSI == pytest.approx(164.696, abs=1e-3)
        assert phase(part, when) == "vapour"


@pytest.mark.parametrize(
    ("when", "inside", "outside"),
    [
        (condition("nitrogen", test_kpa=3000.0, sections=("indoor", "suction_line")), 3_101_325.0, ATMOSPHERE),
        (condition("tracer", test_kpa=1000.0, sections=("indoor", "suction_line")), 1_101_325.0, ATMOSPHERE),
        (condition("vacuum", sections=("indoor", "suction_line")), 0.0, ATMOSPHERE),
    ],
)
def test_the_rest_of_the_circuit_is_at_atmosphere(when: Condition, inside: float, outside: float) -> None:
    for part in load_system("ducted_split").sections:
        assert reached(part.id, when) == (part.id in ("indoor", "suction_line"))
        expected = inside if part.id in ("indoor", "suction_line") else outside
        assert pressure(part, when) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("state", "expected"), [("flat", ATMOSPHERE), ("vacuum", 0.0)])
def test_flat_and_under_vacuum(state: str, expected: float) -> None:
    when = condition(state)
    for part in load_system("heat_pump").sections:
        assert pressure(part, when) == expected
        assert phase(part, when) == "vapour"
        assert reached(part.id, when) == (state == "vacuum")


@pytest.mark.parametrize("state", ["running", "standing", "flat"])
def test_no_test_gas_is_there_in_other_states(state: str) -> None:
    assert not reached("indoor", condition(state))


@pytest.mark.parametrize(
    ("when", "words"),
    [
        (condition("running", air="breeze"), "running, a breeze"),
        (condition("running", air="wind", heating=True), "heating, wind"),
        (condition("standing"), "standing, still air"),
        (condition("standing", air="wind", shroud=True), "standing, under a shroud"),
        (condition("flat"), "flat, still air"),
        (condition("nitrogen", test_kpa=1000.0), "nitrogen at 1,000 kPa, still air"),
        (condition("tracer", test_kpa=500.0, shroud=True), "tracer mix at 500 kPa, under a shroud"),
        (condition("vacuum", air="wind"), "vacuum"),
    ],
)
def test_words_for_people(when: Condition, words: str) -> None:
    assert when.words == words


GOOD = [
    condition("running"),
    condition("running", heating=True, high_kpa=2500.0, low_kpa=600.0, shroud=True),
    condition("running", low_kpa=-20.0),
    condition("standing", high_kpa=1000.0, low_kpa=1040.0),
    condition("flat"),
    condition("nitrogen", test_kpa=1000.0),
    condition("tracer", test_kpa=0.5, sections=("indoor",)),
    condition("vacuum", sections=("indoor", "liquid_line")),
]


@pytest.mark.parametrize("when", GOOD)
def test_a_condition_that_can_be_passes(when: Condition) -> None:
    check_condition(when, load_system("heat_pump"), "finding 1")


@pytest.mark.parametrize(
    ("when", "line"),
    [
        (condition("nitrogen"), "test_kpa: a test pressure of 0 kPa under nitrogen"),
        (condition("tracer", test_kpa=-5.0), "test_kpa: a test pressure of -5 kPa under tracer"),
        (condition("nitrogen", test_kpa=float("nan")), "test_kpa: a test pressure of nan kPa"),
        (condition("nitrogen", test_kpa=float("inf")), "test_kpa: a test pressure of inf kPa"),
        (condition("standing", test_kpa=100.0), "test_kpa: a test pressure of 100 kPa, the state is standing"),
        (condition("vacuum", test_kpa=100.0), "test_kpa: a test pressure of 100 kPa, the state is vacuum"),
        (condition("standing", sections=("indoor",)), "sections: sections are named, the state is standing"),
        (condition("flat", sections=("indoor",)), "sections: sections are named, the state is flat"),
        (condition("vacuum", sections=("indor",)), "sections: unknown section 'indor'; allowed: indoor"),
        (condition("standing", heating=True), "heating: heating, the state is standing; allowed: running"),
        (condition("flat", low_kpa=0.0), "low_kpa: a gauge reading of the charge, the state is flat"),
        (condition("nitrogen", test_kpa=9.0, high_kpa=9.0), "high_kpa: a gauge reading of the charge"),
        (condition("standing", low_kpa=-102.0), "low_kpa: -102 kPa gauge; allowed: -101 kPa or more"),
        (condition("running", high_kpa=float("nan")), "high_kpa: nan kPa gauge"),
        (condition("standing", high_kpa=1000.0, low_kpa=900.0), "high_kpa, low_kpa: not equalised"),
        (condition("running", high_kpa=600.0, low_kpa=2500.0), "high_kpa, low_kpa: the low side is above"),
    ],
)
def test_a_condition_that_cannot_be_is_refused_in_one_line(when: Condition, line: str) -> None:
    with pytest.raises(InputError) as caught:
        check_condition(when, load_system("heat_pump"), "finding 1")
    assert str(caught.value).startswith(f"finding 1: {line}")
    assert "\n" not in str(caught.value)


def test_a_cooler_does_not_heat() -> None:
    with pytest.raises(InputError, match="finding 1: heating: this system does not heat"):
        check_condition(condition("running", heating=True), load_system("walk_in_cooler"), "finding 1")


def test_a_journal_written_before_the_new_keys_reads_unchanged() -> None:
    """The keys and text of a running test as journals have held it from the first."""
    old = b'{"state":"running","air":"breeze","outdoor_c":31.5,"indoor_c":23.0}'
    read = msgspec.json.decode(old, type=Condition)
    assert read == Condition("running", "breeze", 31.5, 23.0)
    assert msgspec.json.encode(read) == old
    warm = b'{"state":"running","air":"wind","outdoor_c":4.0,"indoor_c":21.0,"heating":true}'
    assert msgspec.json.encode(msgspec.json.decode(warm, type=Condition)) == warm


@pytest.mark.parametrize("when", GOOD)
def test_round_trip_through_json(when: Condition) -> None:
    again = msgspec.json.decode(msgspec.json.encode(when), type=Condition)
    assert again == when
    assert hash(again) == hash(when)


def test_a_key_that_is_not_known_is_refused() -> None:
    with pytest.raises(msgspec.ValidationError, match="gas"):
        msgspec.json.decode(
            b'{"state":"flat","air":"still","outdoor_c":1.0,"indoor_c":1.0,"gas":"air"}', type=Condition
        )

"""Pressures in a section while running and standing, against charts and a refrigerant with a closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pytest

from leakinfer.circuit.conditions import Air, Condition, Refrigerant, State, condition_numbers, phase, pressure_pa
from leakinfer.circuit.model import Section
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.physics.properties import load_properties

PSI = 6894.757293168  # Pa; exact definition of the pound-force and the inch
SEA_LEVEL = 14.696  # psi
NUMBERS = {
    "condensing_approach_k": 14.0,
    "evaporating_approach_k": 20.0,
    "cold_room_approach_k": 7.0,
    "cold_room_below_c": 13.0,
    "heating_condensing_approach_k": 18.0,
    "heating_evaporating_approach_k": 9.0,
    "carbon_dioxide_critical_c": 30.98,
    "gauge_tolerance_kpa": 50.0,
    "low_side_design_c": 26.7,
    "high_side_design_c": 50.0,
}


@dataclass(frozen=True)
class ClosedForm:
    """A made-up refrigerant: dew pressure exp(T / 40 K) Pa, bubble pressure a tenth above it."""

    name: str = "made up"

    def dew_pressure(self, temperature_k: float, /) -> float:
        return math.exp(temperature_k / 40)

    def bubble_pressure(self, temperature_k: float, /) -> float:
        return 1.1 * math.exp(temperature_k / 40)


def section(system: str, name: str) -> Section:
    return {part.id: part for part in load_system(system).sections}[name]


def condition(
    state: State = "running",
    outdoor_c: float = 35.0,
    indoor_c: float = 24.0,
    heating: bool = False,
    air: Air = "still",
) -> Condition:
    return Condition(state, air, outdoor_c, indoor_c, heating)


def temperature_c(where: Section, when: Condition) -> float:
    """The saturation temperature behind a pressure of the made-up refrigerant."""
    factor = 1.1 if phase(where, when) == "liquid" else 1.0
    return 40 * math.log(pressure_pa(where, when, ClosedForm(), NUMBERS) / factor) - 273.15


@pytest.mark.parametrize(
    ("where", "when", "expected"),
    [
        (("ducted_split", "outdoor_high_side"), condition(), 35 + 14),
        (("ducted_split", "liquid_line"), condition(), 35 + 14),
        (("ducted_split", "indoor"), condition(), 24 - 20),
        (("ducted_split", "suction_line"), condition("standing"), 24),
        (("ducted_split", "liquid_line"), condition("standing", outdoor_c=10), 10),
        (("walk_in_cooler", "evaporator"), condition(indoor_c=2), 2 - 7),
        (("walk_in_cooler", "evaporator"), condition("standing", indoor_c=2), 2),
        (("heat_pump", "indoor"), condition(outdoor_c=3, indoor_c=21, heating=True), 21 + 18),
        (("heat_pump", "liquid_line"), condition(outdoor_c=3, indoor_c=21, heating=True), 21 + 18),
        (("heat_pump", "outdoor_coil"), condition(outdoor_c=3, indoor_c=21, heating=True), 3 - 9),
        (("heat_pump", "compressor"), condition(outdoor_c=3, indoor_c=21, heating=True), 3 - 9),
        (("heat_pump", "outdoor_coil"), condition(), 35 + 14),
        (("ductless_split", "liquid_line"), condition(), 24 - 20),
        (("ductless_split", "liquid_line"), condition(outdoor_c=3, indoor_c=21, heating=True), 21 + 18),
    ],
)
def test_the_temperature_that_sets_the_pressure(where: tuple[str, str], when: Condition, expected: float) -> None:
    assert temperature_c(section(*where), when) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("where", ["liquid_line", "indoor"])
def test_bubble_pressure_for_liquid_and_dew_pressure_for_vapour(where: str) -> None:
    part = section("ducted_split", where)
    temperature = 273.15 + (35 + 14 if part.side == "high" else 24 - 20)
    factor = 1.1 if where == "liquid_line" else 1.0
    expected = factor * math.exp(temperature / 40)
    assert pressure_pa(part, condition(), ClosedForm(), NUMBERS) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("where", "heating", "state", "expected"),
    [
        ("liquid_line", False, "running", "liquid"),
        ("liquid_line", True, "running", "liquid"),
        ("liquid_line", False, "standing", "vapour"),
        ("indoor", False, "running", "vapour"),
        ("indoor", True, "running", "vapour"),
    ],
)
def test_phase(where: str, heating: bool, state: State, expected: Literal["vapour", "liquid"]) -> None:
    assert phase(section("heat_pump", where), condition(state, heating=heating)) == expected


@pytest.mark.parametrize("name", ["R-410A", "R-22", "R-32", "R-454B"])
def test_an_indoor_coil_is_under_more_pressure_standing_a_high_side_joint_running(name: str) -> None:
    """Common practice, no source: high side running, low side off and warm, so that each sees its highest pressure."""
    refrigerant = load_properties().fluid(name)
    numbers = condition_numbers()
    running, standing = condition(outdoor_c=32), condition("standing", outdoor_c=32)
    for where in ("indoor", "suction_line", "compressor"):
        part = section("ducted_split", where)
        assert pressure_pa(part, standing, refrigerant, numbers) > 1.4 * pressure_pa(
            part, running, refrigerant, numbers
        )
    for where in ("outdoor_high_side", "liquid_line"):
        part = section("ducted_split", where)
        assert pressure_pa(part, running, refrigerant, numbers) > 1.3 * pressure_pa(
            part, standing, refrigerant, numbers
        )


def test_standing_the_whole_circuit_has_one_pressure() -> None:
    refrigerant: Refrigerant = load_properties().fluid("R-410A")
    pressures = {
        pressure_pa(part, condition("standing"), refrigerant, condition_numbers())
        for part in load_system("heat_pump").sections
    }
    assert len(pressures) == 1


@pytest.mark.parametrize(
    ("name", "fahrenheit", "psig"),
    [
        ("R-410A", 70, 201),  # published pressure-temperature chart, inspectapedia.com
        ("R-410A", 77, 225),  # the same as an equipment manual gives it
        ("R-410A", 100, 318),  # published chart, inspectapedia.com; also from memory
        ("R-22", 80, 144),  # from memory, published chart
        ("R-134a", 80, 87),  # from memory, published chart
    ],
)
def test_standing_pressures_are_those_of_the_charts(name: str, fahrenheit: float, psig: float) -> None:
    celsius = (fahrenheit - 32) / 1.8
    part = section("ducted_split", "indoor")
    when = condition("standing", outdoor_c=celsius, indoor_c=celsius + 5)
    absolute = pressure_pa(part, when, load_properties().fluid(name), condition_numbers())
    assert absolute / PSI - SEA_LEVEL == pytest.approx(psig, abs=0.01 * psig)


@pytest.mark.parametrize(
    ("where", "when"),
    [
        ("discharge", condition(outdoor_c=20, indoor_c=4)),
        ("liquid_line", condition(outdoor_c=35, indoor_c=4)),
        ("evaporator", condition("standing", outdoor_c=40, indoor_c=36)),
    ],
)
def test_transcritical_carbon_dioxide_must_be_given_by_the_person(where: str, when: Condition) -> None:
    with pytest.raises(InputError, match=r"transcritical.*given by the person") as caught:
        pressure_pa(section("walk_in_cooler", where), when, load_properties().fluid("R-744"), condition_numbers())
    assert where in caught.value.where


def test_subcritical_carbon_dioxide_is_worked_out() -> None:
    """R-744 at -10 C: 26.5 bar absolute (from memory, published chart)."""
    when = condition("standing", outdoor_c=10, indoor_c=-10)
    part = section("walk_in_cooler", "evaporator")
    pressure = pressure_pa(part, when, load_properties().fluid("R-744"), condition_numbers())
    assert pressure == pytest.approx(26.5e5, rel=0.01)


def test_a_cooling_only_system_cannot_heat() -> None:
    part = section("ducted_split", "indoor")
    with pytest.raises(InputError, match="does not heat"):
        pressure_pa(part, condition(heating=True), ClosedForm(), NUMBERS)
    with pytest.raises(InputError, match="does not heat"):
        phase(part, condition(heating=True))


def test_a_missing_number_is_named() -> None:
    numbers = {name: value for name, value in NUMBERS.items() if name != "condensing_approach_k"}
    with pytest.raises(InputError, match="condensing_approach_k"):
        pressure_pa(section("ducted_split", "liquid_line"), condition(), ClosedForm(), numbers)


def test_the_shipped_numbers_are_the_ones_that_are_asked_for() -> None:
    assert set(condition_numbers()) == set(NUMBERS)

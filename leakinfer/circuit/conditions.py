"""The state in which a test is made, and the pressure and phase behind the wall of a section in that state."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Literal, Protocol, TypeAlias

from leakinfer.circuit.model import Part, Section, System
from leakinfer.errors import InputError
from leakinfer.physics.units import ATMOSPHERE, both_pressures, celsius_to_kelvin, kpa_gauge_to_pa
from leakinfer.reading import Known, Text, known, read_toml, shipped

State: TypeAlias = Literal["running", "standing", "flat", "nitrogen", "tracer", "vacuum"]
Air: TypeAlias = Literal["still", "breeze", "wind"]
Phase: TypeAlias = Literal["vapour", "liquid"]
Side: TypeAlias = Literal["high", "low"]

CARBON_DIOXIDE = "R-744"
UNDER_TEST_GAS: tuple[State, ...] = ("nitrogen", "tracer")
SHUT_IN: tuple[State, ...] = (*UNDER_TEST_GAS, "vacuum")  # states that may reach some sections only
CHARGED: tuple[State, ...] = ("running", "standing")
LEAST_GAUGE_KPA = -101.0  # no gauge shows less: standard atmosphere is 101.325 kPa
AIR_WORDS: Mapping[Air, str] = MappingProxyType({"still": "still air", "breeze": "a breeze", "wind": "wind"})


class Condition(Part, frozen=True, omit_defaults=True):
    """The state in which a test is made, and the air at outdoor places.

    Running; standing (off and equalised); flat (no pressure left); under nitrogen or a tracer mix; under vacuum.
    Temperatures in C; for a cooler ``indoor_c`` is that of the cold room. ``test_kpa``: gauge pressure of nitrogen or
    tracer mix, kPa. ``sections``: those that the test gas or the vacuum reaches, none named means all. ``shroud``: the
    target is wrapped, so that the air around it is still and holds what leaks. ``high_kpa`` and ``low_kpa``: what
    gauges show on the two sides now, kPa gauge; better than any estimate.

    Example:
        >>> from leakinfer import Condition
        >>> Condition("nitrogen", "wind", outdoor_c=8, indoor_c=21, test_kpa=1500).words
        'nitrogen at 1,500 kPa, wind'
    """

    state: State
    air: Air
    outdoor_c: float
    indoor_c: float
    heating: bool = False
    test_kpa: float = 0.0
    sections: tuple[str, ...] = ()
    shroud: bool = False
    high_kpa: float | None = None
    low_kpa: float | None = None

    @property
    def words(self) -> str:
        """For people: ``standing, still air``; ``nitrogen at 1,000 kPa, under a shroud``; gauge pressure."""
        if self.state == "vacuum":
            return "vacuum"  # the air around it is no matter
        state: str = "heating" if self.state == "running" and self.heating else self.state
        if self.state in UNDER_TEST_GAS:
            gas = "nitrogen" if self.state == "nitrogen" else "tracer mix"
            state = f"{gas} at {self.test_kpa:,.0f} kPa"
        return f"{state}, {'under a shroud' if self.shroud else AIR_WORDS[self.air]}"


class Number(Part, frozen=True):
    """One setting of ``priors/conditions.toml``."""

    id: Text
    value: float
    unit: Literal["K", "C", "kPa"]
    source: Text
    known: Known
    note: str = ""


class NumberFile(Part, frozen=True):
    """``priors/conditions.toml``."""

    number: tuple[Number, ...]


class Refrigerant(Protocol):
    """What is needed of a refrigerant: saturation pressures, Pa absolute, from temperatures in K."""

    @property
    def name(self) -> str:
        """Its designation, as ``R-410A``."""

    def bubble_pressure(self, temperature_k: float, /) -> float:
        """Pressure over boiling liquid."""

    def dew_pressure(self, temperature_k: float, /) -> float:
        """Pressure of vapour that begins to condense."""


@cache
def condition_numbers() -> Mapping[str, float]:
    """The shipped approaches (K), limits and design temperatures (C), and tolerances (kPa) by id."""
    file = read_toml(shipped("priors", "conditions.toml"), NumberFile)
    return MappingProxyType({number.id: number.value for number in file.number})


def check_condition(condition: Condition, system: System, where: str) -> None:
    """Refuse a condition that cannot be, or cannot be on this system.

    Raises:
        InputError: naming ``where`` and the key, as ``finding 3: test_kpa``.
    """
    _check_test_gas(condition, where)
    _check_sections(condition, system, where)
    _check_heating(condition, system, where)
    _check_readings(condition, where)


def reached(section: str, condition: Condition) -> bool:
    """Whether test gas or vacuum is in this section. False where there is refrigerant or none is put in."""
    return condition.state in SHUT_IN and (not condition.sections or section in condition.sections)


def phase(section: Section, condition: Condition) -> Phase:
    """What is behind the wall: vapour in every state but running.

    Standing it is vapour everywhere: liquid lies low in the coldest part, most joints are above it (judgement; a leak
    below the liquid level loses more).
    """
    if condition.state != "running":
        return "vapour"
    _side(section, condition)
    return section.heating_phase if condition.heating else section.phase


def pressure_pa(
    section: Section, condition: Condition, refrigerant: Refrigerant, numbers: Mapping[str, float]
) -> float:
    """Absolute pressure in a section, Pa.

    Standing or running: what the gauge on its side shows, else an estimate. Flat: the atmosphere. Nitrogen or tracer
    mix: the test pressure, vacuum: 0, both in the sections reached and the atmosphere in the others, of which nothing
    is known. The estimate: standing, dew pressure at the colder of the two temperatures, where the refrigerant gathers
    (common practice, no source); running, saturation at the condensing or evaporating temperature, bubble for liquid
    and dew for vapour.

    Args:
        section: the section.
        condition: the state; temperatures in C, gauges in kPa.
        refrigerant: its saturation pressures.
        numbers: approaches in K by id and the rest, as :func:`condition_numbers` gives them.

    Raises:
        InputError: heating with a system that does not heat, two readings of a standing system that differ, a
            transcritical R-744 system without a reading, a temperature outside the refrigerant's table, or a number
            that is missing.
    """
    if condition.state not in CHARGED:
        inside = reached(section.id, condition)
        if condition.state == "vacuum":
            return 0.0 if inside else ATMOSPHERE
        return kpa_gauge_to_pa(condition.test_kpa if inside else 0.0)
    reading = _reading_kpa(section, condition, numbers)
    if reading is not None:
        return kpa_gauge_to_pa(reading)
    return _estimate_pa(section, condition, refrigerant, numbers)


def _estimate_pa(
    section: Section, condition: Condition, refrigerant: Refrigerant, numbers: Mapping[str, float]
) -> float:
    temperature = _saturation_c(section, condition, numbers)
    if refrigerant.name == CARBON_DIOXIDE and temperature >= number(numbers, "carbon_dioxide_critical_c"):
        what = f"R-744 is transcritical here ({temperature:.1f} C): the pressure must be given by the person"
        raise InputError(what, where=f"section '{section.id}'", allowed="a pressure read on a gauge")
    if phase(section, condition) == "liquid":
        return refrigerant.bubble_pressure(celsius_to_kelvin(temperature))
    return refrigerant.dew_pressure(celsius_to_kelvin(temperature))


def _saturation_c(section: Section, condition: Condition, numbers: Mapping[str, float]) -> float:
    """The temperature in C that sets the section's pressure."""
    if condition.state == "standing":
        return min(condition.outdoor_c, condition.indoor_c)
    high = _side(section, condition) == "high"
    if condition.heating:
        if high:
            return condition.indoor_c + number(numbers, "heating_condensing_approach_k")
        return condition.outdoor_c - number(numbers, "heating_evaporating_approach_k")
    if high:
        return condition.outdoor_c + number(numbers, "condensing_approach_k")
    cold_room = condition.indoor_c < number(numbers, "cold_room_below_c")
    return condition.indoor_c - number(numbers, "cold_room_approach_k" if cold_room else "evaporating_approach_k")


def _side(section: Section, condition: Condition) -> Side:
    """The side that the section is on while running."""
    if not condition.heating:
        return section.side
    if section.heating_side == "none":
        raise InputError("this system does not heat", where=f"section '{section.id}'", allowed="cooling")
    return section.heating_side


def _reading_kpa(section: Section, condition: Condition, numbers: Mapping[str, float]) -> float | None:
    """What the gauge on the section's side shows; standing, both sides are one."""
    if condition.state == "running":
        return condition.high_kpa if _side(section, condition) == "high" else condition.low_kpa
    _check_equalised(condition, numbers, "condition")
    shown = [reading for reading in (condition.high_kpa, condition.low_kpa) if reading is not None]
    return sum(shown) / len(shown) if shown else None


def number(numbers: Mapping[str, float], name: str) -> float:
    """A number by its id.

    Raises:
        InputError: it is missing.
    """
    if name not in numbers:
        raise InputError(f"'{name}' is missing", where="numbers of the condition", allowed="a number")
    return numbers[name]


def _check_test_gas(condition: Condition, where: str) -> None:
    pressure, spot = condition.test_kpa, f"{where}: test_kpa"
    if condition.state in UNDER_TEST_GAS:
        if not 0 < pressure < math.inf:
            what = f"a test pressure of {pressure:g} kPa under {condition.state}"
            raise InputError(what, where=spot, allowed="above 0 kPa gauge")
    elif pressure != 0:
        what = f"a test pressure of {pressure:g} kPa, the state is {condition.state}"
        raise InputError(what, where=spot, allowed="0, or the state " + " or ".join(UNDER_TEST_GAS))


def _check_sections(condition: Condition, system: System, where: str) -> None:
    spot = f"{where}: sections"
    if condition.sections and condition.state not in SHUT_IN:
        what = f"sections are named, the state is {condition.state}"
        raise InputError(what, where=spot, allowed="none, or the state " + " or ".join(SHUT_IN))
    ids = [section.id for section in system.sections]
    for section in condition.sections:
        known(section, ids, what="section", where=spot)


def _check_heating(condition: Condition, system: System, where: str) -> None:
    if not condition.heating:
        return
    if condition.state != "running":
        raise InputError(f"heating, the state is {condition.state}", where=f"{where}: heating", allowed="running")
    if all(section.heating_side == "none" for section in system.sections):
        raise InputError("this system does not heat", where=f"{where}: heating", allowed="cooling")


def _check_readings(condition: Condition, where: str) -> None:
    for name, reading in (("high_kpa", condition.high_kpa), ("low_kpa", condition.low_kpa)):
        spot = f"{where}: {name}"
        if reading is None:
            continue
        if condition.state not in CHARGED:
            what = f"a gauge reading of the charge, the state is {condition.state}"
            raise InputError(what, where=spot, allowed="none, or the state " + " or ".join(CHARGED))
        if not LEAST_GAUGE_KPA <= reading < math.inf:
            raise InputError(f"{reading:g} kPa gauge", where=spot, allowed=f"{LEAST_GAUGE_KPA:g} kPa or more")
    _check_equalised(condition, condition_numbers(), where)


def _check_equalised(condition: Condition, numbers: Mapping[str, float], where: str) -> None:
    """Two readings must be one standing, and the right way round running, within the error of two gauges."""
    high, low = condition.high_kpa, condition.low_kpa
    if high is None or low is None:
        return
    tolerance = number(numbers, "gauge_tolerance_kpa")
    shown = f"high side {both_pressures(high)}, low side {both_pressures(low)}"
    if condition.state == "standing" and abs(high - low) > tolerance:
        allowed = f"within {both_pressures(tolerance)} when standing"
        raise InputError(f"not equalised: {shown}", where=f"{where}: high_kpa, low_kpa", allowed=allowed)
    if condition.state == "running" and low - high > tolerance:
        what = f"the low side is above the high side: {shown}"
        raise InputError(what, where=f"{where}: high_kpa, low_kpa", allowed="high side above low side when running")

"""The state in which a test is made, and the pressure and phase behind the wall of a section in that state."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Literal, Protocol, TypeAlias

from leakinfer.circuit.model import Part, Section
from leakinfer.errors import InputError
from leakinfer.reading import Known, Text, read_toml, shipped

State: TypeAlias = Literal["running", "standing"]
Air: TypeAlias = Literal["still", "breeze", "wind"]
Phase: TypeAlias = Literal["vapour", "liquid"]
Side: TypeAlias = Literal["high", "low"]

ZERO_CELSIUS_K = 273.15  # definition of the Celsius scale
CARBON_DIOXIDE = "R-744"


class Condition(Part, frozen=True, omit_defaults=True):
    """The state in which a test is made: running or standing (off and equalised), and the air at outdoor places.

    Temperatures in C; for a cooler ``indoor_c`` is that of the cold room.
    """

    state: State
    air: Air
    outdoor_c: float
    indoor_c: float
    heating: bool = False

    @property
    def words(self) -> str:
        """For people: ``standing, still air``."""
        air = {"still": "still air", "breeze": "a breeze", "wind": "wind"}[self.air]
        return f"{self.state}, {air}"


class Number(Part, frozen=True):
    """One setting of ``priors/conditions.toml``."""

    id: Text
    value: float
    unit: Literal["K", "C"]
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
    """The shipped approaches (K) and limits (C) by id."""
    file = read_toml(shipped("priors", "conditions.toml"), NumberFile)
    return MappingProxyType({number.id: number.value for number in file.number})


def phase(section: Section, condition: Condition) -> Phase:
    """What is behind the wall.

    Standing it is vapour everywhere: liquid lies low in the coldest part, most joints are above it (judgement; a leak
    below the liquid level loses more).
    """
    if condition.state == "standing":
        return "vapour"
    _side(section, condition)
    return section.heating_phase if condition.heating else section.phase


def pressure_pa(
    section: Section, condition: Condition, refrigerant: Refrigerant, numbers: Mapping[str, float]
) -> float:
    """Absolute pressure in a section, Pa.

    Standing: dew pressure at the colder of the two temperatures, where the refrigerant gathers (common practice, no
    source). Running: saturation at the condensing or evaporating temperature, bubble for liquid and dew for vapour.

    Args:
        section: the section.
        condition: the state; temperatures in C.
        refrigerant: its saturation pressures.
        numbers: approaches in K by id, as :func:`condition_numbers` gives them.

    Raises:
        InputError: heating with a system that does not heat, a transcritical R-744 system, a temperature outside the
            refrigerant's table, or a number that is missing.
    """
    temperature = _saturation_c(section, condition, numbers)
    if refrigerant.name == CARBON_DIOXIDE and temperature >= _number(numbers, "carbon_dioxide_critical_c"):
        what = f"R-744 is transcritical here ({temperature:.1f} C): the pressure must be given by the person"
        raise InputError(what, where=f"section '{section.id}'", allowed="a pressure read on a gauge")
    if phase(section, condition) == "liquid":
        return refrigerant.bubble_pressure(temperature + ZERO_CELSIUS_K)
    return refrigerant.dew_pressure(temperature + ZERO_CELSIUS_K)


def _saturation_c(section: Section, condition: Condition, numbers: Mapping[str, float]) -> float:
    """The temperature in C that sets the section's pressure."""
    if condition.state == "standing":
        return min(condition.outdoor_c, condition.indoor_c)
    high = _side(section, condition) == "high"
    if condition.heating:
        if high:
            return condition.indoor_c + _number(numbers, "heating_condensing_approach_k")
        return condition.outdoor_c - _number(numbers, "heating_evaporating_approach_k")
    if high:
        return condition.outdoor_c + _number(numbers, "condensing_approach_k")
    cold_room = condition.indoor_c < _number(numbers, "cold_room_below_c")
    return condition.indoor_c - _number(numbers, "cold_room_approach_k" if cold_room else "evaporating_approach_k")


def _side(section: Section, condition: Condition) -> Side:
    """The side that the section is on while running."""
    if not condition.heating:
        return section.side
    if section.heating_side == "none":
        raise InputError("this system does not heat", where=f"section '{section.id}'", allowed="cooling")
    return section.heating_side


def _number(numbers: Mapping[str, float], name: str) -> float:
    if name not in numbers:
        raise InputError(f"'{name}' is missing", where="numbers of the condition", allowed="a number")
    return numbers[name]

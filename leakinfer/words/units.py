"""The units that a person reads and types: chosen once, and any other unit is still taken where it is named."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from leakinfer.circuit.conditions import AIR_WORDS, UNDER_TEST_GAS, Condition
from leakinfer.errors import InputError
from leakinfer.physics.units import (
    ATMOSPHERE,
    PSI,
    both_pressures,
    celsius_to_kelvin,
    g_per_year_to_ounce_per_year,
    kelvin_to_fahrenheit,
    kg_to_ounce,
    kg_to_pound,
    kpa_gauge_to_pa,
    pa_to_bar_gauge,
    pa_to_psig,
)
from leakinfer.reading import known
from leakinfer.words.numbers import rate

Pressure = Literal["psig", "bar", "kPa"]
Temperature = Literal["F", "C"]
Mass = Literal["oz", "g"]
PLAIN_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)\s*")
OUNCES_IN_A_POUND = 16


@dataclass(frozen=True)
class Units:
    """What pressures (gauge), temperatures and masses are shown in. ``oz`` and ``g`` become lb and kg where it suits.

    The names are those that :func:`leakinfer.physics.units.parse_quantity` reads. ``both``: psi, F and ounces stand
    behind, for readers who have not chosen.
    """

    pressure: Pressure = "kPa"
    temperature: Temperature = "C"
    mass: Mass = "g"
    both: bool = False

    def pressure_words(self, kpa: float) -> str:
        """``232 psig``, ``16 bar`` or ``1,600 kPa`` of a gauge pressure in kPa."""
        return both_pressures(kpa) if self.both else f"{self.pressure_figure(kpa)} {self.pressure}"

    def pressure_figure(self, kpa: float, finer: int = 0) -> str:
        """The number alone, with so many more decimals than one would set a regulator by."""
        if self.pressure == "kPa":
            return f"{kpa:,.0f}"
        pascal = kpa_gauge_to_pa(kpa, ATMOSPHERE)
        if self.pressure == "psig":
            return f"{pa_to_psig(pascal):,.{finer}f}".removesuffix(".0")
        return f"{pa_to_bar_gauge(pascal):,.{finer + 1}f}"

    def gauge_words(self, kpa: float) -> str:
        """``231.5 psig``, ``15.96 bar`` or ``1,596 kPa``: a reading whose small change tells."""
        words = f"{self.pressure_figure(kpa, finer=1)} {self.pressure}"
        return f"{words} ({AMERICAN.pressure_figure(kpa, finer=1)} psi)" if self.both else words

    def difference_words(self, kpa: float) -> str:
        """A difference of pressures, two figures: ``1 psi``, ``0.069 bar``, ``6.9 kPa``."""
        if self.pressure == "kPa":
            words = f"{kpa:.2g} kPa"
            return f"{words} ({AMERICAN.difference_words(kpa)})" if self.both else words
        return f"{kpa * 1000 / PSI:.2g} psi" if self.pressure == "psig" else f"{kpa / 100:.2g} bar"

    def temperature_words(self, celsius: float) -> str:
        """``75 F`` or ``24 C``."""
        words = f"{self.temperature_figure(celsius)} {self.temperature}"
        return f"{words} ({AMERICAN.temperature_words(celsius)})" if self.both else words

    def temperature_figure(self, celsius: float) -> str:
        """The number alone, to a tenth where it is not whole."""
        shown = kelvin_to_fahrenheit(celsius_to_kelvin(celsius)) if self.temperature == "F" else celsius
        return f"{round(shown, 1) + 0.0:g}"

    def mass_words(self, kg: float) -> str:
        """``8 oz`` or ``230 g``; from a pound or a kilogram on ``5 lb 12 oz`` or ``2.6 kg``, from 100 on whole ones."""
        if self.mass == "g":
            words = _metric_mass(kg)
            return f"{words} ({AMERICAN.mass_words(kg)})" if self.both else words
        ounces = kg_to_ounce(kg)
        if kg_to_pound(kg) >= 100:  # parts of a pound no longer matter
            return f"{kg_to_pound(kg):,.0f} lb"
        whole = round(ounces)
        if whole < OUNCES_IN_A_POUND:
            return f"{ounces:.2g} oz"
        pounds, rest = divmod(whole, OUNCES_IN_A_POUND)
        return f"{pounds} lb {rest} oz" if rest else f"{pounds} lb"

    def rate_words(self, g_per_year: float) -> str:
        """``12 oz/yr`` or ``350 g/yr``, two figures."""
        if self.mass == "g":
            return rate(g_per_year)
        return rate(g_per_year_to_ounce_per_year(g_per_year), "oz/yr")

    def condition_words(self, condition: Condition) -> str:
        """As the condition's own words, in these units: ``nitrogen at 232 psig, still air``."""
        if condition.state not in UNDER_TEST_GAS:
            return condition.words
        gas = "nitrogen" if condition.state == "nitrogen" else "tracer mix"
        air = "under a shroud" if condition.shroud else AIR_WORDS[condition.air]
        return f"{gas} at {self.pressure_words(condition.test_kpa)}, {air}"

    def named(self, text: str, dimension: str) -> str:
        """What was typed, with the chosen unit behind a number that names none; a decimal comma becomes a point."""
        unit = self.unit_of(dimension)
        if unit is None or not PLAIN_NUMBER.fullmatch(text):
            return text
        return f"{text.strip().replace(',', '.')} {unit}"

    def unit_of(self, dimension: str) -> str | None:
        """The unit that a bare number of this dimension is taken in; None where nothing was chosen."""
        chosen: dict[str, str] = {
            "gauge_pressure": self.pressure,
            "temperature": self.temperature,
            "mass": self.mass,
            "mass_rate": f"{self.mass}/yr",
        }
        return chosen.get(dimension)


METRIC = Units("bar", "C", "g")
AMERICAN = Units("psig", "F", "oz")
BOTH = Units("kPa", "C", "g", both=True)
NAMED: Mapping[str, Units] = {"metric": METRIC, "us": AMERICAN}
UNITS_ALLOWED = "metric, us, or three units as psig,C,g"


def units_named(text: str, where: str) -> Units:
    """The units of ``metric``, ``us`` or three names with commas: pressure, temperature, mass.

    Raises:
        InputError: anything else.
    """
    if text in NAMED:
        return NAMED[text]
    parts = text.split(",")
    if len(parts) != 3:
        raise InputError(f"'{text}' names no units", where=where, allowed=UNITS_ALLOWED)
    pressure, temperature, mass = (part.strip() for part in parts)
    return units_of(pressure, temperature, mass, where)


def units_of(pressure: str, temperature: str, mass: str, where: str = "units") -> Units:
    """The units of three names.

    Raises:
        InputError: one that is not offered.
    """
    told: dict[str, Any] = {}
    for name, value, choices in (
        ("pressure", pressure, get_args(Pressure)),
        ("temperature", temperature, get_args(Temperature)),
        ("mass", mass, get_args(Mass)),
    ):
        told[name] = known(value, choices, what=f"unit of {name}", where=where)
    return Units(**told)


def _metric_mass(kg: float) -> str:
    if kg < 0.9995:
        return f"{kg * 1000:.3g} g"
    return f"{kg:.3g} kg" if kg < 100 else f"{kg:,.0f} kg"

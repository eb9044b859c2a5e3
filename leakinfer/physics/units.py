"""Constants, conversions, and the reading of a quantity that a person typed.

A small table of our own: a full units library costs more start-up time than the whole of a job's arithmetic.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Literal

from leakinfer.errors import InputError

GAS_CONSTANT = 8.31446261815324  # J/(mol K); exact, CODATA 2018 (SI 2019: product of two defining constants)
STANDARD_GRAVITY = 9.80665  # m/s2; definition, CGPM 1901
ATMOSPHERE = 101_325.0  # Pa; definition, CGPM 1954
YEAR = 365.25 * 86_400.0  # s; Julian year, IAU
MONTH = YEAR / 12.0  # s; a mean month
POUND = 0.45359237  # kg; definition, international yard and pound 1959
OUNCE = POUND / 16.0  # kg; avoirdupois
INCH = 0.0254  # m; definition 1959
GALLON = 231.0 * INCH**3  # m3; US liquid gallon, definition
PSI = POUND * STANDARD_GRAVITY / INCH**2  # Pa; one pound-force on a square inch
MERCURY_MM = 13_595.1 * STANDARD_GRAVITY * 1e-3  # Pa; conventional millimetre of mercury, BS 350
MICRON = MERCURY_MM * 1e-3  # Pa; a thousandth of it, the vacuum gauge's "micron"
ZERO_CELSIUS = 273.15  # K; definition
TWENTY_CELSIUS = ZERO_CELSIUS + 20.0  # K; reference temperature of our pV rates
MBAR_LITRE = 0.1  # Pa m3 in one mbar l


def psig_to_pa(gauge_psi: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Pounds per square inch gauge to Pa absolute."""
    return gauge_psi * PSI + atmosphere_pa


def pa_to_psig(pressure_pa: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Pa absolute to pounds per square inch gauge."""
    return (pressure_pa - atmosphere_pa) / PSI


def bar_gauge_to_pa(gauge_bar: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Bar gauge to Pa absolute."""
    return gauge_bar * 1e5 + atmosphere_pa


def pa_to_bar_gauge(pressure_pa: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Pa absolute to bar gauge."""
    return (pressure_pa - atmosphere_pa) / 1e5


def kpa_gauge_to_pa(gauge_kpa: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Kilopascal gauge to Pa absolute."""
    return gauge_kpa * 1e3 + atmosphere_pa


def pa_to_kpa_gauge(pressure_pa: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Pa absolute to kilopascal gauge."""
    return (pressure_pa - atmosphere_pa) / 1e3


def both_pressures(gauge_kpa: float) -> str:
    """``2,900 kPa (421 psi)`` of a gauge pressure: for those who set a regulator, whichever scale it has."""
    return f"{gauge_kpa:,.0f} kPa ({gauge_kpa * 1000.0 / PSI:,.0f} psi)"


def gauge_to_absolute(gauge_pa: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Pa gauge to Pa absolute."""
    return gauge_pa + atmosphere_pa


def absolute_to_gauge(pressure_pa: float, atmosphere_pa: float = ATMOSPHERE) -> float:
    """Pa absolute to Pa gauge."""
    return pressure_pa - atmosphere_pa


def micron_to_pa(micron: float) -> float:
    """Microns of mercury, an absolute pressure, to Pa absolute."""
    return micron * MICRON


def pa_to_micron(pressure_pa: float) -> float:
    """Pa absolute to microns of mercury."""
    return pressure_pa / MICRON


def celsius_to_kelvin(celsius: float) -> float:
    """Degrees Celsius to K."""
    return celsius + ZERO_CELSIUS


def kelvin_to_celsius(kelvin: float) -> float:
    """K to degrees Celsius."""
    return kelvin - ZERO_CELSIUS


def fahrenheit_to_kelvin(fahrenheit: float) -> float:
    """Degrees Fahrenheit to K."""
    return (fahrenheit + 459.67) / 1.8


def kelvin_to_fahrenheit(kelvin: float) -> float:
    """K to degrees Fahrenheit."""
    return kelvin * 1.8 - 459.67


def ounce_to_kg(ounce: float) -> float:
    """Avoirdupois ounces to kg."""
    return ounce * OUNCE


def kg_to_ounce(kg: float) -> float:
    """Kg to avoirdupois ounces."""
    return kg / OUNCE


def pound_to_kg(pound: float) -> float:
    """Pounds to kg."""
    return pound * POUND


def kg_to_pound(kg: float) -> float:
    """Kg to pounds."""
    return kg / POUND


def g_per_year_to_kg_s(g_per_year: float) -> float:
    """Grams a year (365.25 d) to kg/s."""
    return g_per_year * 1e-3 / YEAR


def kg_s_to_g_per_year(kg_s: float) -> float:
    """Kg/s to grams a year (365.25 d)."""
    return kg_s * 1e3 * YEAR


def ounce_per_year_to_g_per_year(ounce_per_year: float) -> float:
    """Ounces a year to grams a year."""
    return ounce_per_year * OUNCE * 1e3


def g_per_year_to_ounce_per_year(g_per_year: float) -> float:
    """Grams a year to ounces a year."""
    return g_per_year / (OUNCE * 1e3)


def mbar_litre_to_throughput(mbar_litre_s: float) -> float:
    """Mbar l/s to Pa m3/s; the gas temperature stays whatever it was."""
    return mbar_litre_s * MBAR_LITRE


def throughput_to_mbar_litre(throughput: float) -> float:
    """Pa m3/s to mbar l/s."""
    return throughput / MBAR_LITRE


def throughput_to_moles(throughput: float, reference_k: float) -> float:
    """Pa m3/s of gas at ``reference_k`` to mol/s, ideal gas. 0 C instead of 20 C changes the answer by 7.3 %."""
    return throughput / (GAS_CONSTANT * reference_k)


def moles_to_throughput(mol_s: float, reference_k: float) -> float:
    """Mol/s to Pa m3/s of gas at ``reference_k``, ideal gas."""
    return mol_s * GAS_CONSTANT * reference_k


def standard_cm3_to_moles(standard_cm3_s: float) -> float:
    """Standard cm3/s (0 C, 101 325 Pa, as ASTM E515 uses it) to mol/s."""
    return throughput_to_moles(standard_cm3_s * 1e-6 * ATMOSPHERE, ZERO_CELSIUS)


def moles_to_standard_cm3(mol_s: float) -> float:
    """Mol/s to standard cm3/s (0 C, 101 325 Pa)."""
    return moles_to_throughput(mol_s, ZERO_CELSIUS) / ATMOSPHERE * 1e6


def moles_to_g_per_year(mol_s: float, molar_mass: float) -> float:
    """Mol/s to grams a year; ``molar_mass`` in kg/mol."""
    return kg_s_to_g_per_year(mol_s * molar_mass)


def g_per_year_to_moles(g_per_year: float, molar_mass: float) -> float:
    """Grams a year to mol/s; ``molar_mass`` in kg/mol."""
    return g_per_year_to_kg_s(g_per_year) / molar_mass


def throughput_to_g_per_year(throughput: float, molar_mass: float, reference_k: float) -> float:
    """Pa m3/s of gas at ``reference_k`` to grams a year; ``molar_mass`` in kg/mol."""
    return moles_to_g_per_year(throughput_to_moles(throughput, reference_k), molar_mass)


def g_per_year_to_throughput(g_per_year: float, molar_mass: float, reference_k: float) -> float:
    """Grams a year to Pa m3/s of gas at ``reference_k``; ``molar_mass`` in kg/mol."""
    return moles_to_throughput(g_per_year_to_moles(g_per_year, molar_mass), reference_k)


Dimension = Literal[
    "mass", "temperature", "gauge_pressure", "absolute_pressure", "time", "length", "volume", "mass_rate", "throughput"
]


@dataclass(frozen=True)
class _Scale:
    """How a dimension is written: unit -> (factor, offset) to its SI base, SI value = factor * number + offset."""

    units: dict[str, tuple[float, float]]
    least: float = 0.0  # SI
    least_text: str = "zero"
    sums: bool = False  # may be written in parts, as "2 lb 3 oz"


def _scaled(factor: float, *names: str) -> dict[str, tuple[float, float]]:
    return dict.fromkeys(names, (factor, 0.0))


_KELVIN = {"K": (1.0, 0.0), "kelvin": (1.0, 0.0)}
_CELSIUS = dict.fromkeys(("C", "°C", "degC", "deg C", "celsius"), (1.0, ZERO_CELSIUS))
_FAHRENHEIT = dict.fromkeys(("F", "°F", "degF", "deg F", "fahrenheit"), (1 / 1.8, 459.67 / 1.8))

_SCALES: dict[str, _Scale] = {
    "mass": _Scale(
        _scaled(1.0, "kg")
        | _scaled(1e-3, "g", "gram", "grams")
        | _scaled(OUNCE, "oz", "ounce", "ounces")
        | _scaled(POUND, "lb", "lbs", "pound", "pounds"),
        sums=True,
    ),
    "temperature": _Scale(_FAHRENHEIT | _CELSIUS | _KELVIN, least_text="absolute zero"),
    "gauge_pressure": _Scale(
        _scaled(PSI, "psig", "psi")
        | _scaled(1e5, "bar", "barg")
        | _scaled(1e3, "kPa", "kPag")
        | _scaled(1.0, "Pa")
        | _scaled(1e6, "MPa"),
        least=-ATMOSPHERE,
        least_text="a full vacuum",
    ),
    "absolute_pressure": _Scale(
        _scaled(PSI, "psia")
        | _scaled(1e5, "bara")
        | _scaled(1e3, "kPa")
        | _scaled(1.0, "Pa")
        | _scaled(100.0, "mbar")
        | _scaled(MICRON, "micron", "microns"),
    ),
    "time": _Scale(
        _scaled(1.0, "s", "sec", "second", "seconds")
        | _scaled(60.0, "min", "mins", "minute", "minutes")
        | _scaled(3600.0, "h", "hr", "hrs", "hour", "hours")
        | _scaled(86_400.0, "d", "day", "days")
        | _scaled(604_800.0, "week", "weeks")
        | _scaled(MONTH, "month", "months", "mo")
        | _scaled(YEAR, "year", "years", "yr", "yrs"),
        sums=True,
    ),
    "length": _Scale(
        _scaled(1.0, "m")
        | _scaled(1e-2, "cm")
        | _scaled(1e-3, "mm")
        | _scaled(12 * INCH, "ft", "feet")
        | _scaled(INCH, "in", "inch", "inches"),
        sums=True,
    ),
    "volume": _Scale(
        _scaled(1e-3, "l", "litre", "litres", "liter", "liters") | _scaled(1.0, "m3") | _scaled(GALLON, "gal")
    ),
    "mass_rate": _Scale(
        _scaled(1e-3 / YEAR, "g/yr", "g/year")
        | _scaled(1.0 / YEAR, "kg/yr", "kg/year")
        | _scaled(OUNCE / YEAR, "oz/yr", "oz/year")
        | _scaled(POUND / YEAR, "lb/yr", "lb/year")
        | _scaled(1.0, "kg/s"),
    ),
    "throughput": _Scale(_scaled(MBAR_LITRE, "mbar l/s", "mbar·l/s") | _scaled(1.0, "Pa m3/s", "Pa·m3/s")),
}

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:e[+-]?[0-9]+)?"


@cache
def _part_pattern(dimension: Dimension) -> str:
    """The pattern of one number with its unit; longer unit names are tried first."""
    names = sorted(_SCALES[dimension].units, key=len, reverse=True)
    return rf"\s*({_NUMBER})\s*({'|'.join(re.escape(name) for name in names)})"


def parse_quantity(text: str, dimension: Dimension, where: str) -> float:
    """A typed quantity such as ``12 oz``, ``75 F``, ``150 psig`` or ``6 months``, in its SI base.

    Bases: kg, K, Pa gauge, Pa absolute, s, m, m3, kg/s, Pa m3/s. A mass, time or length may be a sum ("2 lb 3 oz").
    Letter case does not matter.

    Raises:
        InputError: no number, no unit, an unknown unit, not finite, or below what is possible; lists the units.
    """
    scale, pattern = _SCALES[dimension], _part_pattern(dimension)
    whole = rf"(?:{pattern})+\s*" if scale.sums else rf"{pattern}\s*"
    allowed = "a number and a unit of " + ", ".join(scale.units)
    kind = dimension.replace("_", " ")
    if not re.fullmatch(whole, text, re.IGNORECASE):
        raise InputError(f"cannot read '{text[:60]}' as a {kind}", where=where, allowed=allowed)
    folded = {name.casefold(): pair for name, pair in scale.units.items()}
    total = 0.0
    for number, unit in re.findall(pattern, text, re.IGNORECASE):
        factor, offset = folded[unit.casefold()]
        value = factor * float(number) + offset
        if not math.isfinite(value):
            raise InputError(f"'{text[:60]}' is not a finite {kind}", where=where, allowed=allowed)
        if value < scale.least - 1e-9 * abs(scale.least):
            raise InputError(f"'{text[:60]}' is below {scale.least_text}", where=where, allowed=allowed)
        total += value
    return total

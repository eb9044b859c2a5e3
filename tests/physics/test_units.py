"""Units against their definitions, ASTM's own pairs and handbook examples."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.errors import InputError
from leakinfer.physics import units

R410A, R134A = 0.0725854, 0.102032  # kg/mol; sum of atomic masses over the nominal blend (ASHRAE 34)


def test_derived_constants_follow_from_the_definitions() -> None:
    """CODATA 2018: R = k N_A. The psi and the ounce follow from the 1959 pound and inch and from CGPM 1901 gravity."""
    assert pytest.approx(1.380649e-23 * 6.02214076e23, rel=1e-15) == units.GAS_CONSTANT
    assert pytest.approx(0.45359237 * 9.80665 / 0.0254**2, rel=1e-15) == units.PSI
    assert pytest.approx(6894.757, rel=1e-7) == units.PSI  # NIST SP 811, table B.8
    assert pytest.approx(133.3224, rel=1e-6) == units.MERCURY_MM  # NIST SP 811, table B.8
    assert units.YEAR == 31_557_600


def test_one_ounce_a_year() -> None:
    """One avoirdupois ounce is 28.349523125 g by definition; 0.1 oz is 2.835 g."""
    assert units.ounce_per_year_to_g_per_year(1.0) == pytest.approx(28.349523125, rel=1e-12)
    assert units.g_per_year_to_ounce_per_year(2.8349523125) == pytest.approx(0.1, rel=1e-12)


@pytest.mark.parametrize(("mol_s", "cm3_s"), [(4.5e-10, 1e-5), (4.5e-9, 1e-4), (4.5e-13, 1e-8)])
def test_astm_pairs_of_mol_and_standard_cm3(mol_s: float, cm3_s: float) -> None:
    """ASTM E515 and E499 give these pairs, rounded to two digits."""
    assert units.standard_cm3_to_moles(cm3_s) == pytest.approx(mol_s, rel=0.01)
    assert units.moles_to_standard_cm3(units.standard_cm3_to_moles(cm3_s)) == pytest.approx(cm3_s, rel=1e-12)


def test_standard_cm3_by_definition() -> None:
    """101 325 Pa cm3 at 0 C is p V / (R T) = 4.4615e-5 mol, and 0.101325 Pa m3."""
    assert units.standard_cm3_to_moles(1.0) == pytest.approx(101325e-6 / (8.31446261815324 * 273.15), rel=1e-12)
    assert units.standard_cm3_to_moles(1.0) == pytest.approx(4.4615e-5, rel=1e-5)
    assert units.moles_to_throughput(units.standard_cm3_to_moles(1.0), 273.15) == pytest.approx(0.101325, rel=1e-12)


def test_bubble_limit_in_refrigerant() -> None:
    """ASTM E515's normal limit, 4.5e-10 mol/s: times molar mass and a year, 1.03 g R-410A and 1.45 g R-134a."""
    assert units.moles_to_g_per_year(4.5e-10, R410A) == pytest.approx(1.03, abs=0.005)
    assert units.moles_to_g_per_year(4.5e-10, R134A) == pytest.approx(1.45, abs=0.005)


def test_five_grams_a_year_as_a_gas_flow() -> None:
    """m R T / M at 20 C: 5.32e-5 mbar l/s R-410A, 3.79e-5 R-134a; back again."""
    for mass, expected in ((R410A, 5.32e-5), (R134A, 3.79e-5)):
        flow = units.g_per_year_to_throughput(5.0, mass, units.TWENTY_CELSIUS)
        assert units.throughput_to_mbar_litre(flow) == pytest.approx(expected, rel=1.5e-3)
        assert units.throughput_to_g_per_year(flow, mass, units.TWENTY_CELSIUS) == pytest.approx(5.0, rel=1e-12)


def test_reference_temperature_changes_the_mass_by_its_ratio() -> None:
    """The same pV rate at 0 C and at 20 C: 293.15/273.15, so 7.3 %."""
    warm, cold = (units.throughput_to_g_per_year(1e-6, R410A, t) for t in (293.15, 273.15))
    assert cold / warm == pytest.approx(293.15 / 273.15, rel=1e-12)
    assert cold / warm - 1 == pytest.approx(0.073, abs=5e-4)


def test_mbar_litre_and_standard_cm3() -> None:
    """1 mbar l/s = 0.1 Pa m3/s = 0.987 standard cm3/s (leak-test conversion tables)."""
    flow = units.mbar_litre_to_throughput(1.0)
    assert flow == pytest.approx(0.1, rel=1e-12)
    assert units.moles_to_standard_cm3(units.throughput_to_moles(flow, 273.15)) == pytest.approx(0.987, abs=5e-4)


def test_vacuum_handbook_examples() -> None:
    """10 g R-134a (M = 102) in ten years at 0 C: about 7.1e-7 Pa m3/s; a 4 l tyre losing 1 bar in 30 d: 1.5e-4.

    Worked examples of a vacuum-technology handbook, chapter on leak rates.
    """
    assert units.g_per_year_to_throughput(1.0, 0.102, 273.15) == pytest.approx(7.1e-7, rel=0.01)
    assert 4e-3 * units.parse_quantity("1 bar", "gauge_pressure", "") / units.parse_quantity(
        "30 days", "time", ""
    ) == pytest.approx(1.543e-4, rel=1e-3)


def test_micron_of_mercury() -> None:
    """0.133322 Pa each (NIST SP 811); 500 microns are 66.66 Pa."""
    assert units.micron_to_pa(500.0) == pytest.approx(66.6612, rel=1e-5)
    assert units.pa_to_micron(units.micron_to_pa(321.0)) == pytest.approx(321.0, rel=1e-12)


def test_one_millimetre_bubbles_of_five_grams_a_year() -> None:
    """pi d^3/6 at 1 atm and 20 C over the gas flow: R-134a every 14.0 s, R-410A every 10.0 s (computed)."""
    volume = 3.141592653589793 * 1e-9 / 6
    for mass, seconds in ((R134A, 14.0), (R410A, 10.0)):
        flow = units.g_per_year_to_throughput(5.0, mass, 293.15) / 101325
        assert volume / flow == pytest.approx(seconds, abs=0.05)


def test_gauge_and_absolute() -> None:
    """Gauge zero is one atmosphere; a psig reading needs it added before it is squared."""
    assert units.psig_to_pa(0.0) == 101_325
    assert units.psig_to_pa(150.0) == pytest.approx(164.696 * 6894.757, rel=1e-5)
    assert units.bar_gauge_to_pa(10.0) == pytest.approx(1_101_325)
    assert units.kpa_gauge_to_pa(340.0) == pytest.approx(441_325)
    assert units.gauge_to_absolute(-101_325.0) == 0
    assert units.psig_to_pa(0.0, atmosphere_pa=84_000.0) == 84_000  # about 1,500 m up


@given(st.floats(-90, 2000))
def test_conversions_and_their_inverses(value: float) -> None:
    """Each pair returns where it began."""
    pairs: list[tuple[Callable[[float], float], Callable[[float], float]]] = [
        (units.psig_to_pa, units.pa_to_psig),
        (units.bar_gauge_to_pa, units.pa_to_bar_gauge),
        (units.kpa_gauge_to_pa, units.pa_to_kpa_gauge),
        (units.gauge_to_absolute, units.absolute_to_gauge),
        (units.celsius_to_kelvin, units.kelvin_to_celsius),
        (units.fahrenheit_to_kelvin, units.kelvin_to_fahrenheit),
        (units.ounce_to_kg, units.kg_to_ounce),
        (units.pound_to_kg, units.kg_to_pound),
        (units.g_per_year_to_kg_s, units.kg_s_to_g_per_year),
    ]
    for there, back in pairs:
        assert back(there(value)) == pytest.approx(value, rel=1e-9, abs=1e-7)


def test_fixed_points_of_the_temperature_scales() -> None:
    """Water freezes at 32 F and boils at 212 F; -40 is the same on both scales."""
    assert units.fahrenheit_to_kelvin(32.0) == pytest.approx(273.15)
    assert units.fahrenheit_to_kelvin(212.0) == pytest.approx(373.15)
    assert units.fahrenheit_to_kelvin(-40.0) == pytest.approx(units.celsius_to_kelvin(-40.0))


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("12 oz", "mass", 0.340194277),
        ("1.5 kg", "mass", 1.5),
        ("2 lb 3 oz", "mass", 35 * 0.028349523125),
        ("75 F", "temperature", 297.0388889),
        ("75°F", "temperature", 297.0388889),
        ("24 C", "temperature", 297.15),
        ("-40 C", "temperature", 233.15),
        ("150 psig", "gauge_pressure", 1_034_213.59),
        ("10 bar", "gauge_pressure", 1e6),
        ("-0.5 bar", "gauge_pressure", -5e4),
        ("3.1 MPa", "gauge_pressure", 3.1e6),
        ("500 microns", "absolute_pressure", 66.66119),
        ("6 months", "time", 15_778_800.0),
        ("14 months", "time", 36_817_200.0),
        ("8 years", "time", 252_460_800.0),
        ("30 min", "time", 1800.0),
        ("1 h 30 min", "time", 5400.0),
        (" 10 MM ", "length", 0.01),
        ("25 ft", "length", 7.62),
        ("7 l", "volume", 0.007),
        ("5 g/yr", "mass_rate", 5e-3 / 31_557_600),
        ("1 oz/yr", "mass_rate", 0.028349523125 / 31_557_600),
        ("1e-5 mbar l/s", "throughput", 1e-6),
        (".5 kg", "mass", 0.5),
    ],
)
def test_quantities_as_people_type_them(text: str, dimension: units.Dimension, expected: float) -> None:
    """Each in its SI base; factors from NIST SP 811."""
    assert units.parse_quantity(text, dimension, "job") == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("12", "mass", "kg"),
        ("12 stone", "mass", "oz"),
        ("oz", "mass", "lb"),
        ("", "mass", "kg"),
        ("12 oz of it", "mass", "kg"),
        ("1 2 kg", "mass", "kg"),
        ("1,5 kg", "mass", "kg"),
        ("nan kg", "mass", "kg"),
        ("inf kg", "mass", "kg"),
        ("1e999 kg", "mass", "finite"),
        ("-3 oz", "mass", "below zero"),
        ("2 lb -3 oz", "mass", "below zero"),
        ("75 psig", "temperature", "degF"),
        ("-300 C", "temperature", "absolute zero"),
        ("60 F 10 F", "temperature", "kelvin"),
        ("-20 psig", "gauge_pressure", "full vacuum"),
        ("150 psia", "gauge_pressure", "psig"),
        ("10 bar 5", "gauge_pressure", "bar"),
        ("10 barg", "absolute_pressure", "bara"),
        ("3 m", "time", "min"),
    ],
)
def test_quantities_that_are_refused(text: str, dimension: units.Dimension, words: str) -> None:
    """One line with the place and the allowed units; nothing is guessed."""
    with pytest.raises(InputError) as caught:
        units.parse_quantity(text, dimension, "job.toml: charge")
    line = str(caught.value)
    assert line.startswith("job.toml: charge: ")
    assert words in line
    assert "\n" not in line


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    """No other error than InputError, and no value that is not finite."""
    try:
        value = units.parse_quantity(text, "time", "job")
    except InputError:
        return
    assert 0 <= value < float("inf")

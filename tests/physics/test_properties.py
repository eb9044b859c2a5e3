"""The shipped property file: against CoolProp, against the package chemicals, against charts, and how it is read."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from leakinfer.errors import InputError
from leakinfer.physics.properties import Fluid, load_properties
from leakinfer.physics.refrigerants import load_refrigerants, refrigerant
from leakinfer.physics.units import fahrenheit_to_kelvin, pa_to_psig

coolprop = pytest.importorskip("CoolProp.CoolProp")
pytestmark = pytest.mark.filterwarnings("ignore:The 'float_precision' argument")  # pandas' note to chemicals
PROPERTIES = load_properties()
REFRIGERANTS = load_refrigerants().refrigerant
NAMES = [entry.name for entry in REFRIGERANTS]
BLENDS = [entry.name for entry in REFRIGERANTS if entry.coolprop.endswith(".mix")]
GASES = {"nitrogen": "Nitrogen", "helium": "Helium", "air": "Air"}
CAS = {
    "R-22": "75-45-6",
    "R-32": "75-10-5",
    "R-134a": "811-97-2",
    "R-290": "74-98-6",
    "R-600a": "75-28-5",
    "R-744": "124-38-9",
}


def off_grid(fluid: Fluid, spare: float = 1.0) -> list[float]:
    """Temperatures across the table that are not on its grid, ``spare`` K short of its hot end."""
    low, high = fluid.temperature_range()
    return [float(t) for t in np.linspace(low + 0.37, high - spare, 23)]


def solved(output: str, temperature: float, quality: int, name: str) -> float | None:
    """CoolProp's answer, or None in the windows where its solver fails for blends."""
    try:
        return float(coolprop.PropsSI(output, "T", temperature, "Q", quality, name))
    except ValueError:
        return None


@pytest.mark.parametrize("name", NAMES)
def test_saturation_against_coolprop(name: str) -> None:
    """Off the grid, to 1 K below the hot end: pressures within 0.1 %, densities within 0.5 %."""
    fluid, library = PROPERTIES.fluid(name), refrigerant(name).coolprop
    checks: list[tuple[Callable[[float], float], str, int, float]] = [
        (fluid.bubble_pressure, "P", 0, 1e-3),
        (fluid.dew_pressure, "P", 1, 1e-3),
        (fluid.liquid_density, "D", 0, 5e-3),
        (fluid.vapour_density, "D", 1, 5e-3),
    ]
    for method, output, quality, tolerance in checks:
        pairs = [(method(t), solved(output, t, quality, library)) for t in off_grid(fluid)]
        found = [(ours, theirs) for ours, theirs in pairs if theirs is not None]
        assert len(found) >= 18
        assert [ours for ours, _ in found] == pytest.approx([theirs for _, theirs in found], rel=tolerance)


@pytest.mark.parametrize("name", [name for name in NAMES if name not in BLENDS and name != "R-22"])
def test_viscosities_against_coolprop(name: str) -> None:
    """Single substances and pseudo-pure blends, off the grid: liquid within 0.5 %, gas within 0.2 %."""
    fluid, library = PROPERTIES.fluid(name), refrigerant(name).coolprop
    for t in off_grid(fluid):
        liquid = coolprop.PropsSI("V", "T", t, "Q", 0, library)
        assert fluid.liquid_viscosity(t) == pytest.approx(liquid, rel=5e-3)
    for t in (283.7, 301.2, 339.9, 388.8):
        gas = coolprop.PropsSI("V", "T", t, "P", 101325, library)
        assert fluid.vapour_viscosity(t) == pytest.approx(gas, rel=2e-3)


@pytest.mark.parametrize("name", BLENDS)
def test_blend_gas_viscosity_against_coolprop_mixture_model(name: str) -> None:
    """Wilke's rule and CoolProp's own mixture model, independent of each other, agree within 2 %."""
    library = refrigerant(name).coolprop
    for t in (275.0, 293.15, 330.0):
        expected = coolprop.PropsSI("V", "T", t, "P", 101325, library)
        assert PROPERTIES.fluid(name).vapour_viscosity(t) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("name", BLENDS)
def test_blend_liquid_viscosity_is_bracketed_by_its_components(name: str) -> None:
    """A mean of its components', whereas CoolProp's mixture model is outside: above every one of them for R-454B."""
    parts = [coolprop.PropsSI("V", "T", 283.15, "Q", 0, part) for part in refrigerant(name).composition]
    assert min(parts) < PROPERTIES.fluid(name).liquid_viscosity(283.15) < max(parts)
    if name == "R-454B":
        assert coolprop.PropsSI("V", "T", 283.15, "Q", 0, "R454B.mix") > 1.3 * max(parts)


def test_r22_viscosities() -> None:
    """VDI Heat Atlas by the package chemicals; makers' sheets (from memory): 0.165 and 0.0128 cP at 25 C."""
    table = pytest.importorskip("chemicals.viscosity")
    fluid, cas = PROPERTIES.fluid("R-22"), CAS["R-22"]
    liquid, gas = table.mu_data_VDI_PPDS_7.loc[cas], table.mu_data_VDI_PPDS_8.loc[cas]
    for t in (241.0, 268.4, 293.15, 311.9, 336.6):
        expected = table.PPDS9(t, *[liquid[key] for key in "ABCDE"])
        assert fluid.liquid_viscosity(t) == pytest.approx(expected, rel=1e-3)
        assert fluid.vapour_viscosity(t) == pytest.approx(np.polyval([gas[key] for key in "EDCBA"], t), rel=1e-3)
    assert fluid.liquid_viscosity(298.15) == pytest.approx(165e-6, rel=fluid.liquid_viscosity_error)
    assert fluid.vapour_viscosity(298.15) == pytest.approx(12.8e-6, rel=fluid.vapour_viscosity_error)


@pytest.mark.parametrize(
    ("name", "cas"),
    [("nitrogen", "7727-37-9"), ("helium", "7440-59-7"), ("air", "132259-10-0")]
    + [(name, CAS[name]) for name in ("R-32", "R-290", "R-600a", "R-744")],
)
def test_gas_viscosities_against_the_vdi_heat_atlas(name: str, cas: str) -> None:
    """PPDS correlations, by the package chemicals, within the error that the file states for the fluid."""
    table = pytest.importorskip("chemicals.viscosity").mu_data_VDI_PPDS_8.loc[cas]
    fluid = PROPERTIES.fluid(name)
    for t in (245.0, 293.15, 377.0):
        expected = np.polyval([table[key] for key in "EDCBA"], t)
        assert fluid.vapour_viscosity(t) == pytest.approx(expected, rel=fluid.vapour_viscosity_error)


def correlation(cas: str) -> Callable[[float], float]:
    """A vapour pressure correlation (Wagner of McGarry 1983, else TRC's extended Antoine), Pa over K."""
    table: Any = pytest.importorskip("chemicals.vapor_pressure")
    if cas in table.Psat_data_WagnerMcGarry.index:
        row = table.Psat_data_WagnerMcGarry.loc[cas]
        return lambda t: float(table.Wagner_original(t, row["Tc"], row["Pc"], *[row[key] for key in "ABCD"]))
    row = table.Psat_data_AntoineExtended.loc[cas]
    keys = ("Tc", "to", "A", "B", "C", "n", "E", "F")
    return lambda t: float(table.TRC_Antoine_extended(t, *[row[key] for key in keys]))


@pytest.mark.parametrize("name", list(CAS))
def test_vapour_pressures_against_another_package(name: str) -> None:
    """Single substances, 0 to 65 C (R-744 to 30 C), within 0.5 %: file, CoolProp and correlation."""
    expected, fluid = correlation(CAS[name]), PROPERTIES.fluid(name)
    for t in np.linspace(273.4, min(338.0, fluid.temperature_range()[1] - 1), 9):
        library = coolprop.PropsSI("P", "T", t, "Q", 0, refrigerant(name).coolprop)
        assert library == pytest.approx(expected(t), rel=5e-3)
        assert fluid.bubble_pressure(float(t)) == pytest.approx(expected(t), rel=5e-3)


@pytest.mark.parametrize(
    ("name", "fahrenheit", "psig"),
    [
        ("R-22", 70, 121.4),
        ("R-22", 80, 143.6),
        ("R-134a", 80, 86.7),
        ("R-410A", 70, 201.0),
        ("R-410A", 77, 225.0),
        ("R-410A", 100, 318.0),
        ("R-410A", 150, 614.0),
        ("R-32", 80, 242.0),
        ("R-404A", 80, 175.0),
        ("R-290", 80, 129.0),
    ],
)
def test_pressures_of_the_charts(name: str, fahrenheit: float, psig: float) -> None:
    """Pressure-temperature charts of the trade (from memory; R-410A at 70, 100, 150 F: inspectapedia.com), 1 %."""
    found = pa_to_psig(PROPERTIES.fluid(name).bubble_pressure(fahrenheit_to_kelvin(fahrenheit)))
    assert found == pytest.approx(psig, rel=0.01)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("R-22", (58, 208, 267, 301, 361)),
        ("R-410A", (101, 337, 431, 484, 580)),
        ("R-32", (103, 345, 441, 496, 594)),
        ("R-134a", (28, 133, 176, 202, 247)),
        ("R-404A", (74, 251, 320, 360, 432)),
        ("R-290", (54, 184, 234, 262, 312)),
        ("R-454B", (97, None, 409, 459, None)),
    ],
)
def test_design_pressures(name: str, expected: tuple[int | None, ...]) -> None:
    """psig at 0, 40, 50, 55, 63 C (design temperatures of ASHRAE 15 and EN 378-2), computed with CoolProp 8."""
    for celsius, psig in zip((0, 40, 50, 55, 63), expected, strict=True):
        if psig is not None:
            found = pa_to_psig(PROPERTIES.fluid(name).bubble_pressure(celsius + 273.15))
            assert found == pytest.approx(psig, abs=1.0)


def test_glide() -> None:
    """R-407C, R-448A and R-449A boil over several K, R-410A hardly, a single substance not at all."""
    at = 293.15
    gap = {
        name: 1 - PROPERTIES.fluid(name).dew_pressure(at) / PROPERTIES.fluid(name).bubble_pressure(at) for name in NAMES
    }
    assert min(gap[name] for name in ("R-407C", "R-448A", "R-449A")) > 0.12
    assert 0.02 < gap["R-454B"] < 0.06
    assert 0 < gap["R-410A"] < 0.01
    assert all(gap[name] == 0 for name in CAS)
    assert all(value >= 0 for value in gap.values())


@pytest.mark.parametrize("name", NAMES)
def test_columns_are_in_order(name: str) -> None:
    """Pressures and vapour density rise, liquid density and viscosity fall; -40 to 67 C or the critical point."""
    table = PROPERTIES.fluid(name).columns.saturation
    assert table is not None
    assert table.temperature[0] == pytest.approx(233.15)
    assert table.temperature[-1] == pytest.approx(304.1282, abs=1e-3) or table.temperature[-1] > 340
    assert max(np.diff(table.temperature)) <= 5
    for column in (table.bubble_pressure, table.dew_pressure, table.vapour_density):
        assert np.all(np.diff(column) > 0)
    for column in (table.liquid_density, table.liquid_viscosity):
        assert np.all(np.diff(column) < 0)
    assert np.all(np.diff(PROPERTIES.fluid(name).columns.gas.viscosity) > 0)


@pytest.mark.parametrize("name", list(GASES))
def test_test_gases_against_coolprop(name: str) -> None:
    """Viscosity off the grid within 0.2 %, molar mass, heat capacity ratio."""
    fluid = PROPERTIES.fluid(name)
    for t in (238.8, 268.8, 293.15, 331.0, 388.8):
        expected = coolprop.PropsSI("V", "T", t, "P", 101325, GASES[name])
        assert fluid.vapour_viscosity(t) == pytest.approx(expected, rel=2e-3)
    assert fluid.molar_mass == pytest.approx(coolprop.PropsSI("M", GASES[name]), rel=1e-6)
    assert fluid.heat_capacity_ratio == pytest.approx(5 / 3 if name == "helium" else 1.4, abs=1e-3)


def test_forming_gas() -> None:
    """5 % hydrogen by volume: 0.95 x 28.0134 + 0.05 x 2.01588 g/mol; as viscous as nitrogen within 0.5 %."""
    forming, nitrogen = PROPERTIES.fluid("forming gas 5 % hydrogen"), PROPERTIES.fluid("nitrogen")
    assert forming.molar_mass == pytest.approx(0.02671352, rel=1e-5)
    assert forming.vapour_viscosity(293.15) == pytest.approx(nitrogen.vapour_viscosity(293.15), rel=5e-3)
    assert forming.vapour_viscosity(293.15) < nitrogen.vapour_viscosity(293.15)


def test_nitrogen_compressibility_against_coolprop() -> None:
    """Off both grids, to 70 bar, within 2e-4."""
    nitrogen = PROPERTIES.fluid("nitrogen")
    for t in np.linspace(234.0, 392.0, 13):
        for p in np.linspace(0.7e5, 69.3e5, 17):
            expected = coolprop.PropsSI("Z", "T", t, "P", p, "Nitrogen")
            assert nitrogen.compressibility(float(t), float(p)) == pytest.approx(expected, abs=2e-4)
    assert nitrogen.compressibility(300.0, 0.0) == 1.0


def test_nitrogen_second_virial_coefficient() -> None:
    """(Z - 1) R T / p at 5 bar is B: -4.5 cm3/mol at 300 K within 1 (Kaye and Laby, from memory)."""
    z = PROPERTIES.fluid("nitrogen").compressibility(300.0, 5e5)
    assert (z - 1) * 8.314462618 * 300 / 5e5 * 1e6 == pytest.approx(-4.5, abs=1.0)


@pytest.mark.parametrize(
    ("spelling", "name"),
    [
        ("R-410A", "R-410A"),
        ("R410A", "R-410A"),
        ("r-410a", "R-410A"),
        (" r 410 a ", "R-410A"),
        ("r454b", "R-454B"),
        ("propane", "R-290"),
        ("CO2", "R-744"),
        ("N2", "nitrogen"),
        ("Nitrogen", "nitrogen"),
        ("forming gas", "forming gas 5 % hydrogen"),
    ],
)
def test_spellings(spelling: str, name: str) -> None:
    """Case, spaces and hyphens do not matter; a few other names are known."""
    assert PROPERTIES.fluid(spelling).name == name


@pytest.mark.parametrize("spelling", ["R-12", "", "freezing stuff", "R-410"])
def test_unknown_fluids_are_refused(spelling: str) -> None:
    """With the fluids that are known."""
    with pytest.raises(InputError, match=r"^job: unknown fluid '.*'; allowed: .*R-"):
        PROPERTIES.fluid(spelling, where="job")


def test_temperatures_outside_the_table_are_refused() -> None:
    """With the range; the ends themselves are inside, also when they come from Fahrenheit."""
    fluid = PROPERTIES.fluid("R-134a")
    for method in (fluid.bubble_pressure, fluid.dew_pressure, fluid.liquid_density, fluid.liquid_viscosity):
        for t in (233.0, 343.3, float("nan"), 70.0):
            with pytest.raises(InputError, match=r"outside the table of R-134a; allowed: -40\.0 to 70\.0 C"):
                method(t)
        assert method(fahrenheit_to_kelvin(-40.0)) > 0
        assert method(fahrenheit_to_kelvin(158.0)) > 0
    with pytest.raises(InputError, match=r"-40\.0 to 31\.0 C"):
        PROPERTIES.fluid("R-744").dew_pressure(310.0)
    with pytest.raises(InputError, match="0 to 70 bar absolute"):
        PROPERTIES.fluid("nitrogen").compressibility(293.15, 8e6)
    with pytest.raises(InputError, match="allowed: nitrogen"):
        PROPERTIES.fluid("helium").compressibility(293.15, 1e6)
    with pytest.raises(InputError, match="does not condense"):
        PROPERTIES.fluid("nitrogen").bubble_pressure(293.15)


def test_reading_needs_no_property_library() -> None:
    """A fresh process that computes a leak rate has loaded neither CoolProp nor anything else heavy."""
    code = (
        "import sys; from leakinfer.physics import flow, tightness, properties;"
        "f = properties.load_properties().fluid('R-32');"
        "assert flow.leak_rate([1e-8], f, 1e6, 1e5, 293.15, 'vapour')[0] > 0;"
        "print([m for m in ('CoolProp', 'chemicals', 'pandas', 'scipy', 'pint') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

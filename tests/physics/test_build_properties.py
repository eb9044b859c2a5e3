"""How the property file and the list of refrigerants are made."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from leakinfer.physics import build_properties as build
from leakinfer.physics.refrigerants import Refrigerant, load_refrigerants, refrigerant
from leakinfer.reading import shipped

coolprop = pytest.importorskip("CoolProp.CoolProp")
# 100-year GWP of blend components: IPCC AR4 WG1 Table 2.14 / AR5 WG1 Table 8.A.1, from memory
GWP = {
    "R32": (675, 677),
    "R125": (3500, 3170),
    "R134a": (1430, 1300),
    "R143a": (4470, 4800),
    "R1234yf": (4, 1),
    "R1234ze(E)": (7, 1),
}
MIXED = [entry for entry in load_refrigerants().refrigerant if entry.composition]


def numbers(value: Any, path: str = "") -> dict[str, float]:
    """Every number of nested plain data under its path."""
    if isinstance(value, dict):
        return {key: n for name, part in value.items() for key, n in numbers(part, f"{path}/{name}").items()}
    if isinstance(value, list):
        return {key: n for i, part in enumerate(value) for key, n in numbers(part, f"{path}/{i}").items()}
    return {path: float(value)} if isinstance(value, int | float) else {}


def test_the_shipped_file_is_what_the_command_makes(tmp_path: Path) -> None:
    """Same entries, same numbers within 0.1 %; so the file cannot drift from its generator."""
    out = tmp_path / "properties.json"
    build.main(["--out", str(out)])
    made, kept = (json.loads(path.read_text("utf-8")) for path in (out, shipped("priors", "properties.json")))
    assert made["fluids"].keys() == kept["fluids"].keys()
    assert made["units"] == kept["units"]
    assert numbers(made) == pytest.approx(numbers(kept), rel=1e-3)
    assert kept["command"] == build.COMMAND
    assert kept["coolprop"].startswith("8.")


def test_every_column_has_a_unit() -> None:
    """Names of columns in the file are keys of its units."""
    kept = json.loads(shipped("priors", "properties.json").read_text("utf-8"))
    columns = {
        name for fluid in kept["fluids"].values() for part in ("gas", "saturation") for name in fluid.get(part, {})
    }
    assert columns <= kept["units"].keys()
    assert {"molar_mass", "heat_capacity_ratio"} <= kept["units"].keys()


def test_wilke_keeps_pure_substances_and_known_mixtures() -> None:
    """Equal components stay; CoolProp's air from nitrogen, oxygen, argon within 0.5 %."""
    assert build.wilke([0.3, 0.7], [12e-6, 12e-6], [0.05, 0.05]) == pytest.approx(12e-6, rel=1e-12)
    assert build.wilke([1.0, 0.0], [12e-6, 9e-6], [0.05, 0.01]) == pytest.approx(12e-6, rel=1e-12)
    parts = {"Nitrogen": 0.7812, "Oxygen": 0.2096, "Argon": 0.0092}
    viscosities = [coolprop.PropsSI("V", "T", 293.15, "P", 101325, name) for name in parts]
    masses = [coolprop.PropsSI("M", name) for name in parts]
    air = coolprop.PropsSI("V", "T", 293.15, "P", 101325, "Air")
    assert build.wilke(list(parts.values()), viscosities, masses) == pytest.approx(air, rel=5e-3)


@pytest.mark.parametrize("name", ["R-410A", "R-404A", "R-407C", "R-507A"])
def test_log_mole_mix_on_blends_whose_viscosity_is_known(name: str) -> None:
    """CoolProp's pseudo-pure blends have liquid viscosities of their own; the mix meets them within 18 %."""
    entry = refrigerant(name)
    moles = {part: share / coolprop.PropsSI("M", part) for part, share in entry.composition.items()}
    for t in (253.15, 283.15, 303.15):
        parts = [coolprop.PropsSI("V", "T", t, "Q", 0, part) for part in moles]
        mixed = build.log_mole_mix([n / sum(moles.values()) for n in moles.values()], parts)
        assert mixed == pytest.approx(coolprop.PropsSI("V", "T", t, "Q", 0, entry.coolprop), rel=0.18)


@pytest.mark.parametrize("entry", MIXED, ids=lambda entry: str(entry.name))
def test_composition(entry: Refrigerant) -> None:
    """Parts add to 100; the molar mass they give is the library's own for the blend; so is the GWP, within 1."""
    parts = entry.composition
    assert math.fsum(parts.values()) == pytest.approx(100.0, abs=1e-9)
    molar = 100 / sum(share / coolprop.PropsSI("M", name) for name, share in parts.items())
    assert molar == pytest.approx(coolprop.PropsSI("M", entry.coolprop), rel=5e-4)
    for column, listed in enumerate((entry.gwp_ar4, entry.gwp_ar5)):
        assert sum(share / 100 * GWP[name][column] for name, share in parts.items()) == pytest.approx(listed, abs=1.0)


@pytest.mark.parametrize(
    ("name", "kg"),
    [("R-410A", 2.39), ("R-32", 7.41), ("R-404A", 1.27), ("R-134a", 3.50), ("R-407C", 2.82), ("R-454B", 10.73)],
)
def test_charge_of_five_tonnes_co2(name: str, kg: float) -> None:
    """5 t CO2 equivalent, the threshold of EU 517/2014 and 2024/573, by AR4 values: 5000/GWP."""
    assert 5000 / refrigerant(name).gwp_ar4 == pytest.approx(kg, abs=6e-3)


def test_flammable_refrigerants() -> None:
    """ASHRAE 34 classes 2L and 3 are flammable; class 1 is not."""
    flammable = {entry.name for entry in load_refrigerants().refrigerant if entry.flammable}
    assert flammable == {"R-32", "R-454B", "R-452B", "R-290", "R-600a"}


def test_grid_below_a_critical_point() -> None:
    """Steps of at most 2.5 K; a single substance's grid ends at its critical point."""
    grid = build.saturation_temperatures(304.1282, single=True)
    assert grid[0] == pytest.approx(233.15)
    assert grid[-1] == pytest.approx(304.1282)
    assert min(np.diff(grid)) > 0
    assert max(np.diff(grid)) <= 2.5 + 1e-9
    assert build.saturation_temperatures(None, single=False)[-1] == pytest.approx(343.15)

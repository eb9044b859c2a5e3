"""Make ``priors/properties.json`` from CoolProp: ``python -m leakinfer.physics.build_properties [--out FILE]``.

CoolProp takes seconds to load, so it is used only here; everything else reads the file.
"""

from __future__ import annotations

import argparse
import json
import math
import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from leakinfer.physics.refrigerants import Gas, Refrigerant, Viscosity, load_refrigerants
from leakinfer.physics.units import ATMOSPHERE, GAS_CONSTANT, TWENTY_CELSIUS, ZERO_CELSIUS
from leakinfer.reading import shipped

COMMAND = "python -m leakinfer.physics.build_properties"
COLDEST, HOTTEST, STEP = -40.0, 70.0, 2.5  # C, K; saturation columns
GAS_HOTTEST, GAS_STEP = 120.0, 10.0  # C, K; low-pressure gas viscosity
NEAR_CRITICAL = (8.0, 6.5, 5.0, 4.0, 3.0, 2.2, 1.6, 1.1, 0.75, 0.5)  # K below the critical point: finer there
TO_CRITICAL = (0.35, 0.25, 0.15, 0.08, 0.03, 0.0)  # K; for a single substance only, blends' equations fail there
NITROGEN_PRESSURES = tuple(5e5 * step for step in range(15))  # Pa; 0 to 70 bar
NITROGEN_STEP = 5.0  # K
WATER_STEP = 5.0  # K
ANDRADE_EDGE = 0.93  # of the critical temperature; a component's liquid viscosity is continued from there
DIGITS = 7

UNITS = {
    "temperature": "K",
    "bubble_pressure": "Pa absolute",
    "dew_pressure": "Pa absolute",
    "vapour_density": "kg/m3, saturated vapour at the dew pressure",
    "liquid_density": "kg/m3, saturated liquid at the bubble pressure",
    "liquid_viscosity": "Pa s, saturated liquid",
    "viscosity": "Pa s, gas at 1 atm or at 0.9 of its dew pressure where that is lower",
    "molar_mass": "kg/mol",
    "heat_capacity_ratio": "1, ideal gas at 20 C",
    "compressibility": "1, rows temperature, columns pressure (Pa absolute)",
    "viscosity_error": "1, relative standard deviation",
}

Property = Callable[..., float]
Side = tuple[float, float]  # pressure, density
State = tuple[float, float, float, float]  # bubble pressure, dew pressure, liquid density, vapour density


def _library() -> tuple[Property, str]:
    import CoolProp
    from CoolProp.CoolProp import PropsSI

    return PropsSI, str(CoolProp.__version__)


def wilke(mole_fractions: Sequence[float], viscosities: Sequence[float], molar_masses: Sequence[float]) -> float:
    """Viscosity of a gas mixture at low pressure from its components', same unit as given.

    Wilke, J. Chem. Phys. 18 (1950) 517, doi 10.1063/1.1747673.
    """
    share, mu, mass = (np.asarray(column, dtype=float) for column in (mole_fractions, viscosities, molar_masses))
    mu_ratio, mass_ratio = mu[:, None] / mu[None, :], mass[:, None] / mass[None, :]
    phi = (1 + np.sqrt(mu_ratio) * mass_ratio**-0.25) ** 2 / np.sqrt(8 * (1 + mass_ratio))
    return float(np.sum(share * mu / (phi @ share)))


def log_mole_mix(mole_fractions: Sequence[float], viscosities: Sequence[float]) -> float:
    """Viscosity of a liquid mixture by the mole-weighted mean of logarithms (Arrhenius 1887), within about 25 %."""
    return math.exp(sum(x * math.log(mu) for x, mu in zip(mole_fractions, viscosities, strict=True)))


def correlated_viscosity(own: Viscosity, temperature_k: float) -> tuple[float, float]:
    """(vapour, liquid) viscosity in Pa s from a fluid's own correlations."""
    vapour = sum(c * temperature_k**power for power, c in enumerate(own.vapour))
    a, b, c, d, e = own.liquid
    x = (c - temperature_k) / (temperature_k - d)
    return vapour, e * math.exp(a * math.copysign(abs(x) ** (1 / 3), x) + b * x * math.copysign(abs(x) ** (1 / 3), x))


def _mole_fractions(composition: dict[str, float], props: Property) -> dict[str, float]:
    """Library name -> mole fraction, from parts of mass."""
    moles = {name: parts / props("M", name) for name, parts in composition.items()}
    total = sum(moles.values())
    return {name: amount / total for name, amount in moles.items()}


def _gas_viscosity(name: str, temperature_k: float, props: Property) -> float:
    """Viscosity of one substance as a gas, at 1 atm or below its dew pressure."""
    pressure = ATMOSPHERE
    if temperature_k < props("Tcrit", name) - 0.1 and name != "Air":
        pressure = min(pressure, 0.9 * props("P", "T", temperature_k, "Q", 1, name))
    return props("V", "T", temperature_k, "P", pressure, name)


def _blend_gas_viscosity(mole_fractions: dict[str, float], temperature_k: float, props: Property) -> float:
    return wilke(
        list(mole_fractions.values()),
        [_gas_viscosity(name, temperature_k, props) for name in mole_fractions],
        [props("M", name) for name in mole_fractions],
    )


def _component_liquid_viscosity(name: str, temperature_k: float, props: Property) -> float:
    """Saturated liquid; continued as ln(viscosity) linear in 1/T (Andrade) near and above the critical point."""
    edge = ANDRADE_EDGE * props("Tcrit", name)
    if temperature_k <= edge:
        return props("V", "T", temperature_k, "Q", 0, name)
    cooler = edge - 5.0
    at_edge, at_cooler = (props("V", "T", t, "Q", 0, name) for t in (edge, cooler))
    slope = math.log(at_cooler / at_edge) / (1 / cooler - 1 / edge)
    return at_edge * math.exp(slope * (1 / temperature_k - 1 / edge))


def _steps(low: float, high: float, step: float) -> list[float]:
    """Temperatures in K from ``low`` to ``high`` (C) inclusive."""
    return [low + ZERO_CELSIUS + step * index for index in range(round((high - low) / step) + 1)]


def saturation_temperatures(critical_k: float | None, single: bool) -> list[float]:
    """The grid of a refrigerant's saturation columns in K, finer below a critical point inside the range."""
    regular = _steps(COLDEST, HOTTEST, STEP)
    if critical_k is None:
        return regular
    below = [critical_k - gap for gap in (*NEAR_CRITICAL, *(TO_CRITICAL if single else ()))]
    last = NEAR_CRITICAL[0]
    kept = [t for t in regular if t < critical_k - last] + [t for t in below if t < regular[-1]]
    return sorted({*kept, *([regular[-1]] if regular[-1] < critical_k - NEAR_CRITICAL[-1] else [])})


def _side(name: str, temperature_k: float, quality: int, props: Property) -> Side | None:
    """Pressure and density of the saturated liquid (quality 0) or vapour (1); None where nothing near can be solved.

    The library's solver fails for blends in scattered windows of up to 2.5 K. There, logarithms are interpolated
    between the nearest temperatures on both sides that it can solve; over such a gap that is good to about 0.5 %.
    """
    exact = _solved(name, temperature_k, quality, props)
    if exact:
        return exact
    below, above = (
        next(((t, s) for t in near if (s := _solved(name, t, quality, props))), None)
        for near in ([temperature_k + sign * 0.25 * n for n in range(1, 21)] for sign in (-1, 1))
    )
    if below is None or above is None:
        return None
    weight = (1 / below[0] - 1 / temperature_k) / (1 / below[0] - 1 / above[0])
    pressure, density = (a ** (1 - weight) * b**weight for a, b in zip(below[1], above[1], strict=True))
    return pressure, density


def _solved(name: str, temperature_k: float, quality: int, props: Property) -> Side | None:
    try:
        at = ("T", temperature_k, "Q", quality, name)
        return props("P", *at), props("D", *at)
    except ValueError:
        return None


def _state(name: str, temperature_k: float, props: Property) -> State | None:
    """Saturation at one temperature, or None. A pseudo-pure equation may put the bubble pressure a hair too low."""
    liquid, vapour = (_side(name, temperature_k, quality, props) for quality in (0, 1))
    if liquid is None or vapour is None:
        return None
    return max(liquid[0], vapour[0]), vapour[0], liquid[1], vapour[1]


def _in_order(before: State, after: State) -> bool:
    """True if the step to the warmer state is physical: pressures and vapour density rise, liquid density falls."""
    return after[0] > before[0] and after[1] > before[1] and after[2] < before[2] and after[3] > before[3]


def _saturation(entry: Refrigerant, props: Property) -> list[tuple[float, State]]:
    """(temperature, state) rows; ends at the first point that the library cannot solve or gets wrong."""
    blend = entry.coolprop.endswith(".mix")
    critical = None if blend else props("Tcrit", entry.coolprop)
    rows: list[tuple[float, State]] = []
    for temperature in saturation_temperatures(critical, single=not entry.composition):
        state = _state(entry.coolprop, temperature, props)
        if state is None:
            break
        rows.append((temperature, state))
    broken = (index for index, (a, b) in enumerate(pairwise(rows), start=1) if not _in_order(a[1], b[1]))
    return rows[: next(broken, len(rows))]


def _liquid_viscosity(entry: Refrigerant, temperature_k: float, props: Property) -> float:
    if entry.viscosity is not None:
        return correlated_viscosity(entry.viscosity, temperature_k)[1]
    if entry.coolprop.endswith(".mix"):
        shares = _mole_fractions(entry.composition, props)
        parts = [_component_liquid_viscosity(name, temperature_k, props) for name in shares]
        return log_mole_mix(list(shares.values()), parts)
    return props("V", "T", temperature_k, "Q", 0, entry.coolprop)


def _vapour_viscosity(entry: Refrigerant, temperature_k: float, props: Property) -> float:
    if entry.viscosity is not None:
        return correlated_viscosity(entry.viscosity, temperature_k)[0]
    if entry.coolprop.endswith(".mix"):
        return _blend_gas_viscosity(_mole_fractions(entry.composition, props), temperature_k, props)
    return _gas_viscosity(entry.coolprop, temperature_k, props)


def _viscosity_source(entry: Refrigerant) -> str:
    if entry.viscosity is not None:
        return entry.viscosity.source
    if entry.coolprop.endswith(".mix"):
        return "vapour: Wilke 1950 over CoolProp's components; liquid: log-mole mix of CoolProp's components"
    return "CoolProp"


def _rounded(values: Sequence[float]) -> list[float]:
    return [float(f"{value:.{DIGITS}g}") for value in values]


def _heat_capacity_ratio(molar_heat: float) -> float:
    return float(f"{molar_heat / (molar_heat - GAS_CONSTANT):.{DIGITS}g}")


def refrigerant_columns(entry: Refrigerant, props: Property) -> dict[str, Any]:
    """Everything the file holds on one refrigerant; units as in ``UNITS``."""
    rows = _saturation(entry, props)
    temperatures = [temperature for temperature, _ in rows]
    bubble, dew, liquid, vapour = (_rounded(column) for column in zip(*(state for _, state in rows), strict=True))
    gas_grid = _steps(COLDEST, GAS_HOTTEST, GAS_STEP)
    return {
        "aliases": list(entry.aliases),
        "molar_mass": props("M", entry.coolprop),
        "heat_capacity_ratio": _heat_capacity_ratio(
            props("Cp0molar", "T", TWENTY_CELSIUS, "P", ATMOSPHERE, entry.coolprop)
        ),
        "gas": {
            "temperature": _rounded(gas_grid),
            "viscosity": _rounded([_vapour_viscosity(entry, t, props) for t in gas_grid]),
            "viscosity_error": entry.vapour_viscosity_error,
        },
        "saturation": {
            "temperature": _rounded(temperatures),
            "bubble_pressure": bubble,
            "dew_pressure": dew,
            "liquid_density": liquid,
            "vapour_density": vapour,
            "liquid_viscosity": _rounded([_liquid_viscosity(entry, t, props) for t in temperatures]),
            "viscosity_error": entry.liquid_viscosity_error,
        },
        "viscosity_source": _viscosity_source(entry),
    }


def gas_columns(entry: Gas, props: Property) -> dict[str, Any]:
    """Everything the file holds on one test gas; units as in ``UNITS``."""
    total = sum(entry.composition.values())
    shares = {name: parts / total for name, parts in entry.composition.items()}
    grid = _steps(COLDEST, GAS_HOTTEST, GAS_STEP)
    heat = sum(x * props("Cp0molar", "T", TWENTY_CELSIUS, "P", ATMOSPHERE, name) for name, x in shares.items())
    columns: dict[str, Any] = {
        "aliases": list(entry.aliases),
        "molar_mass": sum(x * props("M", name) for name, x in shares.items()),
        "heat_capacity_ratio": _heat_capacity_ratio(heat),
        "gas": {
            "temperature": _rounded(grid),
            "viscosity": _rounded([_blend_gas_viscosity(shares, t, props) for t in grid]),
            "viscosity_error": entry.viscosity_error,
        },
        "viscosity_source": "CoolProp" if len(shares) == 1 else "Wilke 1950 over CoolProp's components",
    }
    return columns | ({"compressibility": _nitrogen_table(props)} if shares.get("Nitrogen") == 1.0 else {})


def _nitrogen_table(props: Property) -> dict[str, Any]:
    temperatures = _steps(COLDEST, GAS_HOTTEST, NITROGEN_STEP)

    def z(temperature: float, pressure: float) -> float:
        return props("Z", "T", temperature, "P", pressure, "Nitrogen") if pressure else 1.0

    return {
        "temperature": _rounded(temperatures),
        "pressure": list(NITROGEN_PRESSURES),
        "factor": [_rounded([z(t, p) for p in NITROGEN_PRESSURES]) for t in temperatures],
    }


def _water_columns(props: Property) -> dict[str, Any]:
    grid = [max(t, props("Ttriple", "Water")) for t in _steps(0.0, HOTTEST, WATER_STEP)]
    return {"temperature": _rounded(grid), "pressure": _rounded([props("P", "T", t, "Q", 0, "Water") for t in grid])}


def build() -> dict[str, Any]:
    """The whole content of ``priors/properties.json``."""
    props, version = _library()
    listed = load_refrigerants()
    fluids = {entry.name: refrigerant_columns(entry, props) for entry in listed.refrigerant}
    return {
        "command": COMMAND,
        "coolprop": version,
        "source": "CoolProp, Bell et al. 2014, doi 10.1021/ie4033999; fluids and exceptions in refrigerants.toml",
        "units": UNITS,
        "fluids": fluids | {entry.name: gas_columns(entry, props) for entry in listed.gas},
        "water_saturation": _water_columns(props),
    }


def as_text(content: dict[str, Any]) -> str:
    """The file's text: one line for each list of numbers, so that changes can be read."""
    text = json.dumps(content, indent=1, ensure_ascii=False)
    return _flat_lists(text) + "\n"


def _flat_lists(text: str) -> str:
    return re.sub(
        r"\[[^\[\]{}]*\]", lambda found: " ".join(found.group().split()).replace("[ ", "[").replace(" ]", "]"), text
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the file."""
    parser = argparse.ArgumentParser(prog=COMMAND, description="Make the fluid property file from CoolProp.")
    parser.add_argument("--out", type=Path, default=shipped("priors", "properties.json"))
    out: Path = parser.parse_args(arguments).out
    out.write_text(as_text(build()), encoding="utf-8")
    print(f"wrote {out}")


if __name__ == "__main__":
    main()

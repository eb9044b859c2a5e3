"""What the three tightness tests share: their settings, a flow with its errors, and the verdict in words.

A *flow* is gas in Pa m3/s at 20 C, as in :func:`leakinfer.physics.flow.gas_throughput`. Settings with sources:
``priors/tightness.toml``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Annotated, Literal, NamedTuple, TypeAlias

import numpy as np
from msgspec import Meta, Struct
from numpy.typing import ArrayLike, NDArray

from leakinfer.errors import InputError
from leakinfer.physics.units import celsius_to_kelvin, fahrenheit_to_kelvin, kelvin_to_celsius
from leakinfer.reading import Known, Positive, Text, read_toml, shipped

Array: TypeAlias = NDArray[np.float64]
Verdict: TypeAlias = Literal["leaks", "tight", "cannot_tell"]
COLDEST_C, HOTTEST_C = -40.0, 65.0  # of a pipe at work: beyond lies a slip of the pen (judgement)

NUMBERS = {
    "seen_sds": "1",
    "impossible_sds": "1",
    "air_pressure_day_kpa": "kPa",
    "air_pressure_settles_hours": "h",
    "usual_resolution_kpa": "kPa",
    "usual_accuracy_kpa": "kPa",
    "usual_temperature_error_k": "K",
    "usual_volume_relative_error": "1",
    "hold_gross_error": "1",
    "vacuum_calibration_error": "1",
    "vacuum_repeatability": "1",
    "vacuum_resolution_pa": "Pa",
    "vacuum_settling_pa": "Pa",
    "moisture_weight": "1",
    "moisture_odds": "1",
    "rise_gross_error": "1",
    "escape_relative_error": "1",
    "gather_gross_error": "1",
}
GRIDS = {"moisture_plateaus": "1", "moisture_minutes": "min"}
SHARES = ("hold_gross_error", "moisture_weight", "rise_gross_error", "gather_gross_error")


class Number(Struct, frozen=True, forbid_unknown_fields=True):
    """One setting with its unit, source and how it is known."""

    id: Text
    value: Positive
    unit: Text
    source: Text
    known: Known
    note: str = ""


class Grid(Struct, frozen=True, forbid_unknown_fields=True):
    """Equally likely values of something that is not measured, even in their logarithm."""

    id: Text
    least: Positive
    greatest: Positive
    count: Annotated[int, Meta(ge=2, le=100)]
    unit: Text
    source: Text
    known: Known
    note: str = ""


class TightnessFile(Struct, frozen=True, forbid_unknown_fields=True):
    """The content of ``priors/tightness.toml``."""

    number: tuple[Number, ...]
    grid: tuple[Grid, ...]


@dataclass(frozen=True, eq=False)
class Settings:
    """The content by id, units checked."""

    numbers: Mapping[str, float]
    grids: Mapping[str, Array]


class FlowReading(NamedTuple):
    """A flow that a test gave, Pa m3/s at 20 C; its error without a leak (same unit), and one relative to the flow."""

    flow: float
    absolute_sd: float
    relative_sd: float


@lru_cache(maxsize=1)
def load_settings() -> Settings:
    """The shipped settings; read once.

    Raises:
        InputError: the file is missing, or a setting is missing, unknown or in another unit.
    """
    path = shipped("priors", "tightness.toml")
    file = read_toml(path, TightnessFile)
    _check_units({number.id: number.unit for number in file.number}, NUMBERS, str(path))
    _check_units({grid.id: grid.unit for grid in file.grid}, GRIDS, str(path))
    numbers = {number.id: number.value for number in file.number}
    for name in SHARES:
        if numbers[name] >= 1:
            raise InputError(f"{numbers[name]:g}", where=f"{path}: {name}", allowed="a share below 1")
    grids = {grid.id: np.geomspace(grid.least, grid.greatest, grid.count) for grid in file.grid}
    return Settings(MappingProxyType(numbers), MappingProxyType(grids))


def tight_to(flow: float, sd: float, relative_sd: float = 0.0, sds: float | None = None) -> float:
    """The largest flow, Pa m3/s, that the reading leaves open: (max(flow, 0) + k sd)(1 + k relative sd)."""
    times = load_settings().numbers["seen_sds"] if sds is None else sds
    return (max(flow, 0.0) + times * sd) * (1 + times * relative_sd)


def verdict(flow: float, sd: float, limit_flow: float, relative_sd: float = 0.0, sds: float | None = None) -> Verdict:
    """What a person may say: it leaks, it is tight to what matters, or the test cannot tell yet.

    ``sd`` is the error of a tight circuit's flow and ``limit_flow`` the least flow that matters, all Pa m3/s. A
    relative error, as that of the volume, never makes a leak of nothing, so it counts only in how tight.

    Raises:
        InputError: an error or a limit that is not above zero.
    """
    require(sd, "standard deviation in Pa m3/s", "verdict", above=0.0)
    require(limit_flow, "limit in Pa m3/s", "verdict", above=0.0)
    times = load_settings().numbers["seen_sds"] if sds is None else sds
    if flow > times * sd:
        return "leaks"
    return "tight" if tight_to(flow, sd, relative_sd, times) < limit_flow else "cannot_tell"


def flow_likelihood(reading: FlowReading, flows: ArrayLike, widest: float, gross: float) -> Array:
    """(flows,): density of the flow that was read, for each true flow; 1/(Pa m3/s).

    Gaussian with both errors, and a share ``gross`` of readings that say nothing: even within the absolute error,
    beyond it even in the logarithm, on either side up to ``widest`` Pa m3/s.
    """
    true = np.asarray(flows, dtype=float)
    sd = np.hypot(reading.absolute_sd, reading.relative_sd * true)
    density = np.exp(-0.5 * ((reading.flow - true) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    size = max(abs(reading.flow), reading.absolute_sd)
    anywhere = 1 / (2 * size * (1 + math.log(max(widest, size) / reading.absolute_sd)))
    return np.asarray((1 - gross) * density + gross * anywhere)


def require(
    value: float, what: str, where: str, *, above: float | None = None, least: float = -math.inf, most: float = math.inf
) -> None:
    """Refuses a number that is not finite or out of range.

    Raises:
        InputError: naming what it is and what is allowed.
    """
    if above is not None and not (math.isfinite(value) and above < value <= most):
        upper = "" if most == math.inf else f", up to {most:g}"
        raise InputError(f"{what} is {value:g}", where=where, allowed=f"above {above:g}{upper}")
    if not (math.isfinite(value) and least <= value <= most):
        allowed = f"{least:g} or more" if most == math.inf else f"{least:g} to {most:g}"
        raise InputError(f"{what} is {value:g}", where=where, allowed=allowed)


def require_temperature(celsius: float, what: str, where: str, coldest: float = COLDEST_C) -> None:
    """Refuses a temperature that no pipe at work has, with a hint if it looks like Fahrenheit.

    Raises:
        InputError: below ``coldest`` or above 65 C.
    """
    if not coldest <= celsius <= HOTTEST_C:
        as_c = kelvin_to_celsius(fahrenheit_to_kelvin(celsius))
        hint = f" (was it F? {celsius:g} F are {as_c:.1f} C)" if celsius > HOTTEST_C and as_c <= HOTTEST_C else ""
        allowed = f"{coldest:g} to {HOTTEST_C:g} C"
        raise InputError(f"{what} is {celsius:g} C{hint}", where=where, allowed=allowed)


def warmed(celsius: float) -> float:
    """Ratio of a gas flow at a temperature to the same flow at 20 C."""
    return celsius_to_kelvin(celsius) / celsius_to_kelvin(20.0)


def _check_units(found: Mapping[str, str], expected: Mapping[str, str], path: str) -> None:
    for name in sorted(found.keys() ^ expected.keys()):
        state = "missing" if name in expected else "unknown"
        raise InputError(f"setting '{name}' is {state}", where=path, allowed=", ".join(expected))
    for name, unit in expected.items():
        if found[name] != unit:
            raise InputError(f"unit '{found[name]}'", where=f"{path}: {name}", allowed=unit)

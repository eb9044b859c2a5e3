"""From a leak size to what it loses: an equivalent capillary behind an opening.

A *leak size* is the standard leak rate of a hole in Pa m3/s: dry air, 1 bar absolute into vacuum, 20 C, laminar law.
It fixes the diameter of a capillary of the set length. What that capillary loses in a condition:

* vapour: laminar plus molecular flow along the capillary, in series with the choked or unchoked flow of its opening.
  Ideal gas, though a saturated vapour is denser: against CoolProp's density and R-410A at 21 C a laminar leak comes out
  16 % too low, a choked one 9 %; at 50 C 26 % and 16 %. Refrigerants of lower pressure do better.
* liquid: laminar flow in series with the flow of the opening. Flashing inside the hole is neglected, which makes
  liquid leaks come out too high, the more so the larger the hole.

Settings with sources: ``priors/leak_flow.toml``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from leakinfer.errors import InputError
from leakinfer.physics import laws
from leakinfer.physics.properties import Fluid, load_properties
from leakinfer.physics.units import GAS_CONSTANT, TWENTY_CELSIUS
from leakinfer.reading import Known, Positive, Text, read_toml, shipped

Array: TypeAlias = NDArray[np.float64]
Phase = Literal["vapour", "liquid"]


class Setting(Struct, frozen=True, forbid_unknown_fields=True):
    """One number with its unit, source and how it is known."""

    value: Positive
    unit: Text
    source: Text
    known: Known


class FlowSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """The content of ``priors/leak_flow.toml``, SI units."""

    channel_length: Setting
    discharge_coefficient: Setting
    reference_pressure: Setting
    reference_temperature: Setting


@dataclass(frozen=True)
class Channel:
    """The equivalent capillary's fixed numbers: length m, discharge coefficient 1, Pa absolute, Pa s of dry air."""

    length: float
    discharge_coefficient: float
    reference_pa: float
    reference_viscosity: float


@lru_cache(maxsize=1)
def load_channel() -> Channel:
    """The shipped settings; read once.

    Raises:
        InputError: the file is missing or wrong.
    """
    path = shipped("priors", "leak_flow.toml")
    settings = read_toml(path, FlowSettings)
    units = {name: getattr(settings, name).unit for name in FlowSettings.__struct_fields__}
    expected = {"channel_length": "m", "discharge_coefficient": "1", "reference_pressure": "Pa"} | {
        "reference_temperature": "K"
    }
    for name, unit in expected.items():
        if units[name] != unit:
            raise InputError(f"unit '{units[name]}'", where=f"{path}: {name}", allowed=unit)
    air = load_properties().fluid("air").vapour_viscosity(settings.reference_temperature.value)
    return Channel(
        settings.channel_length.value, settings.discharge_coefficient.value, settings.reference_pressure.value, air
    )


def diameter_of(sizes: ArrayLike) -> Array:
    """Diameters in m of the capillaries that have these leak sizes (Pa m3/s), same shape."""
    channel = load_channel()
    return laws.laminar_diameter(
        _checked_sizes(sizes), channel.length, channel.reference_viscosity, channel.reference_pa, 0.0
    )


def size_of(diameters: ArrayLike) -> Array:
    """Leak sizes in Pa m3/s of capillaries of these diameters (m), same shape; inverse of :func:`diameter_of`."""
    channel = load_channel()
    wide = np.asarray(diameters, dtype=float)
    return laws.laminar_throughput(wide, channel.length, channel.reference_viscosity, channel.reference_pa, 0.0)


def leak_rate(
    sizes: ArrayLike, fluid: Fluid, upstream_pa: float, downstream_pa: float, temperature_k: float, phase: Phase
) -> Array:
    """What holes of these sizes lose, kg/s, same shape as ``sizes`` (Pa m3/s).

    ``upstream_pa`` and ``downstream_pa`` are absolute; ``phase`` is that of the fluid before the hole. Zero where the
    upstream pressure is not above the downstream one. Rises with size and with upstream pressure.

    Raises:
        InputError: a size, pressure or temperature out of range, or a liquid that the fluid does not form.
    """
    diameters = diameter_of(sizes)
    _check_pressures(upstream_pa, downstream_pa)
    if phase not in ("vapour", "liquid"):
        raise InputError(f"unknown phase '{phase}'", allowed="vapour, liquid")
    if upstream_pa <= downstream_pa:
        return np.zeros(diameters.shape)
    rate = _vapour_rate if phase == "vapour" else _liquid_rate
    return rate(diameters, fluid, upstream_pa, downstream_pa, temperature_k)


def gas_throughput(
    sizes: ArrayLike,
    fluid: Fluid,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float,
    phase: Phase = "vapour",
) -> Array:
    """The same loss as a gas flow, Pa m3/s at 20 C (ideal gas): what makes bubbles and shows in a hold."""
    rate = leak_rate(sizes, fluid, upstream_pa, downstream_pa, temperature_k, phase)
    return rate * (GAS_CONSTANT * TWENTY_CELSIUS / fluid.molar_mass)


def _vapour_rate(
    diameters: Array, fluid: Fluid, upstream_pa: float, downstream_pa: float, temperature_k: float
) -> Array:
    channel, mass = load_channel(), fluid.molar_mass
    viscosity = fluid.vapour_viscosity(temperature_k)
    tube = laws.tube_throughput(
        diameters, channel.length, viscosity, mass, temperature_k, upstream_pa, downstream_pa
    ) * (mass / (GAS_CONSTANT * temperature_k))
    flux = laws.gas_orifice_flux(mass, fluid.heat_capacity_ratio, temperature_k, upstream_pa, downstream_pa)
    return laws.in_series(tube, _opening(diameters) * flux)


def _liquid_rate(
    diameters: Array, fluid: Fluid, upstream_pa: float, downstream_pa: float, temperature_k: float
) -> Array:
    density, viscosity = fluid.liquid_density(temperature_k), fluid.liquid_viscosity(temperature_k)
    tube = laws.laminar_liquid_rate(diameters, load_channel().length, viscosity, density, upstream_pa, downstream_pa)
    return laws.in_series(tube, _opening(diameters) * laws.liquid_orifice_flux(density, upstream_pa, downstream_pa))


def _opening(diameters: Array) -> Array:
    """Effective area of the opening, m2: discharge coefficient times cross-section."""
    return load_channel().discharge_coefficient * np.pi / 4 * diameters**2


def _checked_sizes(sizes: ArrayLike) -> Array:
    values = np.asarray(sizes, dtype=float)
    if not np.all(np.isfinite(values) & (values >= 0)):
        raise InputError("a leak size is negative or not finite", allowed="zero or more, Pa m3/s")
    return values


def _check_pressures(upstream_pa: float, downstream_pa: float) -> None:
    if not (np.isfinite(upstream_pa) and np.isfinite(downstream_pa) and min(upstream_pa, downstream_pa) >= 0):
        what = f"pressures {upstream_pa:g} and {downstream_pa:g} Pa"
        raise InputError(what, allowed="absolute pressures, zero or more")

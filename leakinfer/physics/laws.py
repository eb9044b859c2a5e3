"""Flow through a small hole: the textbook closed forms, one function each.

Pressures are Pa absolute. *Throughput* is p V per second in Pa m3/s, of gas at the gas's own temperature.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.physics.units import GAS_CONSTANT

Array: TypeAlias = NDArray[np.float64]


def viscous_conductance(diameter: Array, length: float, viscosity: float, mean_pa: float) -> Array:
    """Laminar conductance of a long round tube in m3/s: pi d^4 p / (128 eta L). Hagen and Poiseuille."""
    return np.pi * diameter**4 * mean_pa / (128 * viscosity * length)


def laminar_throughput(
    diameter: Array, length: float, viscosity: float, upstream_pa: float, downstream_pa: float
) -> Array:
    """Laminar gas flow in Pa m3/s: pi d^4 (pu^2 - pd^2) / (256 eta L), isothermal ideal gas."""
    mean = 0.5 * (upstream_pa + downstream_pa)
    return viscous_conductance(diameter, length, viscosity, mean) * (upstream_pa - downstream_pa)


def laminar_diameter(
    throughput: Array, length: float, viscosity: float, upstream_pa: float, downstream_pa: float
) -> Array:
    """The diameter in m that has this laminar throughput; inverse of :func:`laminar_throughput`."""
    squares = upstream_pa**2 - downstream_pa**2
    return (256 * viscosity * length * np.asarray(throughput) / (np.pi * squares)) ** 0.25


def mean_molecular_speed(molar_mass: float, temperature_k: float) -> float:
    """Mean speed of a gas molecule in m/s: sqrt(8 R T / (pi M))."""
    return float(np.sqrt(8 * GAS_CONSTANT * temperature_k / (np.pi * molar_mass)))


def molecular_tube_conductance(diameter: Array, length: float, molar_mass: float, temperature_k: float) -> Array:
    """Free-molecular conductance of a long round tube in m3/s: pi d^3 v / (12 L). Knudsen 1909."""
    return np.pi * diameter**3 * mean_molecular_speed(molar_mass, temperature_k) / (12 * length)


def molecular_aperture_conductance(area: Array, molar_mass: float, temperature_k: float) -> Array:
    """Free-molecular conductance of a thin opening in m3/s: A v / 4."""
    return area * mean_molecular_speed(molar_mass, temperature_k) / 4


def knudsen_factor(diameter: Array, viscosity: float, molar_mass: float, temperature_k: float, mean_pa: float) -> Array:
    """Weight of the molecular term beside the laminar one: 1 in high vacuum, 1/1.24 in dense gas.

    (1 + y)/(1 + 1.24 y) with y = d p sqrt(M/(R T)) / eta. Knudsen 1909, Ann. Phys. 333, 75 (from memory).
    """
    y = diameter * (mean_pa * math.sqrt(molar_mass / (GAS_CONSTANT * temperature_k)) / viscosity)
    return (1 + y) / (1 + 1.24 * y)


def tube_throughput(
    diameter: Array,
    length: float,
    viscosity: float,
    molar_mass: float,
    temperature_k: float,
    upstream_pa: float,
    downstream_pa: float,
) -> Array:
    """Gas flow through a long tube at any pressure in Pa m3/s: laminar plus weighted molecular term. Knudsen 1909."""
    laminar = laminar_throughput(diameter, length, viscosity, upstream_pa, downstream_pa)
    molecular = molecular_tube_conductance(diameter, length, molar_mass, temperature_k) * (upstream_pa - downstream_pa)
    weight = knudsen_factor(diameter, viscosity, molar_mass, temperature_k, 0.5 * (upstream_pa + downstream_pa))
    return laminar + weight * molecular


def critical_pressure_ratio(heat_capacity_ratio: float) -> float:
    """Downstream over upstream pressure below which an orifice chokes: (2/(g+1))^(g/(g-1))."""
    return float((2 / (heat_capacity_ratio + 1)) ** (heat_capacity_ratio / (heat_capacity_ratio - 1)))


def choked_flux(molar_mass: float, heat_capacity_ratio: float, temperature_k: float, upstream_pa: float) -> float:
    """Sonic mass flow of an ideal gas in kg/(s m2): p sqrt(g M / (R T)) (2/(g+1))^((g+1)/(2(g-1)))."""
    g = heat_capacity_ratio
    sonic = np.sqrt(g * molar_mass / (GAS_CONSTANT * temperature_k)) * (2 / (g + 1)) ** ((g + 1) / (2 * (g - 1)))
    return float(upstream_pa * sonic)


def gas_orifice_flux(
    molar_mass: float, heat_capacity_ratio: float, temperature_k: float, upstream_pa: float, downstream_pa: float
) -> float:
    """Mass flow of an ideal gas through a frictionless opening in kg/(s m2). Saint-Venant, Wantzel 1839."""
    g = heat_capacity_ratio
    ratio = max(downstream_pa / upstream_pa, critical_pressure_ratio(g))
    shape = 2 * g / (g - 1) * (ratio ** (2 / g) - ratio ** ((g + 1) / g))
    return float(upstream_pa * np.sqrt(molar_mass / (GAS_CONSTANT * temperature_k) * max(shape, 0.0)))


def liquid_orifice_flux(density: float, upstream_pa: float, downstream_pa: float) -> float:
    """Mass flow of a liquid through a frictionless opening in kg/(s m2): sqrt(2 rho dp). Torricelli."""
    return float(np.sqrt(2 * density * (upstream_pa - downstream_pa)))


def laminar_liquid_rate(
    diameter: Array, length: float, viscosity: float, density: float, upstream_pa: float, downstream_pa: float
) -> Array:
    """Laminar liquid flow through a long round tube in kg/s: pi d^4 rho dp / (128 eta L). Hagen and Poiseuille."""
    return np.pi * diameter**4 * density * (upstream_pa - downstream_pa) / (128 * viscosity * length)


def in_series(channel: Array, orifice: Array) -> Array:
    """The flow x of a channel whose entrance is an orifice: x / channel + (x / orifice)^2 = 1; same unit as given.

    Both share one pressure difference, the channel's part grows with the flow, the orifice's with its square. For a
    liquid that is exact; for a gas the squares of the pressures play this part. Always below both flows, near the
    lesser where they differ much, and smooth between. Zero where either is zero.
    """
    channel, orifice = np.broadcast_arrays(np.asarray(channel, dtype=float), np.asarray(orifice, dtype=float))
    ratio = np.divide(channel, orifice, out=np.zeros(channel.shape), where=orifice > 0)
    flow = 2 * channel / (1 + np.sqrt(1 + 4 * ratio**2))
    return np.where(orifice > 0, flow, 0.0)


def laminar_multiplier(
    viscosities: tuple[float, float], upstream_pa: tuple[float, float], downstream_pa: tuple[float, float]
) -> float:
    """Throughput in a second condition over that in a first, same hole and temperature, laminar (EN 1779 annex, from
    memory): eta1/eta2 (pu2^2 - pd2^2)/(pu1^2 - pd1^2). Each pair is (first, second)."""
    squares = [up**2 - down**2 for up, down in zip(upstream_pa, downstream_pa, strict=True)]
    return viscosities[0] / viscosities[1] * squares[1] / squares[0]


def molecular_multiplier(
    molar_masses: tuple[float, float], upstream_pa: tuple[float, float], downstream_pa: tuple[float, float]
) -> float:
    """Throughput in a second condition over that in a first, same hole and temperature, molecular (EN 1779 annex, from
    memory): sqrt(M1/M2) dp2/dp1. Each pair is (first, second)."""
    drops = [up - down for up, down in zip(upstream_pa, downstream_pa, strict=True)]
    return float(np.sqrt(molar_masses[0] / molar_masses[1])) * drops[1] / drops[0]

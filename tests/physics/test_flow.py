"""From leak size to leak rate: definition, limits, order, and figures worked by hand."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.errors import InputError
from leakinfer.physics import laws
from leakinfer.physics.flow import Phase, diameter_of, gas_throughput, leak_rate, load_channel, size_of
from leakinfer.physics.properties import load_properties
from leakinfer.physics.units import GAS_CONSTANT, fahrenheit_to_kelvin, kg_s_to_g_per_year

PROPERTIES = load_properties()
R410A, AIR, NITROGEN, HELIUM = (PROPERTIES.fluid(name) for name in ("R-410A", "air", "nitrogen", "helium"))
SIZES = np.logspace(-11, 1, 49)
ATM, STANDING = 101_325.0, fahrenheit_to_kelvin(70.0)
PHASES: tuple[Phase, ...] = ("vapour", "liquid")


def grams(sizes: float | np.ndarray, phase: Phase = "vapour", pressure: float = 14.9e5) -> np.ndarray:
    """g/yr of R-410A at 70 F."""
    return kg_s_to_g_per_year(1.0) * leak_rate(sizes, R410A, pressure, ATM, STANDING, phase)


@pytest.mark.parametrize(("rate", "micrometre"), [(5, 1.26), (50, 2.2), (500, 4.0), (5000, 7.1)])
def test_laminar_capillary_of_r410a(rate: float, micrometre: float) -> None:
    """A 1 mm laminar capillary at 14.9 bar absolute: 5 g/yr is 1.26 um wide, and so on with the fourth root.

    Closed form pi d^4 (pu^2 - pd^2) M / (256 eta L R T), written out here.
    """
    pressure_term = (14.9e5**2 - ATM**2) * R410A.molar_mass / (GAS_CONSTANT * STANDING)
    mass = rate * 1e-3 / 31_557_600
    wide = (256 * 12.7e-6 * load_channel().length * mass / (math.pi * pressure_term)) ** 0.25
    assert wide * 1e6 == pytest.approx(micrometre, rel=0.02)
    assert float(diameter_of(size_of(wide))) == pytest.approx(wide, rel=1e-12)
    assert grams(float(size_of(wide))) == pytest.approx(rate, rel=0.15 if rate < 1000 else 0.5)


def test_size_is_the_laminar_rate_of_dry_air_from_one_bar_to_vacuum() -> None:
    """The definition, recomputed: pi d^4 (1 bar)^2 / (256 eta L), viscosity of air 18.2 uPa s (CRC, from memory)."""
    diameters = diameter_of(SIZES)
    again = math.pi * diameters**4 * 1e10 / (256 * 18.2e-6 * 1e-3)
    assert again == pytest.approx(SIZES, rel=2e-3)


def test_middling_leaks_scale_as_laminar() -> None:
    """Where neither molecules nor the opening matter, R-410A over nitrogen is the laminar multiplier, within 8 %."""
    size = 3e-7
    temperature = 293.15
    rates = [float(gas_throughput(size, fluid, 14e5, ATM, temperature)) for fluid in (NITROGEN, R410A)]
    ratio = NITROGEN.vapour_viscosity(temperature) / R410A.vapour_viscosity(temperature)
    assert rates[1] / rates[0] == pytest.approx(ratio, rel=0.08)


def test_smallest_leaks_scale_as_molecular() -> None:
    """At 1e-16 Pa m3/s and low pressure: helium over R-134a is sqrt(102.03/4.0026) = 5.05 by volume, within 2 %."""
    r134a = PROPERTIES.fluid("R-134a")
    helium, heavy = (float(gas_throughput(1e-16, fluid, 2e4, 0.0, 293.15)) for fluid in (HELIUM, r134a))
    assert helium / heavy == pytest.approx(5.05, rel=0.02)


def test_largest_leaks_are_choked() -> None:
    """A hole as wide as its channel is long passes C_d A times the choked flux, within 15 %; never more."""
    wide = 1e-3
    rate = float(leak_rate(size_of(wide), R410A, 14.9e5, ATM, STANDING, "vapour"))
    flux = 14.9e5 * math.sqrt(1.1675 * 0.0725854 / (8.31446 * STANDING)) * (2 / 2.1675) ** (2.1675 / 0.335)
    choked = load_channel().discharge_coefficient * math.pi / 4 * wide**2 * flux
    assert 0.85 * choked < rate < choked


@pytest.mark.parametrize(
    ("name", "ratio"), [("R-410A", 10.5), ("R-32", 11.4), ("R-290", 11.9), ("R-22", 12.5), ("R-134a", 14.4)]
)
def test_liquid_over_vapour_through_the_same_hole(name: str, ratio: float) -> None:
    """sqrt(2 rho dp) over the choked vapour flux at the saturation pressure of 70 F, computed with CoolProp 8."""
    fluid = PROPERTIES.fluid(name)
    pressure = fluid.bubble_pressure(STANDING)
    liquid = laws.liquid_orifice_flux(fluid.liquid_density(STANDING), pressure, ATM)
    vapour = laws.choked_flux(fluid.molar_mass, fluid.heat_capacity_ratio, STANDING, pressure)
    assert liquid / vapour == pytest.approx(ratio, rel=0.015)


def test_liquid_leaks_weigh_several_times_vapour_leaks() -> None:
    """Over the sizes that matter a liquid leak loses 3 to 12 times the mass of a vapour leak."""
    sizes = np.logspace(-9, -2, 29)
    ratio = grams(sizes, "liquid") / grams(sizes, "vapour")
    assert np.all((ratio > 3) & (ratio < 12))


def test_vapour_rate_is_below_both_of_its_limits() -> None:
    """Neither the channel alone nor the opening alone passes less."""
    rate = leak_rate(SIZES, R410A, 14.9e5, ATM, STANDING, "vapour")
    wide, channel = diameter_of(SIZES), load_channel()
    mass, viscosity = R410A.molar_mass, R410A.vapour_viscosity(STANDING)
    tube = laws.tube_throughput(wide, channel.length, viscosity, mass, STANDING, 14.9e5, ATM)
    opening = laws.gas_orifice_flux(mass, R410A.heat_capacity_ratio, STANDING, 14.9e5, ATM) * math.pi / 4 * wide**2
    assert np.all(rate <= tube * mass / (GAS_CONSTANT * STANDING))
    assert np.all(rate <= channel.discharge_coefficient * opening)
    assert rate[0] == pytest.approx(float(tube[0]) * mass / (GAS_CONSTANT * STANDING), rel=1e-3)


@pytest.mark.parametrize("phase", PHASES)
def test_rate_rises_with_size(phase: Phase) -> None:
    """Strictly, over twelve decades."""
    assert np.all(np.diff(grams(SIZES, phase)) > 0)


@given(
    st.sampled_from(["R-22", "R-410A", "R-454B", "R-744", "R-290"]),
    st.sampled_from(PHASES),
    st.floats(0, 6e6),
    st.floats(1e3, 1e6),
    st.floats(0, 3e6),
    st.floats(240, 300),
)
def test_rate_rises_with_upstream_and_falls_with_downstream_pressure(
    name: str, phase: Phase, upstream: float, step: float, downstream: float, temperature: float
) -> None:
    """Never negative, and zero exactly when nothing drives it."""
    fluid = PROPERTIES.fluid(name)
    low, high = (leak_rate(SIZES, fluid, p, downstream, temperature, phase) for p in (upstream, upstream + step))
    back = leak_rate(SIZES, fluid, upstream + step, downstream + 0.5 * step, temperature, phase)
    assert np.all(low >= 0)
    assert np.all(high >= low * (1 - 1e-9))
    assert np.all(back <= high * (1 + 1e-9))
    assert np.all((high > 0) == (upstream + step > downstream))


@pytest.mark.parametrize("phase", PHASES)
def test_no_flow_without_a_pressure_difference(phase: Phase) -> None:
    """Upstream at or below downstream: zero, also for a system in vacuum."""
    for pressures in ((ATM, ATM), (50.0, ATM), (0.0, 0.0)):
        assert not leak_rate(SIZES, R410A, *pressures, STANDING, phase).any()
    assert leak_rate(np.array([0.0]), R410A, 1e6, ATM, STANDING, phase).tolist() == [0.0]


def test_shape_is_that_of_the_sizes() -> None:
    """Scalars, vectors and unequal axes pass through."""
    for shape in ((), (3,), (2, 5)):
        sizes = np.full(shape, 1e-7)
        assert leak_rate(sizes, R410A, 1e6, ATM, STANDING, "vapour").shape == shape


def test_gas_throughput_is_the_mass_as_gas_at_20_c() -> None:
    """m R 293.15 / M, whatever the fluid's own temperature."""
    mass = leak_rate(SIZES, NITROGEN, 35e5, ATM, 303.15, "vapour")
    gas = gas_throughput(SIZES, NITROGEN, 35e5, ATM, 303.15)
    assert gas == pytest.approx(mass * 8.31446261815324 * 293.15 / 0.0280134, rel=1e-5)


def test_order_of_pressures_and_phase_in_a_running_system() -> None:
    """Standing indoor coil above running one; liquid line above both (R-410A, 8 bar suction, 25 bar liquid)."""
    running, standing = (grams(1e-7, "vapour", p) for p in (8e5, 14.5e5))
    liquid_line = grams(1e-7, "liquid", 25e5)
    assert all(a < b for a, b in pairwise([float(running), float(standing), float(liquid_line)]))


@pytest.mark.parametrize(
    ("sizes", "pressure", "temperature", "phase", "words"),
    [
        ([-1e-9], 1e6, 293.15, "vapour", "negative"),
        ([math.nan], 1e6, 293.15, "vapour", "not finite"),
        ([1e-9], -1.0, 293.15, "vapour", "absolute"),
        ([1e-9], math.inf, 293.15, "vapour", "absolute"),
        ([1e-9], 1e6, 500.0, "vapour", "-40.0 to 120.0 C"),
        ([1e-9], 1e6, math.nan, "vapour", "outside"),
        ([1e-9], 1e6, 293.15, "solid", "vapour, liquid"),
    ],
)
def test_nonsense_is_refused(sizes: list[float], pressure: float, temperature: float, phase: Phase, words: str) -> None:
    """With what is allowed."""
    with pytest.raises(InputError, match=words):
        leak_rate(sizes, R410A, pressure, ATM, temperature, phase)


def test_a_test_gas_is_never_liquid() -> None:
    """Nitrogen in a system does not condense."""
    with pytest.raises(InputError, match="does not condense"):
        leak_rate([1e-9], NITROGEN, 1e6, ATM, 293.15, "liquid")

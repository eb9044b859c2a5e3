"""The closed forms against vacuum handbooks and kinetic theory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.physics import laws
from leakinfer.physics.properties import load_properties

AIR_MASS, AIR_VISCOSITY, TWENTY = 0.028965, 18.2e-6, 293.15  # kg/mol, Pa s, K; CRC Handbook (viscosity from memory)
ATM = 101_325.0


def viscosity_20(name: str) -> float:
    """Gas viscosity at 20 C, Pa s."""
    return load_properties().fluid(name).vapour_viscosity(TWENTY)


def test_laminar_scaling_with_pressure() -> None:
    """10 to 20 atm absolute, both to 1 atm: (400 - 1)/(100 - 1) = 4.030 (engineering note on leak conversion)."""
    factor = laws.laminar_multiplier((1.0, 1.0), (10 * ATM, 20 * ATM), (ATM, ATM))
    assert factor == pytest.approx(399 / 99, rel=1e-12) == pytest.approx(4.030, abs=5e-4)


def test_gauge_pressures_in_the_squares_are_wrong() -> None:
    """The same step written in gauge, 9 to 19 atm to 0, would give 4.457: 10 % too much."""
    absolute = laws.laminar_multiplier((1.0, 1.0), (10 * ATM, 20 * ATM), (ATM, ATM))
    gauge = laws.laminar_multiplier((1.0, 1.0), (9 * ATM, 19 * ATM), (0.0, 0.0))
    assert gauge / absolute == pytest.approx((361 / 81) / (399 / 99), rel=1e-12)
    assert gauge / absolute > 1.1


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("helium", "air", 1.077),
        ("helium", "R-134a", 1.688),
        ("helium", "R-410A", 1.551),
        ("nitrogen", "R-410A", 1.389),
        ("nitrogen", "R-290", 2.194),
    ],
)
def test_viscosity_ratios(first: str, second: str, expected: float) -> None:
    """Laminar multipliers at 20 C and 1 atm, by CoolProp 8; a leak-testing note gives helium to air as 1.08."""
    pressures = ((2 * ATM, 2 * ATM), (ATM, ATM))
    factor = laws.laminar_multiplier((viscosity_20(first), viscosity_20(second)), *pressures)
    assert factor == pytest.approx(expected, abs=1.5e-3)


def test_nitrogen_to_r22_uses_the_better_viscosity() -> None:
    """VDI Heat Atlas: 12.66 uPa s for R-22 at 20 C, so 1.388. CoolProp's 13.55 would give 1.297, 7 % less."""
    assert viscosity_20("nitrogen") / viscosity_20("R-22") == pytest.approx(17.57 / 12.66, rel=2e-3)


def test_molecular_scaling() -> None:
    """Helium to R-134a, pV units: sqrt(4.0026/102.03) = 0.198; in mass 102.03/4.0026 times that, 5.05."""
    masses = [load_properties().fluid(name).molar_mass for name in ("helium", "R-134a")]
    factor = laws.molecular_multiplier((masses[0], masses[1]), (ATM, ATM), (0.0, 0.0))
    assert factor == pytest.approx(0.198, abs=5e-4)
    assert factor * masses[1] / masses[0] == pytest.approx(5.05, abs=5e-3)
    assert laws.molecular_multiplier((1.0, 1.0), (10 * ATM, 20 * ATM), (ATM, ATM)) == pytest.approx(19 / 9, rel=1e-12)


def test_handbook_conductances_for_air_at_20_c() -> None:
    """Vacuum handbooks (from memory), d and L in cm, mbar, l/s: 135 d^4 p/L, 12.1 d^3/L, 11.6 an open cm2."""
    centimetre = np.array(0.01)
    viscous = laws.viscous_conductance(centimetre, 0.01, AIR_VISCOSITY, 100.0) * 1e3
    tube = laws.molecular_tube_conductance(centimetre, 0.01, AIR_MASS, TWENTY) * 1e3
    aperture = laws.molecular_aperture_conductance(np.array(1e-4), AIR_MASS, TWENTY) * 1e3
    assert viscous == pytest.approx(135, rel=5e-3)
    assert tube == pytest.approx(12.1, rel=5e-3)
    assert aperture == pytest.approx(11.6, rel=5e-3)


def test_choked_air_is_20_litres_a_second_and_cm2() -> None:
    """Vacuum handbooks (from memory): choked air at 20 C, volume at upstream pressure, 20 l/s through 1 cm2."""
    volume = laws.choked_flux(AIR_MASS, 1.4, TWENTY, ATM) / (ATM * AIR_MASS / (8.31446 * TWENTY))
    assert volume * 1e3 * 1e-4 == pytest.approx(20.0, rel=0.01)


def test_choked_air_in_the_classic_form() -> None:
    """Fliegner 1877: kg/s = 0.0404 p A / sqrt(T) for air, SI (gas dynamics textbooks)."""
    assert laws.choked_flux(0.028966, 1.4, 300.0, 5e5) == pytest.approx(0.0404 * 5e5 / 300.0**0.5, rel=2e-3)


def test_critical_pressure_ratio() -> None:
    """0.528 for a diatomic gas, 0.487 for a monatomic one (gas dynamics textbooks)."""
    assert laws.critical_pressure_ratio(1.4) == pytest.approx(0.528, abs=5e-4)
    assert laws.critical_pressure_ratio(5 / 3) == pytest.approx(0.487, abs=5e-4)


def test_orifice_flow_chokes_at_the_critical_ratio_and_vanishes_without_a_pressure_difference() -> None:
    """Below the critical ratio the flow is the choked one, above it less; small differences give sqrt(2 rho dp)."""
    choked = laws.choked_flux(AIR_MASS, 1.4, TWENTY, 3e5)
    assert laws.gas_orifice_flux(AIR_MASS, 1.4, TWENTY, 3e5, 0.0) == pytest.approx(choked, rel=1e-12)
    assert laws.gas_orifice_flux(AIR_MASS, 1.4, TWENTY, 3e5, 1.5e5) == pytest.approx(choked, rel=1e-12)
    assert laws.gas_orifice_flux(AIR_MASS, 1.4, TWENTY, 3e5, 2e5) < 0.99 * choked
    assert laws.gas_orifice_flux(AIR_MASS, 1.4, TWENTY, 3e5, 3e5) == 0
    density = 3e5 * AIR_MASS / (8.31446 * TWENTY)
    small = laws.gas_orifice_flux(AIR_MASS, 1.4, TWENTY, 3e5, 3e5 - 300)
    assert small == pytest.approx(laws.liquid_orifice_flux(density, 3e5, 3e5 - 300), rel=1e-3)


def test_helium_orifice_flow_is_2_7_times_that_of_air() -> None:
    """Molecular flow by volume: sqrt(28.97/4.00) = 2.69 (public leak-testing texts)."""
    helium, air = (laws.molecular_aperture_conductance(np.array(1.0), mass, TWENTY) for mass in (0.0040026, AIR_MASS))
    assert helium / air == pytest.approx(2.69, abs=5e-3)


def test_knudsen_minimum() -> None:
    """A long tube's conductance first falls below its high-vacuum value, by about 5 %, then rises (Knudsen 1909)."""
    diameter, length = np.array(1e-3), 1.0
    mean = np.logspace(-3, 4, 2000)
    molecular = laws.molecular_tube_conductance(diameter, length, AIR_MASS, TWENTY)
    flows = np.array(
        [laws.tube_throughput(diameter, length, AIR_VISCOSITY, AIR_MASS, TWENTY, p * 1.001, p * 0.999) for p in mean]
    )
    relative = flows / (mean * 0.002) / molecular
    assert relative[0] == pytest.approx(1.0, abs=1e-3)
    assert relative.min() == pytest.approx(0.95, abs=0.01)
    assert relative[-1] > 10


def test_laminar_diameter_inverts_the_flow() -> None:
    """And the diameter goes with the fourth root of the flow."""
    flows = np.logspace(-10, 0, 11)
    diameters = laws.laminar_diameter(flows, 1e-3, AIR_VISCOSITY, 3e5, 1e5)
    assert laws.laminar_throughput(diameters, 1e-3, AIR_VISCOSITY, 3e5, 1e5) == pytest.approx(flows, rel=1e-12)
    assert diameters[4] / diameters[0] == pytest.approx(10.0, rel=1e-12)


positive = st.floats(1e-12, 1e3)


@given(positive, positive)
def test_series_flow_solves_its_equation(channel: float, orifice: float) -> None:
    """x/c + (x/o)^2 = 1, so x is below both."""
    flow = float(laws.in_series(np.array(channel), np.array(orifice)))
    assert flow / channel + (flow / orifice) ** 2 == pytest.approx(1.0, rel=1e-9)
    assert 0 < flow <= min(channel, orifice) * (1 + 1e-12)


def test_series_flow_is_zero_when_either_is() -> None:
    """No division by zero, no NaN."""
    assert laws.in_series(np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])).tolist() == [0, 0, 0]

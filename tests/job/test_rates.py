"""From a leak's size to what it loses in a state of the system, and which leaks matter."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from leakinfer.job.belief import Belief
from leakinfer.job.rates import STEADY, Rates
from leakinfer.physics.flow import leak_rate
from leakinfer.physics.properties import load_properties

from .small import CATALOGUE, RUNNING, STANDING, job_on, shipped_job, site, system

Array = NDArray[np.float64]
SHIPPED = ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store")


def rates(**facts: Any) -> Rates:
    job = job_on(system(site("core", "valve_core")), **facts)
    return Rates(job.system, job.facts, job.catalogue)


def steady(found: Rates, values: Array) -> Array:
    """(sizes,): of values by state, those of the leaks that are open all the time."""
    return np.asarray(values[1:][found.modes == STEADY])


@pytest.mark.parametrize(("charge", "least"), [(0.3, 5.0), (0.5, 5.0), (2.0, 20.0), (100.0, 1000.0)])
def test_a_leak_matters_from_five_grams_or_a_hundredth_of_the_charge(charge: float, least: float) -> None:
    """5 g/yr: Reg. (EC) 1516/2007 with EN 14624 (secondary)."""
    assert rates(charge_kg=charge).matters_g_per_year == pytest.approx(least)


def test_a_person_may_say_what_matters() -> None:
    assert rates(matters_g_per_year=42.0).matters_g_per_year == 42.0


@pytest.mark.parametrize("section", ["liquid_line", "hot_gas", "suction"])
def test_the_mask_holds_the_leaks_at_or_above_it(section: str) -> None:
    found = rates(charge_kg=2.0)
    mask, year = found.matters(section), found.year(section)
    assert not mask[0]
    assert np.all(year[mask] >= 20)
    assert np.all(year[~mask] < 20)
    assert 0 < mask.sum() < mask.size


@pytest.mark.parametrize("name", SHIPPED)
def test_yearly_loss_rises_with_size_everywhere(name: str) -> None:
    belief = Belief(shipped_job(name))
    for section in belief.rates.sections:
        assert belief.rates.year(section)[0] == 0
        year = steady(belief.rates, belief.rates.year(section))
        assert year[0] > 0
        assert np.all(np.diff(year) > 0)


def test_a_year_lies_between_running_and_standing() -> None:
    found = rates()
    for section in ("hot_gas", "suction"):
        ends = np.sort([steady(found, found.g_per_year(section, c)) for c in (STANDING, RUNNING)], axis=0)
        assert np.all(steady(found, found.year(section)) > 0.5 * ends[0])
        assert np.all(steady(found, found.year(section)) < ends[1])


def test_running_raises_the_high_side_and_lowers_the_low_side() -> None:
    found = rates()
    hot, cold = (
        [steady(found, found.g_per_year(section, c)) for c in (STANDING, RUNNING)] for section in ("hot_gas", "suction")
    )
    assert np.all(hot[1] > hot[0])
    assert np.all(cold[1] < cold[0])


def test_standing_all_sections_lose_alike() -> None:
    """One pressure everywhere. Leaks that only the highest pressure opens are another matter: it differs by section."""
    found = rates()
    hot, liquid, cold = (
        steady(found, found.g_per_year(name, STANDING)) for name in ("hot_gas", "liquid_line", "suction")
    )
    np.testing.assert_allclose(hot, cold)
    np.testing.assert_allclose(liquid, cold)


@pytest.mark.parametrize(
    ("refrigerant", "ratio"), [("R-410A", 10.5), ("R-32", 11.4), ("R-290", 11.9), ("R-22", 12.5), ("R-134a", 14.4)]
)
def test_liquid_loses_about_ten_times_more_through_a_wide_hole(refrigerant: str, ratio: float) -> None:
    """Bernoulli's liquid over choked vapour at the saturation pressure of 21 C, no flashing; ratios computed
    from sqrt(2 rho dp) and p sqrt(g M / (R T)) (2 / (g + 1))^((g + 1) / (2 (g - 1))) with CoolProp 8."""
    fluid, kelvin = load_properties().fluid(refrigerant), 294.15
    pressure = fluid.dew_pressure(kelvin)
    liquid, vapour = (float(leak_rate(1e6, fluid, pressure, 101325.0, kelvin, phase)) for phase in ("liquid", "vapour"))
    assert liquid / vapour == pytest.approx(ratio, rel=0.01)


def test_a_liquid_line_loses_three_to_ten_times_more_than_hot_gas_at_the_same_pressure() -> None:
    """Three times through a fine laminar hole, the more the wider it is."""
    found = rates()
    assert found.pressure_pa("liquid_line", RUNNING) == pytest.approx(found.pressure_pa("hot_gas", RUNNING), rel=0.01)
    liquid, hot = (steady(found, found.g_per_year(name, RUNNING)) for name in ("liquid_line", "hot_gas"))
    ratio = liquid / hot
    assert np.all(np.diff(ratio) > 0)
    assert 2.5 < ratio[0] < 4
    assert 6 < ratio[-1] < 12


def test_bubbles_are_judged_by_the_volume_of_gas() -> None:
    """5 g/yr of R-410A are 5.32e-5 mbar l/s at 20 C: 5.32e-6 Pa m3/s (ideal gas)."""
    found, method = rates(), CATALOGUE.methods["bubbles"]
    grams, gas = (
        steady(found, of_section)
        for of_section in (found.g_per_year("suction", STANDING), found.at_probe(method, "suction", STANDING))
    )
    np.testing.assert_allclose(gas / grams, 5.32e-6 / 5, rtol=2e-3)


def test_a_known_loss_shows_in_the_expected_yearly_loss() -> None:
    """0.8 kg in two years: of what is believed to leak, most lies between a fifth and five times 400 g a year."""
    belief = Belief(shipped_job("ducted_split", first_charge_weighed=True, loss={"kg": 0.8, "years": 2.0}))
    assert 80 < sum(belief.expected_g_per_year.values()) < 2000

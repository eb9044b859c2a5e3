"""Vacuum rises against worked examples, an independent integration, steam tables and what the trade says of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from leakinfer.errors import InputError
from leakinfer.physics import vacuum
from leakinfer.physics.readings import load_settings
from leakinfer.physics.units import ATMOSPHERE, mbar_litre_to_throughput, micron_to_pa
from leakinfer.physics.vacuum import RiseReading

WATER_20_C = 2339.0  # Pa, steam tables; 17,550 microns
MATTERS = 1e-5  # Pa m3/s


def rise(
    start: float,
    end: float,
    minutes: float = 20.0,
    middle: float | None = None,
    litres: float = 5.0,
    celsius: float = 20.0,
) -> RiseReading:
    """A rise in microns; the middle reading at half the time."""
    return RiseReading(
        start_pa=micron_to_pa(start),
        end_pa=micron_to_pa(end),
        minutes=minutes,
        temperature_c=celsius,
        volume_l=litres,
        middle_pa=None if middle is None else micron_to_pa(middle),
        middle_minutes=None if middle is None else minutes / 2,
    )


def test_five_hundred_microns_in_ten_minutes() -> None:
    """500 um in 10 min in 5 l: 5.56e-3 mbar l/s (V dp/t)."""
    flow, sd, relative = vacuum.rise_statistics(rise(0.0, 500.0, 10.0))
    assert flow == pytest.approx(mbar_litre_to_throughput(5.56e-3), rel=1e-3)
    assert sd > micron_to_pa(50) * 0.005 / 600
    assert relative == load_settings().numbers["vacuum_calibration_error"]


@pytest.mark.parametrize("flow", [1e-4, 0.02, 0.5])
def test_filling_against_an_integration(flow: float) -> None:
    """dp/dt = q T/T20/V (1 - (p/patm)^2) by scipy's solver, up to nearly the atmosphere."""
    speed = flow * 308.15 / 293.15 / 0.005
    solved = integrate.solve_ivp(
        lambda _, p: speed * (1 - (p / ATMOSPHERE) ** 2), (0, 1800), [30.0], rtol=1e-10, atol=1e-6
    )
    assert float(vacuum.air_pressure(30.0, flow, 30.0, 5.0, 35.0)) == pytest.approx(solved.y[0, -1], rel=1e-7)


@given(st.floats(-7, -2), st.floats(1, 200), st.floats(1, 60), st.floats(0.5, 50), st.floats(0, 60))
def test_a_reading_made_from_a_flow_gives_it_back(
    log_flow: float, start: float, minutes: float, litres: float, celsius: float
) -> None:
    """Air only. A rise that is small beside the start is lost to rounding, hence the absolute part."""
    flow = 10**log_flow
    end = float(vacuum.air_pressure(start, flow, minutes, litres, celsius))
    if end > 0.99 * ATMOSPHERE:
        return
    made = RiseReading(start_pa=start, end_pa=end, minutes=minutes, temperature_c=celsius, volume_l=litres)
    assert vacuum.rise_statistics(made).flow == pytest.approx(flow, rel=1e-6, abs=1e-13 * litres / minutes)


def test_moisture_levels_off_at_waters_vapour_pressure() -> None:
    """First-order approach: 63.2 % after one time constant, all of it after many; none if the start is above it."""
    height = WATER_20_C - 50
    assert vacuum.moisture_rise(50.0, WATER_20_C, 6.0, 6.0) == pytest.approx((1 - math.exp(-1)) * height)
    assert vacuum.moisture_rise(50.0, WATER_20_C, 6.0, 600.0) == pytest.approx(height)
    assert vacuum.moisture_rise(5000.0, WATER_20_C, 6.0, 600.0) == 0.0


def test_pressures_have_a_row_for_each_flow() -> None:
    """(flows, readings), middle before end; with moisture more than without, by the same at any flow."""
    reading, flows = rise(100, 900, middle=600), [0.0, 1e-5, 1e-3]
    dry, wet = vacuum.rise_pressures(reading, flows), vacuum.rise_pressures(reading, flows, 500.0, 10.0)
    assert dry.shape == wet.shape == (3, 2)
    assert np.all(np.diff(dry[1:]) > 0)
    assert dry[0] == pytest.approx(np.full(2, reading.start_pa))
    lifted = (500 - reading.start_pa) * (1 - np.exp(-np.array([10.0, 20.0]) / 10))
    assert wet - dry == pytest.approx(np.tile(lifted, (3, 1)))


def test_density_is_that_of_the_two_readings_together() -> None:
    """scipy's bivariate normal with the covariance written out: own, shared and stretched parts."""
    numbers, reading, flow = load_settings().numbers, rise(150, 900, middle=520), 8e-4
    predicted = vacuum.rise_pressures(reading, [flow])[0]
    stretch = numbers["vacuum_calibration_error"] * (predicted - reading.start_pa)
    own = (numbers["vacuum_repeatability"] * predicted) ** 2 + numbers["vacuum_resolution_pa"] ** 2
    start = (numbers["vacuum_repeatability"] * reading.start_pa) ** 2 + numbers["vacuum_resolution_pa"] ** 2
    covariance = np.diag(own) + start + numbers["vacuum_settling_pa"] ** 2 + np.outer(stretch, stretch)
    expected = stats.multivariate_normal(predicted, covariance).pdf([reading.middle_pa, reading.end_pa])
    assert vacuum.dry_likelihood(reading, [flow])[0] == pytest.approx(expected, rel=1e-9)


def test_likelihood_is_a_density_of_the_end() -> None:
    """Integrated over every end from 1 Pa to the atmosphere: one, for a leak and for none."""
    ends = np.geomspace(1.0, ATMOSPHERE * 0.999, 600)
    for flow in (0.0, 1e-4):
        made = [
            RiseReading(start_pa=60.0, end_pa=float(end), minutes=10.0, temperature_c=20.0, volume_l=5.0)
            for end in ends
        ]
        density = [float(vacuum.rise_likelihood(reading, [flow])[0]) for reading in made]
        assert integrate.trapezoid(density, ends) == pytest.approx(1.0, abs=0.01)


def test_likelihood_prefers_the_flow_behind_a_steady_climb() -> None:
    """A straight line from 100 to 1,300 um with a reading on it, on a grid of four flows a decade."""
    flows = np.geomspace(1e-7, 1e-1, 25)
    reading = rise(100, 1300, middle=700)
    best = flows[vacuum.rise_likelihood(reading, flows).argmax()]
    assert abs(math.log10(best / vacuum.rise_statistics(reading).flow)) < 0.25


def test_a_middle_reading_tells_moisture_from_a_leak() -> None:
    """Same end, climbing steadily or level since half the time: odds of a leak of that size to none."""
    flow = vacuum.rise_statistics(rise(100, 1300)).flow

    def odds(middle: float | None) -> float:
        none, leak = vacuum.rise_likelihood(rise(100, 1300, middle=middle), [0.0, flow])
        return float(leak / none)

    assert odds(1250) < 0.1 < odds(None) < odds(700)
    assert odds(700) > 20


def test_wet_and_dry_agree_where_the_start_is_above_the_water() -> None:
    """No plateau lies above the start, so moisture adds nothing."""
    reading = rise(20_000, 30_000, celsius=20.0)
    flows = [0.0, 1e-3, 1e-2]
    assert vacuum.wet_likelihood(reading, flows) == pytest.approx(vacuum.dry_likelihood(reading, flows))


@pytest.mark.parametrize(
    ("reading", "limit", "word"),
    [
        (rise(100, 1300, middle=700), MATTERS, "leaks"),  # steady climb
        (rise(100, 60_000), MATTERS, "leaks"),  # far above any vapour pressure of water at 20 C
        (rise(200, 17_300, 40, middle=16_500), MATTERS, "moisture"),  # levels off near 17,550 um
        (rise(100, 1300, middle=1250), MATTERS, "moisture"),  # levels off lower
        (rise(100, 1300), MATTERS, "cannot_tell"),  # one reading
        (rise(300, 320), MATTERS, "cannot_tell"),  # nothing seen, but a small leak would not show
        (rise(300, 320), 1e-3, "tight"),
        (rise(300, 299), 1e-3, "tight"),
    ],
)
def test_words(reading: RiseReading, limit: float, word: str) -> None:
    """Climbs without end: leak; levels off: moisture (common practice, no source)."""
    assert vacuum.rise_verdict(reading, limit) == word


def test_tight_to_takes_all_for_air() -> None:
    """Above the flow behind the rise by three errors, and less in a longer test."""
    short, long = rise(100, 150, 10), rise(100, 150, 60)
    assert vacuum.rise_tight_to(short) > vacuum.rise_statistics(short).flow
    assert vacuum.rise_tight_to(long) == pytest.approx(vacuum.rise_tight_to(short) / 6)


def test_a_ten_minute_rise_sees_gross_leaks_only() -> None:
    """A hole that loses 5 g/yr of R-410A is some 1.6e-8 Pa m3/s (laminar, computed); the least seen is far above."""
    assert vacuum.rise_tight_to(rise(300, 300, 10)) > 1000 * 1.6e-8


def test_a_dry_tight_circuit_is_seldom_called_leaking() -> None:
    """600 rises with settling and gauge noise. By Wilks a ratio of e^4.5 comes once in 740; if moisture's share in the
    mixture doubles that, 1.6 are expected, and more than 11 have a chance below 1e-6 (Poisson)."""
    rng, numbers = np.random.default_rng(3), load_settings().numbers
    own = math.hypot(numbers["vacuum_repeatability"] * 60, numbers["vacuum_resolution_pa"])
    shown = 60 + rng.normal(0, own, (600, 2)) + [0, 1] * rng.normal(0, numbers["vacuum_settling_pa"], (600, 1))
    made = [
        RiseReading(start_pa=float(start), end_pa=float(end), minutes=20.0, temperature_c=20.0, volume_l=5.0)
        for start, end in shown
    ]
    assert stats.poisson.sf(11, 600 * 2 / 740) < 1e-6
    assert sum(vacuum.rise_verdict(reading, MATTERS) == "leaks" for reading in made) <= 11


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"temperature_c": -5.0}, "water is ice"),
        ({"temperature_c": 70.0}, "was it F? 70 F are 21.1 C"),
        ({"start_pa": -1.0}, "start pressure in Pa absolute is -1"),
        ({"end_pa": 2e5}, "end pressure in Pa absolute is 200000"),
        ({"minutes": 0.0}, "minutes of the rise is 0; allowed: above 0"),
        ({"volume_l": math.nan}, "volume in litres is nan"),
        ({"end_pa": 10.0}, "pressure fell from 100 to 10 Pa"),
        ({"middle_pa": 120.0}, "needs both"),
        ({"middle_pa": 120.0, "middle_minutes": 20.0}, "is not before the end; allowed: below 20 min"),
        ({"middle_pa": 20.0, "middle_minutes": 5.0}, "pressure fell from 100 to 20 Pa"),
        ({"middle_pa": math.inf, "middle_minutes": 5.0}, "middle pressure in Pa absolute is inf"),
    ],
)
def test_impossible_rises(changes: dict[str, float], words: str) -> None:
    """One line each, naming the place."""
    fields = {"start_pa": 100.0, "end_pa": 150.0, "minutes": 20.0, "temperature_c": 20.0, "volume_l": 5.0} | changes
    with pytest.raises(InputError) as caught:
        vacuum.check_rise(RiseReading(**fields), "reading 2")
    assert str(caught.value).startswith("reading 2: ")
    assert words in str(caught.value)


def test_possible_rises() -> None:
    """With and without a middle, and a gauge that drifts down a little."""
    for reading in (rise(100, 150), rise(100, 150, middle=130), rise(300, 290)):
        vacuum.check_rise(reading, "reading")

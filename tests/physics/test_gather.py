"""Gas under a shroud against hand-made numbers and an independent integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy import integrate

from leakinfer.errors import InputError
from leakinfer.physics import gather
from leakinfer.physics.gather import GatherReading
from leakinfer.physics.readings import load_settings
from leakinfer.physics.units import ATMOSPHERE, mbar_litre_to_throughput


def reading(**changes: float) -> GatherReading:
    """100 l for 10 min at 20 C, 0 to 10 ppm, nothing escapes."""
    usual = GatherReading(
        volume_l=100.0,
        minutes=10.0,
        temperature_c=20.0,
        resolution_ppm=1.0,
        relative_error=0.1,
        start_ppm=0.0,
        end_ppm=10.0,
    )
    return replace(usual, **changes)


def test_one_cubic_centimetre_in_16_7_minutes() -> None:
    """At 1e-3 cm3/s (handbook table: 16.7 min for 1 cm3), so 1,000 ppm of a litre; at 1e-4 it takes 2.8 h."""
    for flow, minutes in ((1e-3, 16.667), (1e-4, 166.67)):
        litre = reading(volume_l=1.0, minutes=minutes, end_ppm=1000.0)
        assert gather.gather_statistics(litre).flow == pytest.approx(flow * 1e-6 * ATMOSPHERE, rel=1e-4)


def test_five_grams_a_year_under_a_shroud() -> None:
    """5 g/yr R-134a = 3.79e-5 mbar l/s at 20 C: 0.224 ppm of 100 l in ten minutes (by hand), 1.35 in an hour."""
    flow = mbar_litre_to_throughput(3.79e-5)
    assert float(gather.gathered_ppm(reading(), flow)) == pytest.approx(0.224, rel=5e-3)
    assert float(gather.gathered_ppm(reading(minutes=60.0), flow)) == pytest.approx(1.35, rel=5e-3)


@pytest.mark.parametrize("escape", [0.5, 4.0, 30.0])
def test_escape_against_an_integration(escape: float) -> None:
    """V dc/dt = v - e V (c - c0), by scipy's solver; 35 C, 12 ppm in the room."""
    made = reading(escape=escape, temperature_c=35.0, minutes=25.0, start_ppm=12.0)
    flow = 2e-5
    volume_flow = flow * 308.15 / 293.15 / 101_325
    solved = integrate.solve_ivp(
        lambda _, c: volume_flow / 0.1 * 1e6 - escape / 3600 * (c - 12), (0, 1500), [12.0], rtol=1e-10, atol=1e-9
    )
    assert 12 + float(gather.gathered_ppm(made, flow)) == pytest.approx(solved.y[0, -1], rel=1e-6)


@given(st.floats(-8, -3), st.floats(1, 2000), st.floats(1, 120), st.floats(0, 60), st.floats(-20, 60))
def test_a_reading_made_from_a_flow_gives_it_back(
    log_flow: float, litres: float, minutes: float, escape: float, celsius: float
) -> None:
    """Any shroud."""
    made = reading(volume_l=litres, minutes=minutes, escape=escape, temperature_c=celsius)
    made = replace(made, end_ppm=float(gather.gathered_ppm(made, 10**log_flow)))
    assert gather.gather_statistics(made).flow == pytest.approx(10**log_flow, rel=1e-9)


@given(st.floats(0.1, 10), st.floats(0.1, 10))
def test_scaling(times_volume: float, times_minutes: float) -> None:
    """The same rise in twice the air is twice the flow, in twice the time half; errors follow."""
    base = gather.gather_statistics(reading())
    other = gather.gather_statistics(reading(volume_l=100 * times_volume, minutes=10 * times_minutes))
    assert other.flow == pytest.approx(base.flow * times_volume / times_minutes)
    assert other.absolute_sd == pytest.approx(base.absolute_sd * times_volume / times_minutes)


def test_errors() -> None:
    """One step of one ppm in two readings: sqrt(2/12) ppm. Tight shroud: the instrument's relative error alone."""
    found = gather.gather_statistics(reading())
    assert found.absolute_sd == pytest.approx(found.flow / 10 * math.sqrt(2 / 12))
    assert found.relative_sd == 0.1


def test_a_guessed_escape_is_part_of_the_error() -> None:
    """Against a numerical derivative of the flow by the escape, at 3 exchanges an hour over half an hour."""
    flows = [gather.gather_statistics(reading(minutes=30.0, escape=3.0 * f)).flow for f in (0.999, 1.001)]
    slope = math.log(flows[1] / flows[0]) / math.log(1.001 / 0.999)
    expected = math.hypot(0.1, slope * load_settings().numbers["escape_relative_error"])
    assert gather.gather_statistics(reading(minutes=30.0, escape=3.0)).relative_sd == pytest.approx(expected, rel=1e-5)


def test_nothing_is_gained_by_waiting_when_all_escapes() -> None:
    """At 30 exchanges an hour the concentration is steady after minutes: v / (e V)."""
    steady = reading(escape=30.0, minutes=60.0)
    assert float(gather.gathered_ppm(steady, 1e-5)) == pytest.approx(1e-5 / ATMOSPHERE / (30 / 3600 * 0.1) * 1e6)
    assert float(gather.gathered_ppm(replace(steady, minutes=120.0), 1e-5)) == pytest.approx(
        float(gather.gathered_ppm(steady, 1e-5)), rel=1e-9
    )


def test_likelihood() -> None:
    """Peaks at the flow that was read, and never rules out by itself."""
    flow = gather.gather_statistics(reading()).flow
    shape = gather.gather_likelihood(reading(), flow * np.array([0.0, 0.5, 1.0, 3.0, 100.0]))
    assert shape.argmax() == 2
    assert shape.min() > 0
    assert shape[2] > 100 * shape[0]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"volume_l": 0.0}, "volume under the shroud in litres is 0"),
        ({"minutes": -3.0}, "minutes of gathering is -3"),
        ({"temperature_c": 75.0}, "was it F?"),
        ({"resolution_ppm": 0.0}, "resolution of the instrument in ppm is 0"),
        ({"relative_error": 2.0}, "relative error of the instrument is 2"),
        ({"escape": 600.0}, "exchanges of air an hour is 600"),
        ({"escape": -1.0}, "exchanges of air an hour is -1"),
        ({"start_ppm": -1.0}, "concentration at the start in ppm is -1"),
        ({"end_ppm": math.nan}, "concentration at the end in ppm is nan"),
        ({"end_ppm": 30_000.0}, "open the shroud and ventilate"),
        ({"start_ppm": 50.0}, "the air became cleaner, from 50 to 10 ppm"),
    ],
)
def test_impossible_readings(changes: dict[str, float], words: str) -> None:
    """One line each, naming the place."""
    with pytest.raises(InputError) as caught:
        gather.check_gather(reading(**changes), "reading 5")
    assert str(caught.value).startswith("reading 5: ")
    assert words in str(caught.value)


def test_possible_readings() -> None:
    """No change, and a fall within a step of the display."""
    gather.check_gather(reading(end_ppm=0.0), "reading")
    gather.check_gather(reading(start_ppm=5.0, end_ppm=4.0), "reading")

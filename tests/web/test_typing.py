"""Units and typed quantities, against the definitions of the units."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.errors import InputError
from leakinfer.job.facts import Facts
from leakinfer.physics.units import parse_quantity
from leakinfer.web.asked import Form
from leakinfer.web.fields import in_words, quantity, typed
from leakinfer.words.facts import SAID, facts_told
from leakinfer.words.units import AMERICAN, BOTH, METRIC, Units, units_of
from tests.bench.jobs import demo

# From memory: NIST SP 811 appendix B. psi in kPa, avoirdupois ounce and pound in kg.
PSI, OUNCE, POUND = 6.894757, 0.028349523125, 0.45359237


@pytest.mark.parametrize(
    ("units", "kpa", "words"),
    [
        (AMERICAN, 232 * PSI, "232 psig"),
        (METRIC, 1550, "15.5 bar"),
        (Units("kPa"), 1600, "1,600 kPa"),
        (METRIC, -101, "-1.0 bar"),
        (BOTH, 232 * PSI, "1,600 kPa (232 psi)"),
    ],
)
def test_pressures(units: Units, kpa: float, words: str) -> None:
    assert units.pressure_words(kpa) == words


@pytest.mark.parametrize(
    ("units", "words"),
    [(AMERICAN, "0.5 psi"), (METRIC, "0.034 bar"), (Units("kPa"), "3.4 kPa"), (BOTH, "3.4 kPa (0.5 psi)")],
)
def test_differences_of_pressures(units: Units, words: str) -> None:
    assert units.difference_words(0.5 * PSI) == words


@pytest.mark.parametrize(
    ("units", "words"),
    [(AMERICAN, "231.5 psig"), (METRIC, "15.96 bar"), (Units("kPa"), "1,596 kPa"), (BOTH, "1,596 kPa (231.5 psi)")],
)
def test_readings_show_small_changes(units: Units, words: str) -> None:
    assert units.gauge_words(231.5 * PSI) == words


@pytest.mark.parametrize(
    ("units", "celsius", "words"),
    [
        (AMERICAN, 0, "32 F"),
        (AMERICAN, 100, "212 F"),
        (AMERICAN, -40, "-40 F"),
        (METRIC, 22, "22 C"),
        (METRIC, -0.01, "0 C"),
        (BOTH, -40, "-40 C (-40 F)"),
    ],
)
def test_temperatures(units: Units, celsius: float, words: str) -> None:
    """Fixed points: water freezes at 32 F, boils at 212 F; both scales meet at -40."""
    assert units.temperature_words(celsius) == words


@pytest.mark.parametrize(
    ("units", "kg", "words"),
    [
        (AMERICAN, 8 * OUNCE, "8 oz"),
        (BOTH, 2 * POUND, "907 g (2 lb)"),
        (AMERICAN, 5.75 * POUND, "5 lb 12 oz"),
        (AMERICAN, 2 * POUND, "2 lb"),
        (AMERICAN, 15.98 * OUNCE, "1 lb"),
        (AMERICAN, 1200 * POUND, "1,200 lb"),
        (AMERICAN, 0.0, "0 oz"),
        (METRIC, 0.23, "230 g"),
        (METRIC, 2.6, "2.6 kg"),
        (METRIC, 0.9999, "1 kg"),
        (METRIC, 999.6, "1,000 kg"),
        (METRIC, 1600.0, "1,600 kg"),
    ],
)
def test_masses(units: Units, kg: float, words: str) -> None:
    assert units.mass_words(kg) == words


@pytest.mark.parametrize(("units", "words"), [(AMERICAN, "12 oz/yr"), (METRIC, "350 g/yr")])
def test_rates(units: Units, words: str) -> None:
    """350 g are 12.3 oz."""
    assert units.rate_words(350) == words


@given(st.floats(-0.9, 60), st.sampled_from(["psig", "bar", "kPa"]))
def test_what_is_shown_can_be_typed_again(bar: float, unit: str) -> None:
    """To half of the last figure that is shown: 1 psi, 0.1 bar, 1 kPa."""
    units = units_of(unit, "C", "g")
    shown = units.pressure_figure(bar * 100).replace(",", "")
    again = parse_quantity(units.named(shown, "gauge_pressure"), "gauge_pressure", "test") / 1000
    half = {"psig": PSI / 2, "bar": 5.0, "kPa": 0.5}[unit]
    assert abs(again - bar * 100) <= half + 1e-6


@given(st.floats(0, 50))
def test_masses_can_be_typed_again(kg: float) -> None:
    """To half an ounce from a pound on, to two figures below."""
    again = parse_quantity(AMERICAN.mass_words(kg).replace(",", ""), "mass", "test")
    assert abs(again - kg) <= (POUND / 2 if kg >= 100 * POUND else OUNCE / 2) + 1e-9


@given(st.floats(0, 20_000))
def test_metric_masses_can_be_typed_again(kg: float) -> None:
    """To half of the third figure, and to half a kilogram."""
    again = parse_quantity(METRIC.mass_words(kg).replace(",", ""), "mass", "test")
    assert abs(again - kg) <= (kg * 0.005 if kg < 100 else 0.5) + 1e-9


def form(**entries: str) -> Form:
    return Form(list(entries.items()))


@pytest.mark.parametrize(
    ("entries", "kind", "units", "told"),
    [
        ({"x": "225", "x_unit": "psig"}, "gauge_pressure", METRIC, "225 psig"),
        ({"x": "15.5 bar", "x_unit": "psig"}, "gauge_pressure", AMERICAN, "15.5 bar"),
        ({"x": "15,5", "x_unit": "bar"}, "gauge_pressure", METRIC, "15.5 bar"),
        ({"x": "225"}, "gauge_pressure", AMERICAN, "225 psig"),
        ({"x": "72F"}, "temperature", METRIC, "72F"),
        ({"x": "72", "x_unit": "stone"}, "temperature", AMERICAN, "72 F"),
        ({"x": "8"}, "mass", AMERICAN, "8 oz"),
        ({"x": "24"}, "hours", METRIC, "24 h"),
        ({"x": "  "}, "mass", AMERICAN, None),
        ({}, "mass", AMERICAN, None),
    ],
)
def test_typed_quantities(entries: dict[str, str], kind: str, units: Units, told: str | None) -> None:
    assert typed(form(**entries), "x", kind, units) == told


def test_a_field_comes_back_with_what_was_typed() -> None:
    back = quantity("x", "Gauge", "gauge_pressure", METRIC, form(x="225", x_unit="psig"))
    assert (back.value, back.unit) == ("225", "psig")
    assert quantity("x", "Gauge", "gauge_pressure", METRIC).unit == "bar"
    assert quantity("x", "Gauge", "gauge_pressure", AMERICAN).unit == "psig"


def test_errors_name_the_field_as_the_page_does() -> None:
    error = in_words(
        InputError("is missing", where="--start-temp", allowed="--start, --end"),
        {"start_temp": "At first", "start": "Gauge"},
    )
    assert error.line() == "At first: is missing; allowed: Gauge, --end"


@pytest.mark.parametrize("told", [("psi", "F", "oz"), ("bar", "K", "g"), ("bar", "C", "lb"), ("", "", "")])
def test_unknown_units_are_refused(told: tuple[str, str, str]) -> None:
    with pytest.raises(InputError):
        units_of(*told)


def test_conditions_in_the_units_of_the_person() -> None:
    gas = Condition("nitrogen", "breeze", 20.0, 20.0, test_kpa=232 * PSI)
    assert AMERICAN.condition_words(gas) == "nitrogen at 232 psig, a breeze"
    assert METRIC.condition_words(gas) == "nitrogen at 16.0 bar, a breeze"
    assert METRIC.condition_words(Condition("standing", "still", 20.0, 20.0)) == "standing, still air"


def test_every_fact_has_words() -> None:
    """A fact that is added to the job is told on the page, too."""
    assert set(SAID) == {field.name for field in structs.fields(Facts)}


def test_facts_in_the_units_of_the_person() -> None:
    job = demo(False)
    body = {
        "outdoor_c": 0.0,
        "high_kpa": 232 * PSI,
        "loss": {"kg": 8 * OUNCE, "years": 0.5},
        "air": "wind",
    }
    assert facts_told(body, job, AMERICAN) == ("outdoors 32 F; high side 232 psig; 8 oz lost in 6 months; wind")
    state = {"state": "standing", "test_kpa": 0.0, "high_kpa": None, "heating": False}
    assert facts_told(state, job, METRIC) == "standing"
    assert facts_told({"loss": None, "circumstances": {"compressor_shakes": False}}, job, METRIC) == (
        "loss not known; not there: compressor shakes on its feet"
    )

"""The shipped files hold what the rest of the project and the trade rely on."""

from __future__ import annotations

import pytest

from leakinfer.catalogue.model import Catalogue, Method
from leakinfer.catalogue.reader import load_catalogue

CATALOGUE = load_catalogue()
POINTS = ("probe_point", "bubbles", "oil_point")


def chance(method: Method, grade: int, rate: float) -> float:
    """P(at least this grade | rate), the curve that the model's docstring states, joined with the false alarm."""
    each = method.grades[grade]
    hit = (1 - method.lapse) / (1 + (each.rate50 / rate) ** each.slope)
    return float(1 - (1 - hit) * (1 - each.false_alarm))


@pytest.fixture
def catalogue() -> Catalogue:
    return CATALOGUE


@pytest.mark.parametrize("method", POINTS)
@pytest.mark.parametrize("name", sorted(CATALOGUE.components))
def test_every_class_has_a_technique_in_every_point_method(catalogue: Catalogue, name: str, method: str) -> None:
    technique = catalogue.methods[method].techniques[name]
    assert technique.how
    assert technique.spoils


@pytest.mark.parametrize("name", ["shell_underside", "fin_tube", "elsewhere", "terminal_feedthrough"])
def test_bubbles_are_not_offered_where_nobody_can_see_or_should_wet(catalogue: Catalogue, name: str) -> None:
    """Common practice, no source: not beneath a compressor, not in the fins, not on terminals."""
    assert not catalogue.methods["bubbles"].techniques[name].possible


def test_nothing_local_reaches_elsewhere(catalogue: Catalogue) -> None:
    points = [method for method in catalogue.methods.values() if method.kind == "point"]
    assert len(points) == 6
    assert not any(method.techniques["elsewhere"].possible for method in points)


def test_only_caps_and_cores_are_hidden_by_a_hose(catalogue: Catalogue) -> None:
    """A hose sits on a port's thread: core, and the cap that was taken off for it. Common practice, no source."""
    ports = {name for name, component in catalogue.components.items() if component.port}
    assert ports == {"valve_core", "cap_brass_seal", "cap_plastic"}


def test_probe_finds_five_grams_a_year_at_least_every_second_time(catalogue: Catalogue) -> None:
    """EN 14624, as asked for by Reg. 1516/2007: 5 g/yr or better; a person in the field does worse (judgement)."""
    assert 0.45 < chance(catalogue.methods["probe_point"], 0, 5.0) < 0.95


def test_slow_foam_lies_between_the_published_limits(catalogue: Catalogue) -> None:
    """ASTM E515: repeatable from 1e-4 std cm3/s; SAE J1628-2020 (summary): of use from 1,276 g/yr of R-134a.

    Converted to Pa m3/s at 20 C: 1 std cm3/s is 0.101325 Pa m3/s at 0 C; M 102.032 g/mol.
    """
    low = 1e-4 * 0.101325 * 293.15 / 273.15
    high = 1276 / (102.032 * 3.15576e7) * 8.314463 * 293.15
    assert low < catalogue.methods["bubbles"].grades[0].rate50 < high


def test_oil_helps_but_proves_nothing(catalogue: Catalogue) -> None:
    """Odds factors by judgement: 5 to 8 for oil and about 0.6 for none, at a leak that would bring a service call.

    Taken at 160 g/yr, where a 3 kg charge loses a fifth in under four years (computed).
    """
    method = catalogue.methods["oil_point"]
    seen, false = chance(method, 0, 160.0), method.grades[0].false_alarm
    assert 5 < seen / false < 8
    assert 0.5 < (1 - seen) / (1 - false) < 0.7


def test_probes_need_pressure_warmth_and_still_air(catalogue: Catalogue) -> None:
    """SAE J1627 and J1628 practice, secondary: 340 kPa gauge, 15 C. Wind divides (controlled releases 2021-22)."""
    for name in ("probe_point", "probe_sweep"):
        method = catalogue.methods[name]
        assert (method.least_gauge_kpa, method.least_temperature_c) == (340.0, 15.0)
        assert method.air["wind"] > method.air["breeze"] > method.air["still"]


def test_old_oil_and_repairs_weaken_oil(catalogue: Catalogue) -> None:
    """Common practice, no source: an earlier repair or motor change near by weakens an oil trace."""
    for name in ("oil_look", "oil_point"):
        method = catalogue.methods[name]
        causes = {cause.id: cause.false_alarm for cause in method.false_causes}
        assert all(
            causes[each] > method.grades[0].false_alarm for each in ("old_oil", "earlier_repair", "motor_change")
        )


def test_bubbles_alone_pinpoint(catalogue: Catalogue) -> None:
    """A probe or oil names an area, bubbles the spot. Common practice, no source."""
    assert [name for name, method in catalogue.methods.items() if method.pinpoint] == ["bubbles"]


def test_weighing_is_the_only_method_that_opens_the_circuit(catalogue: Catalogue) -> None:
    assert [name for name, method in catalogue.methods.items() if method.opens_circuit] == ["weigh_charge"]


def test_weighing_and_holds_alone_put_hoses_on(catalogue: Catalogue) -> None:
    """A hose hides a leaking core, so ports come before these. Common practice, no source."""
    hoses = {name for name, method in catalogue.methods.items() if method.gauges}
    assert hoses == {"weigh_charge", "hold_hour", "hold_day", "vacuum_hold"}


def test_wet_and_outdoor_steel_rank_above_steel_under_cover(catalogue: Catalogue) -> None:
    """Common practice, no source: driers outdoors, and any drier on the cold side, above equal ones under cover."""
    mean = {name: component.hazard.mean for name, component in catalogue.components.items()}
    outdoors = mean["drier_liquid"] * catalogue.exposures["outdoor_steel"].ratio.median
    cold = mean["drier_suction"] * catalogue.exposures["wet_suction_line"].ratio.median
    assert min(outdoors, cold) > 1.5 * mean["drier_liquid"]


def test_every_method_that_goes_near_plant_warns(catalogue: Catalogue) -> None:
    assert all(method.cautions for method in catalogue.methods.values())

"""Pressure ratings: the nameplate's, else saturation at ASHRAE 15's design temperatures."""

from __future__ import annotations

import pytest

from leakinfer.circuit.conditions import condition_numbers
from leakinfer.circuit.model import Section
from leakinfer.circuit.ratings import lowest_rating_kpa, rating_side, section_rating_kpa
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.physics.properties import load_properties

PSI_KPA = 6.894757293168  # kPa; exact definition of the pound-force and the inch
HIGH = Section("hot", "hot gas", "high", "vapour")
LOW = Section("cold", "suction", "low", "vapour")


def rating(section: Section, fluid: str = "R-410A", high: float | None = None, low: float | None = None) -> float:
    return section_rating_kpa(section, load_properties().fluid(fluid), condition_numbers(), high, low)


@pytest.mark.parametrize(
    ("fluid", "low_psig", "high_psig"),
    [  # saturated liquid at 80 and 122 F by CoolProp's own equations of state
        ("R-410A", 237, 431),
        ("R-22", 144, 267),
        ("R-134a", 87, 176),
        ("R-32", 242, 441),
        ("R-404A", 175, 320),
        ("R-290", 129, 234),
    ],
)
def test_without_a_nameplate_saturation_at_the_design_temperatures(fluid: str, low_psig: int, high_psig: int) -> None:
    """ASHRAE 15: design pressure at least saturation at 80 F on low sides, 122 F on air-cooled high sides (memory)."""
    assert rating(LOW, fluid) / PSI_KPA == pytest.approx(low_psig, rel=0.01)
    assert rating(HIGH, fluid) / PSI_KPA == pytest.approx(high_psig, rel=0.01)


@pytest.mark.parametrize("name", ["R410A", "R22", "R134a", "R32", "R404A", "R290"])
def test_the_figures_are_coolprops(name: str) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    for section, celsius in ((LOW, 26.7), (HIGH, 50.0)):
        expected = coolprop.PropsSI("P", "T", celsius + 273.15, "Q", 0, name.replace("R290", "Propane")) - 101_325
        assert rating(section, name.replace("R", "R-")) == pytest.approx(expected / 1000, rel=2e-3)


def test_every_refrigerant_of_a_shipped_system_has_a_rating() -> None:
    for name in ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store"):
        for fluid in load_system(name).refrigerants:
            assert 400 < rating(LOW, fluid) < rating(HIGH, fluid) < 4000  # common nameplates, from memory


@pytest.mark.parametrize(
    ("system", "high"),
    [
        ("ducted_split", {"outdoor_high_side", "liquid_line"}),
        # A heat pump's indoor coil and vapour line are on the high side in heating, its outdoor coil in cooling.
        (
            "heat_pump",
            {"discharge", "outdoor_coil", "liquid_line", "indoor", "vapour_line", "outdoor_liquid", "outdoor_vapour"},
        ),
        (
            "ductless_split",
            {"discharge", "outdoor_coil", "liquid_line", "indoor", "gas_line", "outdoor_liquid", "outdoor_gas"},
        ),
        ("walk_in_cooler", {"discharge", "receiver", "liquid_line"}),
    ],
)
def test_what_is_ever_on_the_high_side_is_made_for_it(system: str, high: set[str]) -> None:
    sections = load_system(system).sections
    assert {section.id for section in sections if rating_side(section) == "high"} == high
    for section in sections:
        assert rating(section) == rating(HIGH if section.id in high else LOW)


def test_a_nameplate_is_taken_for_its_side() -> None:
    assert rating(HIGH, high=3100.0, low=1650.0) == 3100.0
    assert rating(LOW, high=3100.0, low=1650.0) == 1650.0
    assert rating(LOW, high=3100.0) == rating(LOW)
    assert rating(HIGH, low=1650.0) == rating(HIGH)


def lowest(system: str, *sections: str, **nameplate: float) -> float:
    known = {part.id: part for part in load_system(system).sections}
    chosen = [known[name] for name in sections or known]
    return lowest_rating_kpa(chosen, load_properties().fluid("R-410A"), condition_numbers(), **nameplate)


def test_the_lowest_rating_of_connected_sections_holds() -> None:
    assert lowest("ducted_split") == rating(LOW)
    assert lowest("ducted_split", "outdoor_high_side", "liquid_line") == rating(HIGH)
    assert lowest("ducted_split", "liquid_line", "indoor") == rating(LOW)
    assert lowest("heat_pump", "liquid_line", "vapour_line", "indoor") == rating(HIGH)
    assert lowest("ducted_split", high_kpa=3100.0, low_kpa=1650.0) == 1650.0
    assert lowest("ducted_split", "indoor", "liquid_line", high_kpa=1500.0) == 1500.0


def test_no_section_has_no_rating() -> None:
    with pytest.raises(InputError, match="no section is named"):
        lowest_rating_kpa([], load_properties().fluid("R-22"), condition_numbers())


@pytest.mark.parametrize("section", [HIGH, LOW])
def test_carbon_dioxide_needs_the_nameplate(section: Section) -> None:
    with pytest.raises(InputError, match=rf"{section.id}.*{section.side} side.*R-744.*nameplate"):
        rating(section, "R-744")
    assert rating(section, "R-744", high=12_000.0, low=6_000.0) == (12_000.0 if section is HIGH else 6_000.0)


@pytest.mark.parametrize(
    ("high", "low", "line"),
    [
        (0.0, None, "nameplate, high side: 0 kPa gauge"),
        (None, -5.0, "nameplate, low side: -5 kPa gauge"),
        (float("nan"), None, "nameplate, high side: nan kPa gauge"),
        (1650.0, 3100.0, "nameplate: low side 3,100 kPa (450 psi) is above high side 1,650 kPa (239 psi)"),
    ],
)
def test_a_nameplate_that_cannot_be_is_refused(high: float | None, low: float | None, line: str) -> None:
    with pytest.raises(InputError) as caught:
        rating(LOW, high=high, low=low)
    assert str(caught.value).startswith(line)


def test_a_missing_design_temperature_is_named() -> None:
    with pytest.raises(InputError, match="low_side_design_c"):
        section_rating_kpa(LOW, load_properties().fluid("R-22"), {})

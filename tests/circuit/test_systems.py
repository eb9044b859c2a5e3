"""The shipped systems: they load, fit the catalogue, and hold what such a system has (common practice, no source)."""

from __future__ import annotations

from collections import Counter
from itertools import combinations, groupby, pairwise

import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import Site, System
from leakinfer.circuit.reader import check_against, load_system, shipped_systems
from leakinfer.physics.properties import load_properties

SYSTEMS = ("ducted_split", "ductless_split", "heat_pump", "rack_store", "walk_in_cooler")
CAPS = {"cap_brass_seal", "cap_plastic", "cap_hex_metal"}
EVERYWHERE = {"valve_core", "cap_brass_seal", "cap_plastic", "service_valve_stem", "brazed_joint", "flare", "fin_tube"}
EVERYWHERE |= {"return_bend", "coil_header", "distributor", "metering_device", "drier_liquid", "compressor_shell"}
EVERYWHERE |= {"shell_underside", "terminal_feedthrough", "elsewhere"}
SPLIT = {"line_set", "tube_run", "stub", "cap_hex_metal", "service_valve_body", "capillary"}
NEEDED = {
    "ducted_split": SPLIT | {"drier_suction", "switch_brazed", "switch_screwed"},
    "heat_pump": SPLIT | {"drier_suction", "switch_brazed", "switch_screwed", "reversing_valve", "accumulator"},
    "ductless_split": SPLIT - {"capillary"} | {"switch_brazed", "reversing_valve", "accumulator"},
    "walk_in_cooler": SPLIT
    | {"drier_suction", "switch_screwed", "receiver", "sight_glass", "solenoid_valve", "relief_valve", "accumulator"},
    "rack_store": {"receiver", "sight_glass", "solenoid_valve", "relief_valve", "ball_valve", "case_coil", "oil_line"}
    | {"flange_gasket", "line_set", "switch_screwed"},
}
SITES = {"ducted_split": (55, 75), "heat_pump": (55, 75), "ductless_split": (40, 60), "walk_in_cooler": (40, 62)}


@pytest.fixture(params=SYSTEMS)
def system(request: pytest.FixtureRequest) -> System:
    return load_system(request.param)


def classes(system: System) -> Counter[str]:
    return Counter(site.component for site in system.sites)


def unit_sites(system: System, unit: str) -> list[Site]:
    return [site for site in system.sites if site.unit == unit]


def test_the_list_of_shipped_systems_names_each_by_its_own_name() -> None:
    listed = shipped_systems()
    assert tuple(listed) == SYSTEMS
    for name in set(SYSTEMS) - {"rack_store"}:
        assert (name, listed[name]) == (load_system(name).id, load_system(name).name)


def test_component_classes_exposures_and_refrigerants_are_known(system: System) -> None:
    catalogue = load_catalogue()
    check_against(system, catalogue.components, catalogue.exposures, system.id)
    fluids = load_properties()
    assert all(fluids.fluid(name).condenses for name in system.refrigerants)


@pytest.mark.parametrize("name", SYSTEMS)
def test_the_inventory_holds_what_such_a_system_has(name: str) -> None:
    held = classes(load_system(name))
    needed = NEEDED[name] | EVERYWHERE - ({"distributor"} if name == "ductless_split" else set())
    assert needed <= set(held)
    assert held["valve_core"] >= 2
    assert held["elsewhere"] == 1


@pytest.mark.parametrize(("name", "bounds"), SITES.items())
def test_the_inventory_is_of_a_real_size(name: str, bounds: tuple[int, int]) -> None:
    system = load_system(name)
    assert bounds[0] <= len(system.sites) <= bounds[1]
    assert 4 <= len(system.zones) <= 9


def test_only_the_underside_and_elsewhere_are_out_of_view(system: System) -> None:
    hidden = {site.component for site in system.sites if not site.view}
    assert hidden == {"shell_underside", "elsewhere"}


def test_every_core_stands_beside_a_cap_of_its_own_section(system: System) -> None:
    for site, after in pairwise(system.sites):
        if site.component == "valve_core":
            assert after.component in CAPS, site.id
            assert (after.zone, after.section) == (site.zone, site.section)


def test_every_site_is_in_a_listed_unit_and_a_coil_is_one_unit(system: System) -> None:
    listed = {unit.id for unit in system.units}
    assert {site.unit for site in system.sites} == listed
    for bends in (site for site in system.sites if site.component == "return_bend"):
        assert {"return_bend", "fin_tube", "coil_header"} <= {site.component for site in unit_sites(system, bends.unit)}
        assert bends.count > 10


def test_zones_come_one_after_another_and_units_together_inside_them(system: System) -> None:
    zones = [zone for zone, _ in groupby(site.zone for site in system.sites)]
    assert len(zones) == len(set(zones))
    runs = [run for run, _ in groupby((site.zone, site.unit) for site in system.sites)]
    assert len(runs) == len(set(runs))


def test_liquid_is_on_the_liquid_line_only(system: System) -> None:
    liquid = [section.id for section in system.sections if section.phase == "liquid"]
    assert liquid
    assert all("liquid" in name or name == "receiver" for name in liquid)


def test_only_heat_pumps_heat(system: System) -> None:
    heats = {section.heating_side != "none" for section in system.sections}
    assert heats == {system.id in ("heat_pump", "ductless_split")}


@pytest.mark.parametrize("name", ["heat_pump", "ductless_split"])
def test_a_reversing_valve_swaps_the_coils_and_not_the_compressor(name: str) -> None:
    sides = {section.id: (section.side, section.heating_side) for section in load_system(name).sections}
    assert sides["indoor"] == ("low", "high")
    assert sides["outdoor_coil"] == ("high", "low")
    assert sides["discharge"] == ("high", "high")
    assert sides["compressor"] == ("low", "low")


def test_oil_drips_down_where_its_site_stands(system: System) -> None:
    places = {site.id: site.place for site in system.sites}
    for spot in system.spots:
        assert {places[site] for site in spot.catches} == {spot.place}


def test_the_pan_under_the_compressor_catches_its_hidden_side(system: System) -> None:
    for site in system.sites:
        if site.component == "shell_underside":
            assert any(site.id in spot.catches for spot in system.spots)


def test_few_shared_circumstances_are_open_at_the_same_place(system: System) -> None:
    """The work of the exact calculation doubles with each circumstance that reaches across a site."""
    order = {site.id: index for index, site in enumerate(system.sites)}
    reach = [sorted(order[site] for site in part.sites) for part in system.circumstances]
    open_at = [sum(span[0] <= index <= span[-1] for span in reach) for index in range(len(order))]
    assert max(open_at) <= 3


ISOLATED = {
    ("ducted_split", "outdoor_unit"): ("valves", {"outdoor_high_side", "compressor"}),
    ("ducted_split", "lines_and_coil"): ("valves", {"liquid_line", "suction_line", "indoor"}),
    ("ducted_split", "lines_alone"): ("cut", {"liquid_line", "suction_line"}),
    ("ducted_split", "coil_alone"): ("cut", {"indoor"}),
    ("walk_in_cooler", "high_side"): ("valves", {"discharge", "receiver"}),
    ("walk_in_cooler", "cooler_coil_alone"): ("cut", {"evaporator"}),
    ("rack_store", "r1_circuit1"): ("valves", {"r1_circuit1_liquid", "r1_circuit1_suction"}),
}


@pytest.mark.parametrize(("name", "expected"), ISOLATED.items())
def test_what_can_be_shut_off(name: tuple[str, str], expected: tuple[str, set[str]]) -> None:
    part = {part.id: part for part in load_system(name[0]).isolations}[name[1]]
    assert (part.by, set(part.sections)) == expected


def test_valves_part_the_whole_circuit(system: System) -> None:
    """Every section can be shut off, and with as many valves shut as there are no section is in two parts."""
    shut = [set(part.sections) for part in system.isolations if part.by == "valves"]
    assert set().union(*shut) == {section.id for section in system.sections}
    smallest = [part for part in shut if not any(other < part for other in shut)]
    assert all(one.isdisjoint(other) for one, other in combinations(smallest, 2))


def test_isolations_hold_shares_of_one_volume(system: System) -> None:
    """A larger part holds more; parts that make up another hold as much as it; all of them together everything."""
    parts = [(set(part.sections), part.volume_share) for part in system.isolations]
    for (one, share), (other, more) in combinations(parts, 2):
        if one < other or other < one:
            assert (share < more) == (one < other)
        if one.isdisjoint(other):
            assert share + more <= 1 + 1e-9
            for whole, volume in parts:
                assert whole != one | other or volume == pytest.approx(share + more, abs=0.011)
    valves = [(set(part.sections), part.volume_share) for part in system.isolations if part.by == "valves"]
    largest = [share for part, share in valves if not any(part < other for other, _ in valves)]
    assert sum(largest) == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("name", ["ducted_split", "ductless_split", "heat_pump"])
def test_a_service_valve_parts_the_joints_on_its_two_sides(name: str) -> None:
    """Shut, a service valve leaves its stem, body and port on the side of the line (common practice, no source)."""
    system = load_system(name)
    parts = {part.id: set(part.sections) for part in system.isolations}
    sections = {site.id: site.section for site in system.sites}
    for site, section in sections.items():
        if "valve_unit_joint" in site:
            assert section in parts["outdoor_unit"], site
        if "valve_line_joint" in site or "valve_stem" in site or "valve_body" in site:
            assert section in parts["lines_and_coil"], site
    assert sum("valve_unit_joint" in site for site in sections) == 2
    inside = {site.section for site in system.sites if site.component in ("compressor_shell", "reversing_valve")}
    assert inside <= parts["outdoor_unit"]

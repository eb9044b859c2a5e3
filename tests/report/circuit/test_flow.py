"""The order of the sections: against the loop as everybody in the trade knows it (common practice, no source)."""

from __future__ import annotations

import random

import pytest
from msgspec.structs import replace

from leakinfer.circuit.reader import load_system
from leakinfer.report.circuit.flow import COMPRESSOR_CLASSES, depths_of, loop_of

from .beliefs import CATALOGUE, SHIPPED, SMALL

# From the compressor through the outdoor coil, the liquid line, the indoor coil and the suction line back to it.
LOOPS = {
    "ducted_split": "compressor outdoor_high_side liquid_line indoor suction_line",
    "heat_pump": "compressor discharge outdoor_coil outdoor_liquid liquid_line indoor vapour_line outdoor_vapour",
    "ductless_split": "compressor discharge outdoor_coil outdoor_liquid liquid_line indoor gas_line outdoor_gas",
    "walk_in_cooler": "compressor discharge receiver liquid_line evaporator suction_line",
}


@pytest.mark.parametrize("name", SMALL)
def test_the_loop_of_shipped_systems(name: str) -> None:
    loop = loop_of(load_system(name))
    assert " ".join(section for run in loop for section in run.sections) == LOOPS[name]
    assert "".join(run.letter for run in loop) == "ABCDEFGH"[: len(loop)]


@pytest.mark.parametrize("name", ["ducted_split", "heat_pump", "ductless_split"])
def test_the_order_comes_from_the_parts_and_not_from_the_file(name: str) -> None:
    system = load_system(name)
    for seed in range(20):
        sections = list(system.sections)
        random.Random(seed).shuffle(sections)
        loop = loop_of(replace(system, sections=tuple(sections)))
        assert " ".join(section for run in loop for section in run.sections) == LOOPS[name]


@pytest.mark.parametrize("name", SHIPPED)
def test_every_section_is_on_the_loop_once(name: str) -> None:
    system = load_system(name)
    drawn = [section for run in loop_of(system) for section in run.sections]
    assert sorted(drawn) == sorted(section.id for section in system.sections)


def test_parallel_circuits_are_one_stretch_of_a_kind() -> None:
    loop = loop_of(load_system("rack_store:200"))
    assert [run.pipe for run in loop] == ["hot", "liquid", "cold"]
    assert loop[0].sections == ("r1_discharge",)
    assert {len(run.sections) for run in loop[1:]} == {4}  # three circuits, and the rack's own


def test_a_system_without_a_compressor_on_its_list_has_a_loop_too() -> None:
    system = load_system("walk_in_cooler")
    sites = tuple(site for site in system.sites if site.component not in COMPRESSOR_CLASSES)
    loop = loop_of(replace(system, sites=sites))
    assert loop[0].pipe == "cold"
    assert [run.pipe for run in loop[1:4]] == ["hot", "liquid", "liquid"]


def test_depth_runs_from_the_compressor_to_the_far_end() -> None:
    """Ducted split, by hand: the compressor shares a zone with the high side (1), that a place with the liquid line and
    the suction line (2 more), the liquid line a zone with the indoor coil (1 more): 0, 1, 3, 3, 4 from the compressor;
    from the coil 4, 3, 1, and for the suction line 2, since it shares zones with the liquid line."""
    depths = depths_of(load_system("ducted_split"))
    assert depths == {
        "compressor": 0.0,
        "outdoor_high_side": 1 / 4,
        "liquid_line": 3 / 4,
        "suction_line": 3 / 5,
        "indoor": 1.0,
    }


def test_the_classes_of_compressors_exist() -> None:
    assert set(CATALOGUE.components) >= COMPRESSOR_CLASSES

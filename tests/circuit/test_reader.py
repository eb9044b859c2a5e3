"""Reading systems: what is refused and with which words, the round trip, a person's own site."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leakinfer.circuit.model import Site, System
from leakinfer.circuit.reader import (
    check_against,
    load_system,
    system_from_data,
    system_to_data,
    validate,
    with_site,
)
from leakinfer.errors import InputError

SMALL: dict[str, Any] = {
    "id": "bench_loop",
    "name": "Loop on a bench",
    "refrigerants": ["R-134a"],
    "charge": {"typical": 1.0, "low": 0.5, "high": 2, "unit": "kg", "source": "made up", "known": "judgement"},
    "places": [
        {"id": "bench", "name": "bench", "reach_minutes": 1},
        {"id": "yard", "name": "yard", "reach_minutes": 2},
    ],
    "zones": [{"id": "left", "name": "left", "place": "bench"}, {"id": "right", "name": "right", "place": "yard"}],
    "sections": [{"id": "all", "name": "all of it", "side": "low", "phase": "vapour"}],
    "units": [{"id": "coil", "name": "coil"}],
    "sites": [
        {"id": "core", "name": "core", "component": "valve_core", "zone": "left", "section": "all"},
        {"id": "bend", "name": "bend", "component": "return_bend", "zone": "left", "section": "all", "unit": "coil"},
        {"id": "nut", "name": "nut", "component": "flare", "zone": "right", "section": "all", "exposures": ["shaking"]},
        {
            "id": "elsewhere",
            "name": "elsewhere",
            "component": "elsewhere",
            "zone": "right",
            "section": "all",
            "view": False,
        },
    ],
    "circumstances": [{"id": "wet", "name": "wet", "exposure": "damp", "sites": ["core", "bend"]}],
    "spots": [{"id": "tray", "name": "tray", "place": "bench", "catches": ["core", "bend"]}],
}


def small() -> System:
    return system_from_data(SMALL, "bench.toml")


def set_at(data: Any, path: tuple[str | int, ...], value: Any) -> None:
    for key in path[:-1]:
        data = data[key]
    data[path[-1]] = value


def changed(*path_and_value: Any) -> dict[str, Any]:
    data = copy.deepcopy(SMALL)
    set_at(data, path_and_value[:-1], path_and_value[-1])
    return data


def test_places_and_units_are_filled_in() -> None:
    system = small()
    assert [site.place for site in system.sites] == ["bench", "bench", "yard", "yard"]
    assert [site.unit for site in system.sites] == ["core", "coil", "nut", "elsewhere"]
    assert [(unit.id, unit.name) for unit in system.units] == [
        ("coil", "coil"),
        ("core", "core"),
        ("nut", "nut"),
        ("elsewhere", "elsewhere"),
    ]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("zones", 0, "place", "bnech"), ["zones[0] 'left' place", "'bnech'", "bench"]),
        (("zones", 1, "id", "left"), ["zones id", "'left' is used twice"]),
        (("sites", 1, "id", "core"), ["sites id", "'core' is used twice"]),
        (("sites", 1, "id", "two words"), ["sites id", "'two words'"]),
        (("sites", 0, "zone", "top"), ["sites[0] 'core' zone", "unknown zone 'top'", "left, right"]),
        (("sites", 0, "section", "al"), ["sites[0] 'core' section", "unknown section 'al'"]),
        (("sites", 0, "unit", "coll"), ["sites[0] 'core' unit", "unknown unit 'coll'", "coil"]),
        (("sites", 0, "place", "yard"), ["sites[0] 'core' place", "zone 'left'", "bench"]),
        (("sites", 0, "colour", "red"), ["sites[0]", "colour"]),
        (("sites", 0, "count", "two"), ["sites[0].count", "int"]),
        (("sites", 0, "count", 0), ["sites[0].count"]),
        (("sites", 0, "exposures", ["a", "a"]), ["sites[0] 'core' exposures", "'a' is used twice"]),
        (("sites", 3, "id", "nowhere"), ["sites", "elsewhere"]),
        (("sites", 3, "view", True), ["sites", "view false"]),
        (("sites", 2, "component", "elsewhere"), ["sites", "2 sites 'elsewhere'"]),
        (("units", 0, "id", "pump"), ["'bend' unit", "unknown unit 'coil'"]),
        (("circumstances", 0, "sites", ["core", "bned"]), ["circumstances[0] 'wet' sites", "'bned'", "bend"]),
        (("circumstances", 0, "sites", []), ["circumstances[0] 'wet' sites", "no site"]),
        (("circumstances", 0, "sites", ["core", "core"]), ["circumstances[0] 'wet' sites", "twice"]),
        (("sites", 0, "exposures", ["damp"]), ["circumstances[0] 'wet'", "'damp'", "'core'", "two ways"]),
        (("spots", 0, "catches", ["roof"]), ["spots[0] 'tray' catches", "'roof'"]),
        (("spots", 0, "place", "roof"), ["spots[0] 'tray' place", "'roof'"]),
        (("charge", "low", 3.0), ["charge", "low <= typical <= high"]),
        (("charge", "high", float("inf")), ["charge"]),
        (("places", 0, "reach_minutes", float("nan")), ["places[0]"]),
        (("places", 1, "open_minutes", float("inf")), ["places[1] 'yard'", "finite"]),
        (("charge", "unit", "lb"), ["charge.unit", "lb"]),
        (("refrigerants", []), ["refrigerants"]),
        (("refrigerants", ["R-22", "R-22"]), ["refrigerants", "twice"]),
        (("sections", 0, "side", "middle"), ["sections[0].side", "middle"]),
        (("smell", "none"), ["smell"]),
        (("sites", "none"), ["sites"]),
    ],
)
def test_a_wrong_system_is_refused_with_file_and_key(change: tuple[Any, ...], words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        system_from_data(changed(*change), "bench.toml")
    line = str(caught.value)
    assert line.startswith("bench.toml")
    assert "\n" not in line
    assert [word for word in words if word not in line] == []


def test_an_unused_zone_or_unit_is_refused() -> None:
    zones = [*SMALL["zones"], {"id": "attic", "name": "attic", "place": "yard"}]
    with pytest.raises(InputError, match=r"zones\[2\] 'attic': no site"):
        system_from_data(changed("zones", zones), "bench.toml")
    units = [*SMALL["units"], {"id": "pump", "name": "pump"}]
    with pytest.raises(InputError, match=r"units\[1\] 'pump': no site"):
        system_from_data(changed("units", units), "bench.toml")


def test_a_unit_may_not_take_the_id_of_a_site_in_another_unit() -> None:
    data = changed("units", [*SMALL["units"], {"id": "bend", "name": "bend"}])
    data["sites"][0]["unit"] = "bend"
    with pytest.raises(InputError, match=r"'bend'.*belongs to unit 'coil'"):
        system_from_data(data, "bench.toml")


def test_either_all_sections_heat_or_none() -> None:
    second = {"id": "hot", "name": "hot", "side": "high", "phase": "vapour", "heating_side": "high"}
    with pytest.raises(InputError, match="heating_side"):
        system_from_data(changed("sections", [*SMALL["sections"], second]), "bench.toml")


@pytest.mark.parametrize(
    ("components", "exposures", "words"),
    [
        ({"valve_core", "return_bend", "elsewhere"}, {"shaking", "damp"}, ["sites[2] 'nut' component", "'flare'"]),
        ({"valve_core", "return_bend", "flare", "elsewhere"}, {"damp"}, ["sites[2] 'nut' exposures", "'shaking'"]),
        ({"valve_core", "return_bend", "flare", "elsewhere"}, {"shaking"}, ["circumstances[0] 'wet'", "'damp'"]),
    ],
)
def test_unknown_classes_and_exposures_are_refused(components: set[str], exposures: set[str], words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        check_against(small(), components, exposures, "bench.toml")
    assert [word for word in ["bench.toml", *words] if word not in str(caught.value)] == []


def test_known_classes_and_exposures_pass() -> None:
    check_against(small(), {"valve_core", "return_bend", "flare", "elsewhere"}, {"shaking", "damp"}, "bench.toml")


def spoil_text(text: str) -> str:
    return text.replace('section = "indoor"', 'section = "outdoor"', 1)


def break_text(text: str) -> str:
    return text.replace('id = "ducted_split"', "id = ducted_split", 1)


def copy_of_ducted_split(folder: Path, change: Callable[[str], str]) -> Path:
    source = Path(__file__).parents[2] / "priors" / "systems" / "ducted_split.toml"
    own = folder / "own.toml"
    own.write_text(change(source.read_text(encoding="utf-8")), encoding="utf-8")
    return own


def test_a_file_of_ones_own_reads_as_the_shipped_one(tmp_path: Path) -> None:
    own = copy_of_ducted_split(tmp_path, lambda text: text)
    assert load_system(str(own)) == load_system("ducted_split")


@pytest.mark.parametrize(("change", "word"), [(spoil_text, "section"), (break_text, "line"), (lambda _: "", "empty")])
def test_a_spoilt_file_is_refused_with_its_path(tmp_path: Path, change: Callable[[str], str], word: str) -> None:
    own = copy_of_ducted_split(tmp_path, change)
    with pytest.raises(InputError) as caught:
        load_system(str(own))
    assert str(own) in str(caught.value)
    assert word in str(caught.value)


@pytest.mark.parametrize("name", ["ducted_splti", "", "a" * 5000, "rack", ".", "\x00"])
def test_an_unknown_name_lists_the_shipped_ones(name: str) -> None:
    with pytest.raises(InputError, match="unknown system") as caught:
        load_system(name)
    for shipped in ("ducted_split", "ductless_split", "heat_pump", "rack_store", "walk_in_cooler"):
        assert shipped in caught.value.allowed


def test_a_missing_file_is_refused() -> None:
    with pytest.raises(InputError, match=r"nosuch\.toml: cannot be read"):
        load_system("nosuch.toml")


@pytest.mark.parametrize("name", ["ducted_split", "heat_pump", "ductless_split", "walk_in_cooler", "rack_store:75"])
def test_round_trip_through_json(name: str) -> None:
    system = load_system(name)
    text = json.dumps(system_to_data(system), allow_nan=False)
    assert system_from_data(json.loads(text), "journal") == system


def test_ones_own_site_joins_its_zone_and_is_its_own_unit() -> None:
    before = small()
    after = with_site(before, Site("patch", "patched tube", "tube_run", "bench", "left", "all"))
    assert [site.id for site in after.sites] == ["core", "bend", "patch", "nut", "elsewhere"]
    assert after.sites[2].unit == "patch"
    assert [unit.id for unit in after.units] == ["coil", "core", "nut", "elsewhere", "patch"]
    assert len(before.sites) == 4


def test_ones_own_site_stands_beside_the_others_of_its_unit() -> None:
    first = with_site(small(), Site("patch", "patched tube", "tube_run", "bench", "left", "all"))
    after = with_site(first, Site("tube", "tube", "fin_tube", "bench", "left", "all", unit="coil", count=3))
    assert [site.id for site in after.sites][:4] == ["core", "bend", "tube", "patch"]
    validate(after, "bench.toml")


@pytest.mark.parametrize(
    ("site", "word"),
    [
        (Site("core", "core", "valve_core", "bench", "left", "all"), "twice"),
        (Site("New Core", "core", "valve_core", "bench", "left", "all"), "not an id"),
        (Site("core2", "core", "valve_core", "bench", "top", "all"), "unknown zone"),
        (Site("core2", "core", "valve_core", "yard", "left", "all"), "place"),
        (Site("core2", "core", "valve_core", "bench", "left", "some"), "unknown section"),
        (Site("core2", "core", "valve_core", "bench", "left", "all", unit="cool"), "unknown unit"),
        (Site("core2", "core", "elsewhere", "bench", "left", "all"), "elsewhere"),
    ],
)
def test_a_site_that_does_not_fit_is_refused(site: Site, word: str) -> None:
    with pytest.raises(InputError, match=word) as caught:
        with_site(small(), site)
    assert f"new site '{site.id}'" in str(caught.value)


def leaves(data: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Paths of everything inside plain data."""
    inside = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    below = [found for key, value in inside for found in leaves(value, (*path, key))]
    return ([path] if path else []) + below


PLAIN: st.SearchStrategy[Any] = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
JUNK = PLAIN | st.lists(PLAIN, max_size=3) | st.dictionaries(st.text(max_size=5), PLAIN, max_size=3)


def refusal(data: dict[str, Any]) -> str:
    """The error of reading the data; empty when they are taken and survive a round trip."""
    try:
        system = system_from_data(data, "bench.toml")
    except InputError as error:
        return str(error)
    return "" if system_from_data(system_to_data(system), "again") == system else "the round trip changes it"


@settings(max_examples=400)
@given(path=st.sampled_from(leaves(SMALL)), junk=JUNK)
def test_junk_anywhere_is_taken_or_refused_in_one_line(path: tuple[str | int, ...], junk: Any) -> None:
    line = refusal(changed(*path, junk))
    assert line == "" or line.startswith("bench.toml")
    assert "\n" not in line

"""Isolations in a system file: what is taken, what is refused, and how their ids are kept apart from other targets."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leakinfer.circuit.model import Site
from leakinfer.circuit.reader import load_system, system_from_data, system_to_data, with_site
from leakinfer.errors import InputError
from tests.circuit.test_reader import JUNK, SMALL, leaves, refusal, set_at

SECTIONS = [
    {"id": "all", "name": "all", "side": "low", "phase": "vapour"},
    {"id": "hot", "name": "hot", "side": "high", "phase": "vapour"},
]


def part(name: str = "inner", sections: tuple[str, ...] = ("all",), share: Any = 0.4, by: str = "valves") -> Any:
    return {"id": name, "name": name, "sections": list(sections), "by": by, "volume_share": share}


def system_with(*parts: Any) -> Any:
    data = copy.deepcopy(SMALL)
    return data | {"sections": copy.deepcopy(SECTIONS), "isolations": list(parts)}


def test_isolations_are_read_and_written_back() -> None:
    data = system_with(part(), part("outer", ("hot",), 0.6, "cut"), part("both", ("all", "hot"), 1.0))
    system = system_from_data(data, "bench.toml")
    found = [(one.id, one.sections, one.by, one.volume_share) for one in system.isolations]
    assert found == [
        ("inner", ("all",), "valves", 0.4),
        ("outer", ("hot",), "cut", 0.6),
        ("both", ("all", "hot"), "valves", 1.0),
    ]
    assert system_from_data(system_to_data(system), "again") == system


def test_a_system_without_isolations_is_as_good_as_ever() -> None:
    assert system_from_data(SMALL, "bench.toml").isolations == ()


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ([part("Inner")], ["isolations id", "'Inner' is not an id"]),
        ([part(), part("inner", ("hot",))], ["isolations id", "'inner' is used twice"]),
        ([part(sections=())], ["isolations[0] 'inner' sections", "no section"]),
        ([part(sections=("all", "al"))], ["isolations[0] 'inner' sections", "unknown section 'al'", "all, hot"]),
        ([part(sections=("all", "all"))], ["isolations[0] 'inner' sections", "'all' is used twice"]),
        (
            [part("one", ("all", "hot"), 1.0), part("two", ("hot", "all"), 1.0)],
            ["isolations sections", "'all + hot' is used twice"],
        ),
        ([part(share=0)], ["isolations[0] 'inner' volume_share", "share of 0", "above 0"]),
        ([part(share=1.1)], ["isolations[0].volume_share", "<= 1"]),
        ([part(share=-0.1)], ["isolations[0].volume_share", ">= 0"]),
        ([part(by="luck")], ["isolations[0].by", "luck"]),
        ([part(share=0.7), part("outer", ("hot",), 0.4)], ["isolations volume_share", "hold 1.1 of the volume"]),
        ([part("both", ("all", "hot"), 1.0), part(share=0.7), part("outer", ("hot",), 0.4)], ["hold 1.1"]),
    ],
)
def test_a_wrong_isolation_is_refused_with_file_and_key(parts: list[Any], words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        system_from_data(system_with(*parts), "bench.toml")
    line = str(caught.value)
    assert line.startswith("bench.toml: isolations")
    assert "\n" not in line
    assert [word for word in words if word not in line] == []


@pytest.mark.parametrize(
    ("taken", "by"),
    [
        ("core", "a site"),
        ("elsewhere", "a site"),
        ("left", "a zone"),
        ("tray", "a spot"),
        ("wet", "a circumstance"),
        ("yard", "a place"),
        ("hot", "a section"),
        ("whole", "the whole system"),
    ],
)
def test_an_isolation_may_not_have_the_id_of_another_target(taken: str, by: str) -> None:
    with pytest.raises(InputError, match=rf"isolations\[0\] '{taken}' id: '{taken}' is also the id of {by}"):
        system_from_data(system_with(part(taken)), "bench.toml")


def test_ones_own_site_may_not_take_the_id_of_an_isolation() -> None:
    system = load_system("ducted_split")
    near = next(site for site in system.sites if site.zone == "outside_run")
    taken = Site("outdoor_unit", "patch", "tube_run", near.place, near.zone, near.section)
    with pytest.raises(InputError, match=r"'outdoor_unit' is also the id of a site"):
        with_site(system, taken)


TWO = [part(), part("outer", ("hot",), 0.6, "cut")]


@settings(max_examples=200)
@given(path=st.sampled_from(leaves({"isolations": TWO})), junk=JUNK)
def test_junk_in_isolations_is_taken_or_refused_in_one_line(path: tuple[str | int, ...], junk: Any) -> None:
    data = system_with(*copy.deepcopy(TWO))
    set_at(data, path, junk)
    line = refusal(data)
    assert line == "" or line.startswith("bench.toml")
    assert "\n" not in line

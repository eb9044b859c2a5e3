"""The invented job ends as it promises, and what it keeps is a job like any other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from leakinfer.reading import shipped

from .helpers import answer, contents, page, refusal

FIRST, SECOND = "suction_port_core", "metering_inlet_flare"


@pytest.fixture(scope="module")
def told() -> dict[str, Any]:
    """The demo, played once."""
    return answer("demo")


def test_it_ends_with_two_leaks_confirmed_by_bubbles(told: dict[str, Any]) -> None:
    assert told["invented"] is True
    end = told["end"]
    assert end["confirmed"] == [FIRST, SECOND]
    sites = {site["site"]: site for site in end["sites"]}
    for site in (FIRST, SECOND):
        assert sites[site]["leak_probability"] >= 0.95
        assert sites[site]["matters_probability"] >= 0.95
    bubbled = [s["finding"]["target"] for s in told["steps"] if s["finding"]["method"] == "bubbles"]
    assert bubbled == [FIRST, SECOND]
    assert 0 < end["stop"]["another"] < 1


def test_the_first_leak_explains_only_part_of_the_loss_and_the_second_more_of_it(told: dict[str, Any]) -> None:
    seen = told["end"]["stop"]["observed_g_per_year"]
    grams = {site["site"]: site["expected_g_per_year"] for site in told["end"]["sites"]}
    assert grams[FIRST] < 0.6 * seen
    assert grams[SECOND] > 0.3 * seen
    assert 0.7 * seen < grams[FIRST] + grams[SECOND] < 1.1 * seen


def test_it_goes_in_the_order_of_the_trade(told: dict[str, Any]) -> None:
    """Ports are looked at and sniffed before gauges, and an area before a spot (common practice, no source)."""
    findings = [step["finding"] for step in told["steps"]]
    made = [(finding["method"], finding["target"]) for finding in findings]
    for early, late in [
        (("oil_look", "below_service_valves"), ("probe_point", "suction_port_core")),
        (("probe_point", FIRST), ("bubbles", FIRST)),
        (("bubbles", FIRST), ("probe_sweep", "indoor_coil_cabinet")),
        (("probe_sweep", "indoor_coil_cabinet"), ("probe_point", SECOND)),
        (("probe_point", SECOND), ("bubbles", SECOND)),
    ]:
        assert made.index(early) < made.index(late)
    assert any(f["outcome"] == "silent" and f["condition"]["air"] == "breeze" for f in findings)


@pytest.mark.parametrize("columns", [80, 100])
def test_the_screen_tells_each_step(told: dict[str, Any], columns: int) -> None:
    shown = page("demo", columns=columns)
    assert shown.count("\nStep ") == len(told["steps"])
    assert shown.count("Confirmed: ") == 2
    assert "Invented" in shown
    assert "of the 670 g/yr lost" in " ".join(shown.split())
    for step in shown.split("\nStep ")[1:]:
        parts = [
            step.index(words)
            for words in ("Before you start", "Proposed", "First because", "Done", "Found", "what moved")
        ]
        assert parts == sorted(parts)
    assert shown.rindex("remaining") > shown.rindex("The end")
    assert shown.index("Solution conducts") < shown.index("bubble solution: slow foam")


def test_what_it_keeps_is_a_job(told: dict[str, Any], tmp_path: Path) -> None:
    folder = tmp_path / "new" / "folder"
    path = folder / "demo.job"
    assert answer("demo", "--keep", folder) == told | {"job": str(path)}
    kept = answer("next", path)
    assert {name: kept[name] for name in told["end"]} == told["end"]
    page("check", path)
    page("why", path, FIRST)
    page("record", path, "probe_sweep", "compressor_space", "silent")
    page("undo", path)
    assert answer("next", path) == kept


def test_it_never_overwrites(tmp_path: Path) -> None:
    (tmp_path / "demo.job").write_text("mine", "utf-8")
    (tmp_path / "file").write_text("mine", "utf-8")
    before = contents(tmp_path)
    assert "exists already" in refusal("demo", "--keep", tmp_path)
    assert "file" in refusal("demo", "--keep", tmp_path / "file")
    assert contents(tmp_path) == before


def test_the_scenario_says_that_it_is_invented() -> None:
    for name in ("scenario.toml", "README.md"):
        assert "invented" in shipped("data_demo", name).read_text("utf-8").lower()

"""``repair``, ``back``, ``aired`` and ``log``."""

from __future__ import annotations

from pathlib import Path

import pytest

from .helpers import answer, begun, page, refusal
from .test_telling import chance

CORE = "suction_port_core"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months")
    page("record", path, "probe_point", CORE, "response", "--who", "Ada")
    page("record", path, "bubbles", CORE, "slow_foam")
    return path


def test_a_repair_lowers_the_chance_of_a_leak_there(job: Path) -> None:
    found = chance(job, CORE)
    told = answer("repair", job, CORE, "--note", "core changed")
    assert told["repair"] == {"target": CORE, "exchanged": False, "after": 2, "visit": 0, "note": "core changed"}
    usual = chance(job, CORE)
    assert usual < 0.2 < found
    assert CORE not in told["confirmed"]
    page("undo", job)
    assert chance(job, CORE) == found
    page("repair", job, CORE, "--exchanged")
    assert chance(job, CORE) < usual  # a new part fails less often than a repaired one


def test_a_repair_says_how_to_prove_it(job: Path) -> None:
    said = page("repair", job, "indoor_coil")
    assert said.index("Repaired: indoor coil") < said.index("Prove it:")
    assert "down to" in said
    assert "repaired" in page("fact", job, "air=still")


def test_the_list_of_sites_says_what_was_repaired_and_tested_since(job: Path) -> None:
    page("repair", job, CORE)
    assert f"{CORE}: repaired, not checked" in page("sites", job, "--all", columns=100)
    page("record", job, "probe_point", CORE, "silent")
    assert f"{CORE}: repaired, nothing detectable" in page("sites", job, "--all", columns=100)


def test_a_later_visit_begins_afresh(job: Path) -> None:
    page("fact", job, "gauges=on", "at=closet", "time_left=1 h")
    page("repair", job, CORE)
    told = answer("back", job, "--after", "6 months", "--missing", "7 oz")
    ounces = 7 * 0.028349523125  # avoirdupois ounce, by its definition
    assert told["back"]["years"] == pytest.approx(0.5)
    assert told["back"]["missing_kg"] == pytest.approx(ounces)
    assert (told["back"]["recharged"], told["back"]["after"]) == (True, 2)
    facts = answer("fact", job, "air=still")["facts"]
    assert (facts["gauges"], facts["place"], facts["minutes_left"]) == (False, None, None)
    assert answer("next", job, "--top", "1")["stop"]["observed_g_per_year"] == pytest.approx(ounces * 2000)
    assert "came back" in page("fact", job, "air=still")


def test_a_visit_that_was_not_recharged(job: Path) -> None:
    told = answer("back", job, "--after", "3 weeks", "--not-recharged")
    assert told["back"]["recharged"] is False
    assert "had not been put right" in " ".join(page("log", job).split())


def test_a_place_that_was_aired(job: Path) -> None:
    told = answer("aired", job, "yard")
    assert told["aired"] == {"place": "yard", "after": 2}
    page("undo", job)
    assert "Aired: yard" in page("aired", job, "yard")


def test_the_last_finding_is_no_surprise_after_a_repair(tmp_path: Path) -> None:
    path = begun(tmp_path, "--age", "1 month")
    page("record", path, "bubbles", "outdoor_coil_inlet_joint", "fast_bubbles")
    assert answer("next", path)["surprise"] is not None
    page("repair", path, "outdoor_coil_inlet_joint")
    assert answer("next", path)["surprise"] is None


def test_the_log_tells_all_in_order_without_what_was_taken_back(job: Path) -> None:
    page("skip", job, "closet", "--reason", "no key")
    page("fact", job, "state=nitrogen", "test=16 bar")
    page("fact", job, "state=flat")
    page("undo", job)
    page("repair", job, CORE)
    page("back", job, "--after", "2 years", "--missing", "200 g")
    page("aired", job, "yard")
    own = ["--id", "added_valve", "--name", "added valve", "--component", "ball_valve"]
    page("site", job, *own, "--zone", "outside_run", "--section", "liquid_line")
    told = answer("log", job)
    assert told["job"] == str(job)
    kinds = [line["kind"] for line in told["log"]]
    assert kinds == ["begin", "finding", "finding", "skip", "facts", "repair", "return", "aired", "site"]
    assert all(set(line) == {"number", "when", "who", "kind", "words", "body"} for line in told["log"])
    assert told["log"][1]["who"] == "Ada"
    shown = " ".join(page("log", job).split())
    for words in (
        "job on Ducted split",
        f"bubbles {CORE}: slow foam",
        "left out closet, no key",
        "nitrogen; test gas at 1,600 kPa (232 psi)",
        f"repaired at {CORE}",
        "visit 2 years after the one before, 200 g (7.1 oz) missing",
        "aired yard",
        "own place added_valve",
    ):
        assert words in shown
    assert "flat" not in shown


@pytest.mark.parametrize(
    ("told", "named"),
    [
        (("repair", "attic"), "target"),
        (("repair", "elsewhere"), "target"),
        (("repair",), "SITE"),
        (("back",), "--after"),
        (("back", "--after", "6"), "--after"),
        (("back", "--after", "0 days"), "years"),
        (("back", "--after", "6 months", "--missing", "200"), "--missing"),
        (("back", "--after", "6 months", "--missing", "20 kg"), "missing_kg"),
        (("back", "--after", "6 months", "--missing", "200 g", "--not-recharged"), "missing_kg"),
        (("aired", "moon"), "place"),
    ],
)
def test_what_cannot_be_is_refused(job: Path, told: tuple[str, ...], named: str) -> None:
    before = job.read_bytes()
    assert named in refusal(told[0], job, *told[1:])
    assert job.read_bytes() == before

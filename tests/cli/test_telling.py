"""``record``, ``skip``, ``site`` and ``undo``."""

from __future__ import annotations

from pathlib import Path

import pytest

from .helpers import answer, begun, page, refusal


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months")


def chance(job: Path, site: str) -> float:
    found = next(s["matters_probability"] for s in answer("sites", job)["sites"] if s["site"] == site)
    assert isinstance(found, float)
    return found


def test_a_response_raises_and_silence_lowers(job: Path) -> None:
    before = chance(job, "liquid_port_core")
    told = page("record", job, "probe_point", "liquid_port_core", "response")
    assert "Noted: core of the liquid port" in told
    assert "up to" in told
    assert chance(job, "liquid_port_core") > before
    page("undo", job)
    page("record", job, "probe_point", "liquid_port_core", "silent")
    assert chance(job, "liquid_port_core") < before


def test_silence_in_wind_says_less_than_in_still_air(job: Path) -> None:
    """SAE J1628 practice (secondary): shelter the spot, moving air carries the vapour off."""
    after = {}
    for air in ("still", "breeze", "wind"):
        page("record", job, "probe_point", "liquid_port_core", "silent", "--air", air)
        after[air] = chance(job, "liquid_port_core")
        page("undo", job)
    assert after["still"] < after["breeze"] < after["wind"] < chance(job, "liquid_port_core")


def test_a_false_cause_weakens_a_response(job: Path) -> None:
    page("record", job, "probe_point", "liquid_port_core", "response")
    plain = chance(job, "liquid_port_core")
    page("undo", job)
    page("record", job, "probe_point", "liquid_port_core", "response", "--false-cause", "solvent")
    assert chance(job, "liquid_port_core") < plain


@pytest.mark.parametrize(
    ("weight", "outcome"),
    [
        ("2 kg", "as_charged"),
        ("1.9 kg", "as_charged"),  # 95 % of 2 kg
        ("1.899 kg", "low"),
        ("1.6 kg", "low"),  # 80 %
        ("1.599 kg", "very_low"),
        ("3 lb 8 oz", "very_low"),  # 1.588 kg, by the definition of the pound
        ("0 kg", "very_low"),
    ],
)
def test_a_weight_gets_its_outcome_in_words(tmp_path: Path, weight: str, outcome: str) -> None:
    path = begun(tmp_path, "--charge", "2 kg")
    finding = answer("record", path, "weigh_charge", "whole", weight)["finding"]
    assert finding["outcome"] == outcome
    assert finding["reading_kg"] == pytest.approx(3.5 * 0.45359237 if "lb" in weight else float(weight.split()[0]))


def test_a_low_weight_speaks_for_a_leak_and_a_full_one_against(tmp_path: Path) -> None:
    path = begun(tmp_path, "--charge", "2 kg")
    before = answer("sites", path)["any_leak_that_matters"]
    assert answer("record", path, "weigh_charge", "whole", "1.2 kg")["any_leak_that_matters"] > before
    page("undo", path)
    assert answer("record", path, "weigh_charge", "whole", "2 kg")["any_leak_that_matters"] < before


def test_outcome_may_be_given_in_words(tmp_path: Path) -> None:
    finding = answer("record", begun(tmp_path), "weigh_charge", "whole", "low")["finding"]
    assert finding["outcome"] == "low"
    assert "reading_kg" not in finding


def test_the_condition_is_todays_unless_said_otherwise(tmp_path: Path) -> None:
    path = begun(tmp_path, "--air", "breeze", "--state", "running", "--outdoor", "30 C", "--indoor", "20 C")
    told = answer("record", path, "probe_sweep", "outside_run", "silent")["finding"]["condition"]
    told.pop("test_kpa", 0.0)
    assert told == {"state": "running", "air": "breeze", "outdoor_c": 30.0, "indoor_c": 20.0}
    other = ["--state", "standing", "--air", "wind", "--outdoor", "50 F", "--indoor", "68 F"]
    told = answer("record", path, "probe_sweep", "outside_run", "silent", *other)["finding"]["condition"]
    told.pop("test_kpa", 0.0)
    assert told == {"state": "standing", "air": "wind", "outdoor_c": pytest.approx(10), "indoor_c": pytest.approx(20)}


def test_a_surprise_is_flagged_with_what_could_explain_it(tmp_path: Path) -> None:
    path = begun(tmp_path, "--age", "1 month")
    told = answer("record", path, "bubbles", "outdoor_coil_inlet_joint", "fast_bubbles")
    assert told["surprise"]["chance"] < 0.03
    assert "froth" in told["surprise"]["words"]
    assert answer("next", path)["surprise"] == told["surprise"]
    page("undo", path)
    assert "Surprise" in page("record", path, "bubbles", "outdoor_coil_inlet_joint", "fast_bubbles")
    page("record", path, "probe_point", "liquid_port_core", "silent")
    assert answer("next", path)["surprise"] is None


def test_hoses_end_the_tests_of_the_ports_but_not_what_was_checked_before(job: Path) -> None:
    page("fact", job, "gauges=on")
    refused = {(r["method"], r["target"]) for r in answer("next", job)["not_allowed"]}
    assert ("probe_point", "liquid_port_core") in refused
    assert "gauge hoses" in page("next", job)
    assert "hoses" in refusal("record", job, "probe_point", "liquid_port_core", "silent")
    told = page("record", job, "probe_point", "liquid_port_core", "silent", "--earlier", columns=100)
    assert "silent (before this job)" in told


def test_another_test_than_the_one_proposed_is_taken(job: Path) -> None:
    last = answer("next", job)["next"][-1]
    outcome = max(last["outcomes"], key=last["outcomes"].get)
    told = answer("record", job, last["method"], last["target"], outcome, "--state", last["condition"]["state"])
    assert told["finding"]["target"] == last["target"]


def test_a_skip_is_not_proposed_and_keeps_its_weight(job: Path) -> None:
    before = chance(job, "liquid_port_core")
    page("skip", job, "liquid_port_core", "--reason", "cap seized")
    told = answer("next", job)
    assert all(test["target"] != "liquid_port_core" for test in told["next"])
    reasons = {r["reason"] for r in told["not_allowed"] if r["target"] == "liquid_port_core"}
    assert reasons == {"left out: cap seized"}
    assert chance(job, "liquid_port_core") == before
    assert "cap seized" in page("next", job)


def test_one_way_of_testing_can_be_skipped_and_a_whole_place(job: Path) -> None:
    told = answer("skip", job, "suction_port_core", "--method", "bubbles", "--reason", "none left")
    assert told["skips"] == [{"target": "suction_port_core", "reason": "none left", "method": "bubbles"}]
    page("skip", job, "closet", "--reason", "no key")
    tests = answer("next", job)["next"]
    assert "suction_port_core" in {test["target"] for test in tests if test["method"] == "probe_point"}
    assert "suction_port_core" not in {test["target"] for test in tests if test["method"] == "bubbles"}
    assert "closet" not in {test["place"] for test in tests}


def test_a_place_of_ones_own_can_be_tested_and_undone(job: Path) -> None:
    before = answer("next", job)
    own = ["--id", "added_valve", "--name", "valve added in the liquid line", "--component", "ball_valve"]
    own += ["--zone", "outside_run", "--section", "liquid_line", "--count", "2", "--no-view", "--exposure", "vibration"]
    told = answer("site", job, *own)
    assert told["site"]["place"] == "yard"
    assert (told["site"]["count"], told["site"]["view"], told["site"]["exposures"]) == (2, False, ["vibration"])
    assert 0 < told["matters_probability"] < 1
    page("record", job, "probe_point", "added_valve", "response")
    assert chance(job, "added_valve") > told["matters_probability"]
    page("undo", job)
    page("undo", job)
    assert answer("next", job) == before
    assert "Added: valve added" in page("site", job, *own)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (("record", "bubbles", "suction_port_core", "slow_foam", "--note", "dürre Stelle ✓"), "suction_port_core"),
        (("record", "weigh_charge", "whole", "1.6 kg"), "very low"),
        (("fact", "air=wind", "age=14 years"), "age 14 years"),
        (
            ("fact", "state=nitrogen", "test=230psi", "isolated=outdoor_unit"),
            "shut into outdoor unit behind its service valves",
        ),
        (("skip", "closet", "--reason", "no key"), "no key"),
        (("repair", "indoor_coil", "--exchanged"), "part exchanged at indoor_coil"),
        (("back", "--after", "6 months", "--missing", "200 g"), "200 g (7.1 oz) missing"),
        (("aired", "yard"), "aired yard"),
    ],
)
def test_undo_brings_back_exactly_the_same_answer(job: Path, told: tuple[str, ...], words: str) -> None:
    page("record", job, "oil_look", "below_service_valves", "oil")
    before = page("next", job, "--json")
    page(told[0], job, *told[1:], "--who", "Ada")
    assert page("next", job, "--json") != before or told[0] == "aired"  # nothing hung in the air yet
    assert words in " ".join(page("undo", job).split())
    assert page("next", job, "--json") == before


def test_undo_stops_at_the_beginning(job: Path) -> None:
    page("record", job, "oil_look", "below_service_valves", "oil")
    assert answer("undo", job)["undone"]["body"]["outcome"] == "oil"
    assert "nothing left" in refusal("undo", job)


def test_when_all_is_left_out_it_says_so(job: Path) -> None:
    for target in ("yard", "outdoor_inside", "basement", "closet", "coil_box", "whole"):
        page("skip", job, target, "--reason", "nobody home")
    told = answer("next", job)
    assert (told["next"], told["stop"]["cheapest"]) == ([], None)
    shown = page("next", job)
    assert "No test is possible now." in shown
    assert "nobody home" in shown
    assert "core of the liquid port" in shown


def test_a_system_that_cannot_leak_yet_has_no_likely_place(tmp_path: Path) -> None:
    path = begun(tmp_path, "--age", "0 years", "--charge-weighed")
    assert answer("sites", path)["any_leak"] == pytest.approx(0, abs=1e-12)
    assert "None above 1%." in page("next", path)
    assert "None above 1%." in page("sites", path)

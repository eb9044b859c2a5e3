"""``next``, ``sites``, ``why`` and the lists: what they answer, against the rules of probability and the trade."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest

from leakinfer.cli.answer import belief_answer
from leakinfer.job.belief import Belief
from leakinfer.reading import shipped
from tests.job.small import CATALOGUE, found, shipped_job, told

from .helpers import answer, begun, contents, page

TEST_KEYS = {
    *("method", "target", "condition", "place", "bits", "minutes", "minutes_detail", "bits_per_minute", "outcomes"),
    *("reason", "how", "spoils", "cautions", "repeat", "perishable", "cost", "steps"),
}
STOP_KEYS = {
    *("stop", "reason", "confirmed", "another", "expected_g_per_year", "observed_g_per_year", "cheapest"),
    *("likely", "doubtful", "prove", "explained_g_per_year", "at_stake_minutes", "worth_minutes"),
}
NEXT_KEYS = {
    *(
        "exact",
        "effective_sample_size",
        "log_evidence",
        "any_leak",
        "any_leak_that_matters",
        "not_a_leak",
        "matters_g_per_year",
        "confirmed",
    ),
    *("sites", "units", "objective", "next", "not_allowed", "stop", "surprise", "notices", "ask", "meanwhile", "notes"),
}
SITE_KEYS = {"site", "name", "unit", "place", "leak_probability", "matters_probability", "expected_g_per_year"}


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months", "--at", "yard")


def test_next_answers_with_all_its_parts(job: Path) -> None:
    told = answer("next", job)
    assert set(told) == NEXT_KEYS
    assert told["exact"] is True
    assert all(set(site) == SITE_KEYS for site in told["sites"])
    assert all(set(test) == TEST_KEYS for test in told["next"])
    assert set(told["stop"]) == STOP_KEYS
    assert set(told["stop"]["cheapest"]) == TEST_KEYS
    assert {frozenset(refused) for refused in told["not_allowed"]} == {frozenset({"method", "target", "reason"})}
    assert told["objective"] == "expected_cost"
    assert told["surprise"] is None


def test_its_numbers_fit_together(job: Path) -> None:
    told = answer("next", job)
    for test in told["next"]:
        assert sum(test["outcomes"].values()) == pytest.approx(1, abs=1e-9)
        assert test["minutes"] == pytest.approx(sum(test["minutes_detail"].values()))
        assert test["bits_per_minute"] == pytest.approx(test["bits"] / test["minutes"])
        assert test["bits"] >= 0
    for site in told["sites"]:
        assert 0 <= site["matters_probability"] <= site["leak_probability"] <= told["any_leak"] + 1e-12
    assert told["stop"]["observed_g_per_year"] == pytest.approx(900 / 1.5)
    assert told["stop"]["another"] == pytest.approx(told["any_leak_that_matters"])


def without_hoses(tests: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Tests that connect no hoses; the others stand behind the tests that hoses would end."""
    gauges = {setup.id for setup in CATALOGUE.setups.values() if setup.gauges}
    return [
        test
        for test in tests
        if not CATALOGUE.methods[test["method"]].gauges and not gauges & {step["setup"] for step in test["steps"]}
    ]


@pytest.mark.parametrize("objective", ["bits", "bits_per_minute"])
def test_tests_are_ranked_by_the_objective(job: Path, objective: str) -> None:
    told = answer("next", job, "--objective", objective)
    assert told["objective"] == objective
    worth = [test[objective] for test in without_hoses(told["next"])]
    assert worth == sorted(worth, reverse=True)
    assert len(answer("next", job, "--top", "3")["next"]) == 3


def test_tests_are_ranked_by_the_expected_cost(job: Path) -> None:
    """Minutes to the end, in bands of the forecast's margin, from the least one up."""
    told = answer("next", job)
    costs = [test["cost"] for test in told["next"]]
    share = 1 + CATALOGUE.numbers["cost_margin_share"]
    bands = [int(math.log(test["cost"] / min(costs), share)) for test in without_hoses(told["next"])]
    assert bands == sorted(bands)
    stop = told["stop"]
    assert stop["worth_minutes"] == pytest.approx(max(0.0, stop["at_stake_minutes"] - min(costs)))


def test_what_is_forecast_is_the_mean_of_what_follows(job: Path, tmp_path: Path) -> None:
    """Law of total probability: today's chance of every site is the mean over the outcomes of a test of tomorrow's."""
    told = answer("next", job)
    test = next(t for t in told["next"] if (t["method"], t["target"]) == ("bubbles", "liquid_port_core"))
    mean = dict.fromkeys((site["site"] for site in told["sites"]), 0.0)
    for outcome, chance in test["outcomes"].items():
        copy = tmp_path / f"{outcome}.job"
        copy.write_bytes(job.read_bytes())
        after = answer("record", copy, "bubbles", "liquid_port_core", outcome, "--state", test["condition"]["state"])
        for site in after["sites"]:
            mean[site["site"]] += chance * site["matters_probability"]
        assert after["log_evidence"] == pytest.approx(told["log_evidence"] + math.log(chance), abs=1e-9)
    for site in told["sites"]:
        assert mean[site["site"]] == pytest.approx(site["matters_probability"], abs=1e-9)


def test_ports_come_before_hoses_on_a_unit_of_middle_age(tmp_path: Path) -> None:
    """Common practice, no source: valve cores and their caps are tested before gauges go on."""
    told = answer("next", begun(tmp_path, "--consent", "intrusive"))
    least = CATALOGUE.numbers["stop_bits_per_minute"]
    ports = [n for n, t in enumerate(told["next"]) if t["perishable"] and t["bits_per_minute"] > least]
    free = [n for n, t in enumerate(told["next"]) if t in without_hoses([t])]
    hoses = set(range(len(told["next"]))) - set(free)
    assert ports
    assert hoses
    assert max(ports) < min(hoses)
    assert told["next"][0]["cautions"]


def test_what_must_be_done_first_is_listed_with_its_minutes(job: Path) -> None:
    page("fact", job, "consent=intrusive")
    told = answer("next", job)
    holds = [t for t in told["next"] if (t["method"], t["target"]) == ("hold_day", "whole")]
    held = next(t for t in holds if t["condition"]["state"] == "nitrogen")
    assert [step["setup"] for step in held["steps"]] == ["recover", "fill_nitrogen"]
    assert held["minutes_detail"]["state"] == pytest.approx(sum(s["minutes"] for s in held["steps"]))
    assert held["minutes_detail"]["waiting"] > 0
    assert held["condition"]["test_kpa"] > 0


@pytest.mark.parametrize(
    ("test", "counts"),
    [
        (("oil_point", "suction_drier", "oil"), False),
        (("look", "litter_at_compressor", "present"), False),
        (("probe_point", "suction_drier", "response"), True),
    ],
)
def test_a_look_that_says_the_same_again_counts_once_and_says_so(
    job: Path, test: tuple[str, str, str], counts: bool
) -> None:
    words = "has said so before"
    assert words not in page("record", job, *test)
    sites = answer("sites", job, "--all")
    assert (words in page("record", job, *test)) == (not counts)
    assert (answer("sites", job, "--all")["units"] == sites["units"]) == (not counts)


def test_questions_change_nothing(job: Path) -> None:
    before = contents(job.parent)
    assert answer("next", job) == answer("next", job)
    for command in (("sites", job), ("sites", job, "--all"), ("why", job, "liquid_port_core"), ("check", job)):
        page(*command)
    assert contents(job.parent) == before


def test_sites_by_repair_unit(job: Path) -> None:
    told = answer("sites", job)
    units = {unit["unit"]: unit["matters_probability"] for unit in told["units"]}
    for site in told["sites"]:
        assert site["matters_probability"] <= units[site["unit"]] + 1e-12
    some, every = page("sites", job), page("sites", job, "--all")
    assert "indoor coil, one repair unit" in some
    assert "more are below 1%" in some
    assert len(every.splitlines()) > len(some.splitlines())
    assert all(site["site"] in every for site in told["sites"])


def test_sites_say_what_is_known_of_each(job: Path) -> None:
    page("record", job, "probe_point", "liquid_port_core", "silent")
    page("record", job, "probe_sweep", "coil_connections", "response")
    page("record", job, "probe_point", "suction_port_core", "response")
    assert "suction_port_core: likely here" in page("sites", job)
    page("record", job, "bubbles", "suction_port_core", "fast_bubbles")
    said = page("sites", job, "--all", columns=100)
    assert "suction_port_core: confirmed" in said
    assert "liquid_port_core: nothing detectable (electronic probe at one spot, standing, still air)" in said
    assert "indoor_liquid_joint: cannot tell yet" in said
    assert "discharge_tube: not checked" in said


def test_why_ends_at_todays_chance(job: Path) -> None:
    page("record", job, "oil_point", "liquid_port_core", "oil")
    told = answer("why", job, "liquid_port_core")
    today = next(s for s in answer("sites", job)["sites"] if s["site"] == "liquid_port_core")
    assert told["steps"][-1]["probability"] == pytest.approx(today["matters_probability"])
    chances = [step["probability"] for step in told["steps"]]
    odds = [chance / (1 - chance) for chance in chances]
    for before, after, step in zip(odds, odds[1:], told["steps"][1:], strict=False):
        assert step["odds_ratio"] == pytest.approx(after / before, rel=1e-6)
    assert "valve core" in page("why", job, "liquid_port_core")


def test_lists(tmp_path: Path) -> None:
    systems = [system["id"] for system in answer("systems")["systems"]]
    files = {found.stem for found in shipped("priors", "systems").glob("*.toml")}
    assert set(systems) == files | {"rack_store"}
    methods = {method["method"]: method for method in answer("methods")["methods"]}
    assert methods["bubbles"]["outcomes"] == ["none", "slow_foam", "fast_bubbles"]
    assert answer("methods", "bubbles")["methods"] == [methods["bubbles"]]
    assert {cause["id"] for cause in methods["bubbles"]["false_causes"]} == {"foam", "cleaner"}
    parts = answer("systems", "ducted_split")["system"]
    shown = page("systems", "ducted_split")
    for kind in ("places", "zones", "sections", "sites", "spots", "circumstances"):
        assert all(re.search(rf"^  {part['id']}\b", shown, re.MULTILINE) for part in parts[kind])
    assert "slow_foam" in page("methods")
    assert "Solution conducts" in page("methods", "bubbles")
    assert "ducted_split" in page("systems")


def test_an_answer_from_draws_says_so_and_how_much_they_are_worth() -> None:
    job = shipped_job("ducted_split", age_years=11.0, loss={"kg": 0.5, "years": 1.5})
    drawn = Belief(told(job, *[found("probe_sweep", "service_valves", "response")] * 7))
    answered, exact = belief_answer(drawn), belief_answer(Belief(job))
    assert answered["exact"] is False
    assert 0 < answered["effective_sample_size"] <= 4000
    assert (exact["exact"], exact["effective_sample_size"]) == (True, None)

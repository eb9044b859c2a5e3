"""What no plan may ever hold: pressure above a rating, a spark near gas that burns, R-744 by guesswork."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from leakinfer.circuit.conditions import condition_numbers
from leakinfer.circuit.ratings import section_rating_kpa
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.physics.properties import load_properties
from leakinfer.planner.candidates import Reach, possible, possible_in
from leakinfer.planner.plan import make_plan
from tests.job.small import CATALOGUE, job_on, shipped_job

SYSTEMS = ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store")
LISTED: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parents[2] / "priors" / "refrigerants.toml").read_text(encoding="utf-8")
)["refrigerant"]
NAMES = [one["name"] for one in LISTED]
BURNING = [one["name"] for one in LISTED if one["safety_class"] in ("A2L", "A2", "A3", "B2L", "B2", "B3")]
DIOXIDE = "R-744"


def planned(job: Job) -> list[tuple[float, tuple[str, ...]]]:
    """Every test pressure that may be planned, with the sections that it reaches."""
    reach = Reach(job)
    whole = [
        one for state in ("nitrogen", "tracer") for one in reach.conditions.get(state, ()) if not isinstance(one, str)
    ]
    parts = [reach.isolated(part.id, state) for part in job.system.isolations for state in ("nitrogen", "tracer")]
    found = [one for one in (*whole, *parts) if not isinstance(one, str)]
    return [(one.test_kpa, one.sections) for one in found]


def limit(job: Job, sections: tuple[str, ...]) -> float:
    """The lowest rating among the sections: each side's nameplate, else saturation at its design temperature."""
    fluid, facts = load_properties().fluid(job.facts.refrigerant), job.facts
    reached = [one for one in job.system.sections if not sections or one.id in sections]
    plates = (facts.rating_high_kpa, facts.rating_low_kpa)
    return min(section_rating_kpa(one, fluid, condition_numbers(), *plates) for one in reached)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(SYSTEMS),
    refrigerant=st.sampled_from([one for one in NAMES if one != DIOXIDE]),
    low=st.none() | st.floats(50, 3000),
    more=st.none() | st.floats(0, 5000),
)
def test_no_planned_pressure_is_above_a_rating(
    name: str, refrigerant: str, low: float | None, more: float | None
) -> None:
    high = None if more is None else (low or 3000.0) + more
    plates = {"rating_low_kpa": low, "rating_high_kpa": high}
    job = shipped_job(name, refrigerant=refrigerant, state="flat", consent="intrusive", **plates)
    pressures = planned(job)
    assert len(pressures) >= 2
    step = CATALOGUE.numbers["test_pressure_step_kpa"]
    for kpa, sections in pressures:
        assert 0 < kpa <= limit(job, sections)
        assert kpa > limit(job, sections) - step - 1e-6


@pytest.mark.parametrize("name", SYSTEMS)
def test_nor_is_one_of_a_proposed_test(name: str) -> None:
    job = shipped_job(name, state="flat", consent="intrusive", rating_high_kpa=2500.0, rating_low_kpa=900.0)
    tested = [one.condition for one in possible(Belief(job))[0] if one.condition.test_kpa]
    assert tested
    for told in tested:
        reached = [s for s in job.system.sections if not told.sections or s.id in told.sections]
        high_only = all("high" in (s.side, s.heating_side) for s in reached)
        assert told.test_kpa <= (2500.0 if high_only else 900.0)


def test_a_nameplate_of_less_than_a_step_allows_nothing() -> None:
    """No pressure at all can be set below it: nothing is planned, and it is no error."""
    job = shipped_job("ducted_split", state="flat", rating_high_kpa=8.0, rating_low_kpa=8.0)
    assert not [one for one in possible(Belief(job))[0] if one.condition.state in ("nitrogen", "tracer")]


def test_a_nameplate_of_just_a_step_allows_that_step() -> None:
    step = CATALOGUE.numbers["test_pressure_step_kpa"]
    pressures = planned(shipped_job("ducted_split", state="flat", rating_high_kpa=step, rating_low_kpa=step))
    assert pressures
    assert {kpa for kpa, _ in pressures} == {step}


def dioxide(**facts: Any) -> Job:
    """A rack on R-744."""
    return job_on(shipped_job("rack_store").system, refrigerant=DIOXIDE, indoor_c=3.0, **facts)


def test_no_pressure_is_guessed_for_carbon_dioxide() -> None:
    job = dioxide(state="flat", consent="intrusive")
    assert planned(job) == []
    reasons = {one.method: one.reason for one in possible(Belief(job))[1]}
    assert "nameplate" in reasons["hold_day"] or "R-744" in reasons["hold_day"]


def test_a_nameplate_opens_it() -> None:
    job = dioxide(state="flat", consent="intrusive", rating_high_kpa=12000.0, rating_low_kpa=5200.0)
    pressures = planned(job)
    assert pressures
    assert all(kpa <= (12000.0 if sections else 5200.0) for kpa, sections in pressures)


def test_no_running_pressure_is_assumed_for_carbon_dioxide() -> None:
    job = dioxide(high_kpa=4000.0, low_kpa=4000.0, outdoor_c=10.0)
    found, _ = possible(Belief(job))
    assert {one.condition.state for one in found} == {"standing"}


# what burns


def sparking() -> Job:
    """A ducted split on R-32 and a catalogue whose ear makes sparks."""
    ear = structs.replace(CATALOGUE.methods["ear_point"], ignites=True)
    methods = {**CATALOGUE.methods, "ear_point": ear}
    return job_on(shipped_job("ducted_split").system, structs.replace(CATALOGUE, methods=methods), refrigerant="R-32")


def test_nothing_that_ignites_is_used_where_gas_burns() -> None:
    job = sparking()
    found, refused = possible(Belief(job))
    assert "ear_point" not in {one.method for one in found}
    assert "burns" in next(one.reason for one in refused if one.method == "ear_point")
    calm = job.with_facts({"refrigerant": "R-410A"})
    assert "ear_point" in {one.method for one in possible(Belief(calm))[0]}


def test_the_list_knows_which_burn() -> None:
    """ASHRAE 34 classes, from memory."""
    assert {"R-32", "R-454B", "R-290", "R-600a"} <= set(BURNING)
    assert not {"R-410A", "R-22", "R-134a", DIOXIDE} & set(BURNING)


@pytest.mark.parametrize("refrigerant", ["R-32", "R-290", "R-410A"])
def test_where_gas_burns_that_is_said_first(refrigerant: str) -> None:
    job = shipped_job("ducted_split", refrigerant=refrigerant, air="wind", consent="intrusive")
    warned = 0
    for test in make_plan(Belief(job)).next:
        burning = [text.startswith("Flammable") for text in test.cautions]
        assert burning == sorted(burning, reverse=True), test.candidate
        warned += any(burning)
    assert (warned > 100) == (refrigerant in BURNING)


def test_hands_go_behind_a_panel_only_with_the_power_off() -> None:
    """Lock-out before guards are passed (OSHA 29 CFR 1910.147, from memory): nothing with hands in is planned running
    at a place with a panel; where the system stands it is."""
    job = shipped_job("ducted_split", state="running")
    panelled = {place.id for place in job.system.places if place.open_minutes > 0}
    inside = [test.candidate for test in make_plan(Belief(job)).next if test.candidate.place in panelled]
    hands = [one for one in inside if job.catalogue.methods[one.method].hands_in]
    assert {one.condition.state for one in hands if not job.catalogue.methods[one.method].lasting} == {"standing"}
    assert "running" in {one.condition.state for one in inside}


@pytest.mark.parametrize("method", ["hold_hour", "vacuum_hold"])
def test_what_is_planned_beside_a_shut_off_part_can_be_told(method: str) -> None:
    """While test gas or a vacuum is shut into a part no hold of the whole is planned, and all that is can be told."""
    job = shipped_job("ductless_split", consent="intrusive")
    parts = [one for one in possible_in(job, charging=False)[0] if one.method == method and one.condition.sections]
    assert len(parts) > 1
    methods = job.catalogue.methods
    for part in parts:
        later = job.with_finding(Finding(part.method, part.target, methods[method].silent, part.condition))
        planned_here = possible_in(later, charging=False)[0]
        assert any(methods[one.method].kind == "hold" for one in planned_here)
        for one in planned_here:
            later.with_finding(Finding(one.method, one.target, methods[one.method].silent, one.condition))

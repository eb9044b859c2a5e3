"""What a test costs: itself, the way, the panel, the change of state; and that one stays where one stands."""

from __future__ import annotations

from itertools import pairwise

import pytest
from msgspec import structs

from leakinfer.circuit.model import WHOLE, Place, Site, System
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Minutes
from leakinfer.planner.plan import make_plan
from tests.job.small import CATALOGUE, CLOSET, COIL, VALVES, YARD, found, job_on, shipped_job, site, system, told

from .oracle import again, pick, plan_of

PROBE = CATALOGUE.methods["probe_point"]


def two_places(*more: Site) -> System:
    """A joint in the yard, 2 minutes away, and bends in a closet, 3 minutes away behind a panel of 7."""
    made = system(
        site("joint", "brazed_joint", exposures=("tube_rubbing",)), site("bends", "return_bend", zone=COIL), *more
    )
    places = (Place(YARD, "yard", 2, outdoors=True), Place(CLOSET, "closet", 3, open_minutes=7))
    return structs.replace(made, places=places)


def test_the_way_and_the_panel() -> None:
    plan = plan_of(job_on(two_places()))
    assert pick(plan, "probe_point", "joint").minutes == Minutes(PROBE.minutes, travel=2)
    bends = PROBE.techniques["return_bend"].minutes
    assert bends is not None
    assert bends > PROBE.minutes
    assert pick(plan, "probe_point", "bends").minutes == Minutes(bends, travel=3, opening=7)
    assert pick(plan, "probe_point", "bends").minutes.total == bends + 10
    assert pick(plan, "probe_sweep", COIL).minutes == Minutes(
        CATALOGUE.methods["probe_sweep"].minutes, travel=3, opening=7
    )


def test_no_way_where_one_stands_and_no_panel_twice() -> None:
    job = told(job_on(two_places()), found("probe_point", "bends", "silent"))
    plan = plan_of(job)
    assert pick(plan, "probe_sweep", COIL).minutes == Minutes(CATALOGUE.methods["probe_sweep"].minutes)
    away = plan_of(told(job, found("probe_point", "joint", "silent")))
    assert pick(away, "probe_sweep", COIL).minutes == Minutes(CATALOGUE.methods["probe_sweep"].minutes, travel=3)
    assert pick(away, "probe_sweep", VALVES).minutes.travel == 0


def test_an_open_panel_and_a_place_as_facts() -> None:
    job = job_on(two_places(), opened=(CLOSET,), place=YARD)
    plan = plan_of(job)
    assert pick(plan, "probe_point", "bends").minutes.opening == 0
    assert pick(plan, "probe_point", "joint").minutes.total == PROBE.minutes


@pytest.mark.parametrize(("now", "other", "name"), [("standing", "running", "start"), ("running", "standing", "stop")])
def test_a_change_of_state_costs_its_minutes(now: str, other: str, name: str) -> None:
    plan = plan_of(job_on(two_places(), state=now))
    assert pick(plan, "probe_point", "joint", now).minutes.state == 0
    assert pick(plan, "probe_point", "joint", other).minutes.state == CATALOGUE.setups[name].minutes > 0


@pytest.mark.parametrize(("now", "heating"), [("running", False), ("running", True), ("standing", False)])
def test_to_turn_a_running_heat_pump_round_is_a_start_of_its_own(now: str, heating: bool) -> None:
    """Running as it is costs nothing more, the other way round a start, as from a standstill."""
    start = CATALOGUE.setups["start"]
    plan = plan_of(shipped_job("heat_pump", state=now, heating=heating))
    running = [test for test in plan.next if test.candidate.condition.state == "running"]
    for test in running:
        as_it_is = (now, heating) == ("running", test.candidate.condition.heating)
        assert test.minutes.state == (0 if as_it_is else start.minutes)
        assert (start in test.steps) is not as_it_is
    assert {test.candidate.condition.heating for test in running} == {False, True}


@pytest.mark.parametrize("now", ["standing", "running"])
def test_what_lasts_and_looks_are_made_as_it_is_now(now: str) -> None:
    plan = plan_of(job_on(two_places(), state=now, consent="intrusive"))
    for test in plan.next:
        if test.candidate.method in ("oil_point", "oil_look", "look"):
            assert test.candidate.condition.state == now
            assert test.minutes.state == 0
        if test.candidate.method == "weigh_charge":
            assert test.candidate.condition.state == "standing"
            assert test.minutes.state == (CATALOGUE.setups["stop"].minutes if now == "running" else 0)


def test_a_look_takes_the_minutes_of_its_circumstance() -> None:
    look = CATALOGUE.exposures["tube_rubbing"].look.minutes
    assert look != CATALOGUE.methods["look"].minutes
    assert pick(plan_of(job_on(two_places())), "look", "joint:tube_rubbing").minutes == Minutes(look, travel=2)


def test_a_weighing_needs_no_place() -> None:
    test = pick(plan_of(job_on(two_places(), consent="intrusive")), "weigh_charge", WHOLE)
    assert test.candidate.place is None
    assert test.minutes == Minutes(CATALOGUE.methods["weigh_charge"].minutes)


def test_minutes_change_no_bits() -> None:
    here, away = (plan_of(job_on(two_places(), place=place, opened=(CLOSET,))) for place in (CLOSET, YARD))
    for test in here.next:
        other = again(away, test)
        assert other.bits == pytest.approx(test.bits, abs=1e-12)


def test_standing_in_a_place_lowers_the_minutes_there_only() -> None:
    job = shipped_job("ducted_split")
    before, there = plan_of(job), plan_of(job.with_facts({"place": "coil_box", "opened": ("coil_box",)}))
    for test in before.next:
        one = test.candidate
        after = again(there, test)
        saved = 3 + 10 if one.place == "coil_box" else 0
        assert test.minutes.total - after.minutes.total == pytest.approx(saved)


# staying


def walk(job: Job, steps: int) -> list[str]:
    """The places of the next tests, each made as proposed and silent."""
    places = []
    for _ in range(steps):
        one = make_plan(Belief(job)).next[0].candidate
        job = job.with_finding(Finding(one.method, one.target, job.catalogue.methods[one.method].silent, one.condition))
        places.append(one.place or "anywhere")
    return places


def moves(places: list[str]) -> int:
    """How often one goes to another place."""
    return sum(one != other for one, other in pairwise(places))


@pytest.mark.parametrize("start", [YARD, CLOSET])
def test_equal_joints_in_two_places_are_tested_place_by_place(start: str) -> None:
    """Three equal joints here and three there: six probes with one walk, not five."""
    made = system(*(site(f"joint_{n}", "brazed_joint", zone=(VALVES, COIL)[n % 2]) for n in range(6)))
    only_probe = structs.replace(CATALOGUE, methods={"probe_point": PROBE})
    places = walk(job_on(made, only_probe, place=start, outdoor_c=22.0), 6)
    assert places[:3] == [start] * 3
    assert moves(places) == 1


def test_a_much_likelier_place_is_worth_the_way() -> None:
    made = system(site("core", "valve_core"), site("joint", "brazed_joint", zone=COIL))
    assert walk(job_on(made, place=CLOSET), 1) == [YARD]


def test_inside_the_coil_cabinet_one_stays_a_while() -> None:
    """Standing in an opened cabinet after its sweep responded, the next tests are made there."""
    job = told(shipped_job("ducted_split"), found("probe_sweep", "indoor_coil_cabinet", "response"))
    assert walk(job, 3) == ["coil_box"] * 3

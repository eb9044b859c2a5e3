"""What a good technician would do next, asked of the shipped priors and systems.

Common practice, no source, where nothing else is said.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Ranked
from leakinfer.planner.plan import make_plan
from tests.job.small import CATALOGUE, COIL, found, job_on, shipped_job, site, system, told, weighed

from .oracle import again, pick, plan_of

SPLITS = ("ducted_split", "heat_pump")
PORT_CLASSES = {"valve_core", "cap_brass_seal", "cap_plastic"}


def component(job: Job, test: Ranked) -> str:
    """Component class of what a point test is made on, else nothing."""
    kind = job.catalogue.methods[test.candidate.method].kind
    return job.site(test.candidate.target).component if kind == "point" else ""


def zone(job: Job, test: Ranked) -> str:
    """Where a test looks: the zone of its site, or the swept one."""
    one, kind = test.candidate, job.catalogue.methods[test.candidate.method].kind
    if kind == "point":
        return job.site(one.target).zone
    return one.target if kind == "sweep" else ""


def all_silent(job: Job) -> Job:
    """Every area and every spot tested with the probe, and none responded; looked at for oil, and none found."""
    methods = job.catalogue.methods
    for name in ("oil_look", "oil_point", "probe_sweep", "probe_point"):
        method = methods[name]
        targets = [target for target in job.targets(method) if job.hindrance(method, target) is None]
        job = told(job, *(found(name, target, method.silent) for target in targets))
    return job


# what comes first


@pytest.mark.parametrize("age", [8.0, 12.0, 16.0])
@pytest.mark.parametrize("name", SPLITS)
def test_on_a_plain_system_of_middle_age_the_ports_come_first(name: str, age: float) -> None:
    job = shipped_job(name, age_years=age)
    plan = plan_of(job)
    assert [component(job, test) in PORT_CLASSES for test in plan.next[:2]] == [True, True]
    assert component(job, plan.next[0]) == "valve_core"
    assert plan.next[0].candidate.method == "probe_point"


@pytest.mark.parametrize("name", SPLITS)
def test_one_walk_from_the_van_serves_many_tests(name: str) -> None:
    """While all is silent, the first six tests lie at two places at most, and no place is left and come back to."""
    job, places = shipped_job(name), list[str]()
    for _ in range(10):
        one = make_plan(Belief(job)).next[0].candidate
        job = job.with_finding(Finding(one.method, one.target, job.catalogue.methods[one.method].silent, one.condition))
        places.append(one.place or "anywhere")
    assert len(set(places[:6])) <= 2
    assert sum(one != other for one, other in pairwise(places)) == len(set(places)) - 1


# state and air


@pytest.mark.parametrize("now", ["standing", "running"])
def test_an_indoor_coil_is_swept_standing(now: str) -> None:
    """The low side has more pressure standing than running."""
    made = system(
        site("bends", "return_bend", "suction", COIL, count=30, unit="coil"),
        site("tubes", "fin_tube", "suction", COIL, count=30, unit="coil"),
        site("header", "coil_header", "suction", COIL, unit="coil"),
    )
    plan = plan_of(job_on(made, age_years=12.0, state=now))
    assert pick(plan, "probe_sweep", COIL).bits > pick(plan, "probe_sweep", COIL, "running").bits


@pytest.mark.parametrize("name", SPLITS)
def test_so_are_the_coil_cabinets_of_shipped_systems(name: str) -> None:
    plan = plan_of(shipped_job(name))
    sweeps = [pick(plan, "probe_sweep", "indoor_coil_cabinet", state) for state in ("standing", "running")]
    assert sweeps[0].bits_per_minute > sweeps[1].bits_per_minute
    at_bends = {
        (test.candidate.method, test.candidate.condition.state)
        for test in plan.next
        if test.candidate.target == "indoor_return_bends"
    }
    assert ("probe_point", "standing") in at_bends
    hands = {method for method, state in at_bends if state == "running"}
    assert not any(CATALOGUE.methods[method].hands_in for method in hands)  # behind a panel the power is locked off


@pytest.mark.parametrize("name", SPLITS)
def test_wind_spoils_probing_outdoors_and_not_indoors(name: str) -> None:
    job = shipped_job(name)
    still, wind = plan_of(job), plan_of(job.with_facts({"air": "wind"}))
    outdoors = {place.id: place.outdoors for place in job.system.places}
    weaker = 0
    for test in still.next:
        one = test.candidate
        if one.method not in ("probe_point", "probe_sweep") or one.place is None:
            continue
        other = again(wind, test)
        if outdoors[one.place]:
            assert other.bits < test.bits
            assert other.outcomes["response"] < test.outcomes["response"]
            weaker += other.bits < 0.7 * test.bits
        else:
            assert other.bits == pytest.approx(test.bits, abs=1e-12)
    assert weaker > 10


def test_in_wind_the_indoor_side_comes_sooner() -> None:
    job = shipped_job("ducted_split")
    ranks = []
    for air in ("still", "wind"):
        plan = plan_of(job.with_facts({"air": air}))
        ranks.append(plan.next.index(pick(plan, "probe_sweep", "indoor_coil_cabinet")))
    assert ranks[1] < ranks[0]


def test_a_cold_coil_that_runs_is_no_place_for_a_probe() -> None:
    """R-134a evaporating at 3 C has about 225 kPa gauge (from memory): below the 340 kPa of SAE J1627 and J1628
    practice (secondary)."""
    made = system(site("bends", "return_bend", "suction", COIL, count=20))
    plan = plan_of(job_on(made, refrigerant="R-134a", state="running"))
    running = pick(plan, "probe_point", "bends", "running")
    assert running.bits < 0.7 * pick(plan, "probe_point", "bends").bits
    assert "silence would say little" in running.reason
    assert "silence would say little" not in pick(plan, "probe_point", "bends").reason


# following a response


@pytest.mark.parametrize(
    ("name", "area"),
    [
        ("ducted_split", "service_valves"),
        ("ducted_split", "compressor_space"),
        ("ducted_split", "indoor_coil_cabinet"),
        ("heat_pump", "service_valves"),
        ("heat_pump", "indoor_coil_cabinet"),
    ],
)
def test_after_a_response_of_an_area_one_goes_on_inside_it(name: str, area: str) -> None:
    job = told(shipped_job(name), found("probe_sweep", area, "response"))
    plan = plan_of(job)
    assert zone(job, plan.next[0]) == area
    assert job.catalogue.methods[plan.next[0].candidate.method].kind == "point"


def test_a_response_raises_the_worth_of_the_spots_in_its_area_and_not_of_others() -> None:
    job = shipped_job("ducted_split")
    before, after = plan_of(job), plan_of(told(job, found("probe_sweep", "indoor_coil_cabinet", "response")))
    for target in ("metering_inlet_flare", "metering_outlet_flare", "indoor_return_bends"):
        assert pick(after, "probe_point", target).bits > 1.2 * pick(before, "probe_point", target).bits
    ratio = pick(after, "probe_point", "suction_port_core").bits / pick(before, "probe_point", "suction_port_core").bits
    assert 0.7 < ratio < 1.4


def test_after_the_probe_responds_at_a_spot_bubbles_there_come_soon() -> None:
    job = told(shipped_job("ducted_split"), found("probe_point", "suction_drier", "response"))
    first = [test.candidate for test in plan_of(job, "bits").next[:8]]
    assert ("bubbles", "suction_drier") in [(one.method, one.target) for one in first]


# when to end

SMALL_LEAK = (
    found("probe_point", "suction_port_cap", "response"),
    found("bubbles", "suction_port_cap", "slow_foam"),
    found("bubbles", "suction_port_cap", "slow_foam"),
)


def test_one_small_leak_does_not_end_the_search_for_a_large_loss() -> None:
    """A kilogram in a year is more than slow foam at a cap loses."""
    job = told(shipped_job("ducted_split", loss={"kg": 1.0, "years": 1.0}), *SMALL_LEAK)
    stop = plan_of(job).stop
    assert "suction_port_cap" in stop.confirmed
    assert not stop.stop
    assert stop.another > plan_of(told(shipped_job("ducted_split"), *SMALL_LEAK)).stop.another


@pytest.mark.parametrize("name", [*SPLITS, "ductless_split"])
def test_a_full_charge_and_silence_everywhere_end_the_search(name: str) -> None:
    job = all_silent(shipped_job(name))
    stop = plan_of(told(job, weighed(job.facts.charge_kg, "as_charged"))).stop
    assert stop.stop
    assert stop.another < plan_of(shipped_job(name)).stop.another / 3


@pytest.mark.parametrize("name", SPLITS)
def test_before_any_test_one_does_not_stop(name: str) -> None:
    assert not plan_of(shipped_job(name)).stop.stop


def test_a_large_loss_and_silence_everywhere_leave_much() -> None:
    job = all_silent(shipped_job("ducted_split", loss={"kg": 1.2, "years": 1.0}, first_charge_weighed=True))
    assert plan_of(job).stop.another > 0.5

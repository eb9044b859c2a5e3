"""In which order tests are proposed, and what hoses do to it."""

from __future__ import annotations

import pytest

from leakinfer.job.belief import Belief
from leakinfer.circuit.model import WHOLE
from leakinfer.job.job import Job
from leakinfer.planner.model import OBJECTIVES, Objective, Ranked
from leakinfer.planner.plan import make_plan
from tests.job.small import found, job_on, shipped_job, site, system, told, weighed

from .oracle import matching, plan_of

SYSTEMS = ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler")
POINT_METHODS = ("probe_point", "bubbles", "oil_point")


def worth(test: Ranked, objective: Objective) -> float:
    """What an objective sorts by."""
    return test.bits if objective == "bits" else test.bits / test.minutes.total


def ports(job: Job) -> list[str]:
    """Sites that a hose hides."""
    return [one.id for one in job.sites if job.catalogue.components[one.component].port]


@pytest.mark.parametrize("objective", OBJECTIVES)
@pytest.mark.parametrize("name", SYSTEMS)
def test_the_best_comes_first(name: str, objective: Objective) -> None:
    job = shipped_job(name)
    plan = plan_of(job, objective)
    assert plan.objective == objective
    scores = [worth(test, objective) for test in plan.next if not job.catalogue.methods[test.candidate.method].gauges]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] > scores[-1]


def test_the_two_objectives_order_differently() -> None:
    by_bits, by_minute = (plan_of(shipped_job("ducted_split"), objective) for objective in OBJECTIVES[::-1])
    assert by_bits.next[0].bits > by_minute.next[0].bits
    assert by_bits.next[0].bits_per_minute < by_minute.next[0].bits_per_minute
    assert {test.candidate for test in by_bits.next} == {test.candidate for test in by_minute.next}


def test_the_default_is_bits_per_minute() -> None:
    belief = Belief(shipped_job("ducted_split"))
    assert make_plan(belief) == make_plan(belief, "bits_per_minute")


@pytest.mark.parametrize("objective", OBJECTIVES)
@pytest.mark.parametrize("name", SYSTEMS)
def test_hoses_wait_for_the_ports(name: str, objective: Objective) -> None:
    """With nothing known of a loss a weighing tells much, and yet the ports, which hoses hide, come first."""
    job = shipped_job(name)
    plan = plan_of(job, objective)
    (weighing,) = matching(plan, "weigh_charge", WHOLE)
    place = plan.next.index(weighing)
    for port in ports(job):
        for test in matching(plan, "probe_point", port):
            assert test.perishable
            assert plan.next.index(test) < place


def test_only_tests_of_ports_are_perishable() -> None:
    job = shipped_job("heat_pump")
    perishable = {test.candidate.target for test in plan_of(job).next if test.perishable}
    assert perishable == set(ports(job))


@pytest.mark.parametrize("name", SYSTEMS)
def test_a_weighing_ends_the_tests_of_ports(name: str) -> None:
    job = shipped_job(name)
    plan = plan_of(told(job, weighed(job.facts.charge_kg, "as_charged")))
    gone = {(refused.method, refused.target) for refused in plan.not_allowed if "gone" in refused.reason}
    assert gone == {(method, port) for method in POINT_METHODS for port in ports(job)}
    assert not any(test.candidate.target in ports(job) for test in plan.next)
    assert not any(test.perishable for test in plan.next)


def test_with_hoses_on_a_weighing_takes_its_place_by_worth() -> None:
    plan = plan_of(shipped_job("ducted_split", gauges=True, loss={"kg": 0.6, "years": 1.0}))
    scores = [test.bits_per_minute for test in plan.next]
    assert scores == sorted(scores, reverse=True)
    assert matching(plan, "weigh_charge", WHOLE)[0] is not plan.next[-1]


def test_without_ports_nothing_waits() -> None:
    """With no loss known, a weighing tells more than a joint's own tests; by bits it need not come last."""
    plan = plan_of(job_on(system(site("joint", "brazed_joint"), site("nut", "flare")), age_years=15.0), "bits")
    scores = [test.bits for test in plan.next]
    assert scores == sorted(scores, reverse=True)
    assert matching(plan, "weigh_charge", WHOLE)[0] is not plan.next[-1]


def test_once_the_ports_are_tested_in_every_way_hoses_need_not_wait() -> None:
    made = system(site("core", "valve_core"), site("joint", "brazed_joint"))
    job = job_on(made, loss={"kg": 0.5, "years": 1.0})
    tested = told(job, *(found(name, "core", job.catalogue.methods[name].silent) for name in POINT_METHODS))
    for one, last in ((job, True), (tested, False)):
        plan = plan_of(one, "bits")
        assert (matching(plan, "weigh_charge", WHOLE)[0] is plan.next[-1]) == last


@pytest.mark.parametrize("name", SYSTEMS)
def test_no_test_is_listed_twice_or_both_allowed_and_not(name: str) -> None:
    plan = plan_of(shipped_job(name))
    candidates = [test.candidate for test in plan.next]
    assert len(candidates) == len(set(candidates))
    refused = {(one.method, one.target) for one in plan.not_allowed}
    assert refused.isdisjoint((one.method, one.target) for one in candidates)


def test_every_possible_test_of_every_target_is_listed() -> None:
    job = shipped_job("ducted_split")
    plan = plan_of(job)
    listed = {(test.candidate.method, test.candidate.target) for test in plan.next}
    listed |= {(one.method, one.target) for one in plan.not_allowed}
    for method in job.catalogue.methods.values():
        assert {target for name, target in listed if name == method.id} == set(job.targets(method))

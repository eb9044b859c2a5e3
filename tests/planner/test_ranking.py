"""In which order tests are proposed, and what hoses do to it."""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

from leakinfer.circuit.model import WHOLE
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.model import OBJECTIVES, Objective, Ranked
from leakinfer.planner.plan import make_plan
from tests.job.small import found, job_on, shipped_job, site, system, told, weighed

from .oracle import matching, plan_of

SYSTEMS = ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler")
POINT_METHODS = ("probe_point", "bubbles", "oil_point", "ear_point", "dye_look")  # in reach of a standing system
QUICK: tuple[Objective, ...] = ("expected_cost", "bits_per_minute", "bits")


def worth(test: Ranked, objective: Objective) -> float:
    """What an objective sorts by."""
    return {"bits": test.bits, "bits_per_minute": test.bits / test.minutes.total}.get(objective, -test.cost)


def hoses(job: Job, test: Ranked) -> bool:
    """Whether a test, or what must be done before it, connects hoses."""
    return job.catalogue.methods[test.candidate.method].gauges or any(step.gauges for step in test.steps)


def ports(job: Job) -> list[str]:
    """Sites that a hose hides."""
    return [one.id for one in job.sites if job.catalogue.components[one.component].port]


@pytest.mark.parametrize("objective", ["bits_per_minute", "bits"])
@pytest.mark.parametrize("name", SYSTEMS)
def test_the_best_comes_first(name: str, objective: Objective) -> None:
    job = shipped_job(name)
    plan = plan_of(job, objective)
    assert plan.objective == objective
    scores = [worth(test, objective) for test in plan.next if not hoses(job, test)]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] > scores[-1]


@pytest.mark.parametrize(
    ("name", "objective"), [*((name, "expected_cost") for name in SYSTEMS), ("ductless_split", "two_step")]
)
def test_the_cheapest_comes_first(name: str, objective: Objective) -> None:
    """Costs are banded by the margin of the forecast, each band goes by bits a minute."""
    job = shipped_job(name)
    plan = plan_of(job, objective)
    least, share = min(test.cost for test in plan.next), 1 + job.catalogue.numbers["cost_margin_share"]
    free = [test for test in plan.next if not hoses(job, test)]
    order = [(int(math.log(test.cost / least, share)), -test.bits_per_minute) for test in free]
    assert order == sorted(order)
    assert order[0][0] == 0 < order[-1][0]


def test_the_two_objectives_order_differently() -> None:
    by_bits, by_minute = (plan_of(shipped_job("ducted_split"), objective) for objective in OBJECTIVES[:1:-1])
    assert by_bits.next[0].bits > by_minute.next[0].bits
    assert by_bits.next[0].bits_per_minute < by_minute.next[0].bits_per_minute
    assert {test.candidate for test in by_bits.next} == {test.candidate for test in by_minute.next}


def test_the_default_is_the_expected_cost() -> None:
    belief = Belief(shipped_job("ducted_split"))
    assert make_plan(belief) == make_plan(belief, "expected_cost")


@pytest.mark.parametrize("objective", QUICK)
@pytest.mark.parametrize("name", SYSTEMS)
def test_hoses_wait_for_the_ports(name: str, objective: Objective) -> None:
    """With nothing known of a loss a weighing tells much, and yet the ports, which hoses hide, come first."""
    job = shipped_job(name, loss={"kg": 0.5, "years": 1.0}, indoor_c=20.0, consent="intrusive")
    plan = plan_of(job, objective)
    assert matching(plan, "weigh_charge", WHOLE)
    assert matching(plan, "dye_look", ports(job)[0])
    first = min(plan.next.index(test) for test in plan.next if hoses(job, test))
    assert not any(hoses(job, test) != (place >= first) for place, test in enumerate(plan.next))
    for port in ports(job):
        for test in matching(plan, "probe_point", port):
            assert test.perishable
            assert plan.next.index(test) < first


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
    plan = plan_of(shipped_job("ducted_split", gauges=True, loss={"kg": 0.6, "years": 1.0}, consent="intrusive"))
    scores = [test.bits_per_minute for test in plan.next]
    assert scores == sorted(scores, reverse=True)
    assert matching(plan, "weigh_charge", WHOLE)[0] is not plan.next[-1]


def test_without_ports_nothing_waits() -> None:
    """With no loss known, a weighing tells more than a joint's own tests; by bits it need not come last."""
    plan = plan_of(
        job_on(system(site("joint", "brazed_joint"), site("nut", "flare")), age_years=15.0, consent="intrusive"), "bits"
    )
    scores = [test.bits for test in plan.next]
    assert scores == sorted(scores, reverse=True)
    assert matching(plan, "weigh_charge", WHOLE)[0] is not plan.next[-1]


def test_once_the_ports_are_tested_in_every_way_hoses_need_not_wait() -> None:
    made = system(site("core", "valve_core"), site("joint", "brazed_joint"))
    job = job_on(made, loss={"kg": 0.5, "years": 1.0}, consent="intrusive")
    tested = job
    for name in ("probe_point", "bubbles", "oil_point", "ear_point"):
        for state in ("standing", "running")[: 1 if name == "oil_point" else 2]:
            told_so = replace(job.condition(), state=state)
            tested = told(tested, found(name, "core", job.catalogue.methods[name].silent, told_so))
    for one, wait in ((job, True), (tested, False)):
        connects = [hoses(one, test) for test in plan_of(one, "bits").next]
        assert any(connects)
        assert (connects == sorted(connects)) == wait


@pytest.mark.parametrize("name", SYSTEMS)
def test_no_test_is_listed_twice_or_both_allowed_and_not(name: str) -> None:
    plan = plan_of(shipped_job(name))
    candidates = [test.candidate for test in plan.next]
    assert len(candidates) == len(set(candidates))
    refused = {(one.method, one.target) for one in plan.not_allowed}
    assert refused.isdisjoint((one.method, one.target) for one in candidates)


def test_every_possible_test_of_every_target_is_listed() -> None:
    job = shipped_job("ducted_split", consent="intrusive")
    plan = plan_of(job)
    listed = {(test.candidate.method, test.candidate.target) for test in plan.next}
    listed |= {(one.method, one.target) for one in plan.not_allowed}
    for method in job.catalogue.methods.values():
        assert {target for name, target in listed if name == method.id} == set(job.targets(method)), method.id

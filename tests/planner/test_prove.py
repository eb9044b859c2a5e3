"""What is nearly sure is to be proved before it is called confirmed (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.model import Objective
from leakinfer.planner.plan import make_plan
from tests.job.small import CATALOGUE, found, shipped_job, told

from .test_stop import setting

RESPONSES = (
    *(found("probe_point", "indoor_gas_flare", "response") for _ in range(3)),
    found("oil_point", "indoor_gas_flare", "oil"),
    *(found("probe_point", f"indoor_{name}", "silent") for name in ("liquid_flare", "return_bends", "fin_tubes")),
)


def test_a_likely_nut_is_proved_by_bubbles_and_then_confirmed() -> None:
    job = told(shipped_job("ductless_split", age_years=11.0, loss={"kg": 0.3, "years": 1.5}), *RESPONSES)
    stop = make_plan(Belief(job)).stop
    assert stop.likely == ("indoor_gas_flare",)
    assert stop.confirmed == ()
    assert stop.prove is not None
    assert (stop.prove.candidate.method, stop.prove.candidate.target) == ("bubbles", "indoor_gas_flare")
    assert stop.prove.reason.endswith("a response proves it")
    proved = make_plan(Belief(told(job, found("bubbles", "indoor_gas_flare", "slow_foam")))).stop
    assert proved.confirmed == ("indoor_gas_flare",)
    assert proved.likely == ()
    assert proved.prove is None


@pytest.mark.parametrize("least", [0.15, 0.5, 0.9])
def test_the_proof_is_the_new_pinpoint_test_of_a_suspect_that_answers_soonest(least: float) -> None:
    """Its chance to answer over its minutes, of those that answer likely enough."""
    plan = make_plan(Belief(likely_nut(prove_response=least, prove_from=0.05)))
    belief, methods = Belief(likely_nut()), CATALOGUE.methods
    suspects = {unit for unit, chance in belief.unit_probability.items() if chance >= 0.05}
    soonest = [
        ((1 - test.outcomes[methods[test.candidate.method].silent]) / test.minutes.total, test.candidate)
        for test in plan.next
        if methods[test.candidate.method].pinpoint
        and methods[test.candidate.method].kind == "point"
        and not test.repeat
        and belief.job.site(test.candidate.target).unit in suspects
        and 1 - test.outcomes[methods[test.candidate.method].silent] >= least
    ]
    assert len(suspects) > 1
    proof = plan.stop.prove and plan.stop.prove.candidate
    assert proof == (max(soonest, key=lambda pair: pair[0])[1] if soonest else None)


def likely_nut(**numbers: float) -> Job:
    """A nut that has answered three times, where much else has not been looked at."""
    job = shipped_job("ductless_split", age_years=11.0, loss={"kg": 0.3, "years": 1.5})
    return told(replace(job, catalogue=setting(job.catalogue, **numbers)), *RESPONSES)


@pytest.mark.parametrize("objective", ["expected_cost", "two_step"])
def test_what_is_likely_is_proved_at_once_where_that_is_quick(objective: Objective) -> None:
    """Bubbles at a nut within reach, although other tests are still worth their minutes."""
    plan = make_plan(Belief(likely_nut()), objective)
    assert plan.stop.prove is not None
    assert plan.stop.worth > CATALOGUE.numbers["stop_saves_minutes"]
    assert plan.next[0] == plan.stop.prove
    candidates = [test.candidate for test in plan.next]
    assert len(set(candidates)) == len(candidates)


def test_what_takes_long_to_prove_or_was_asked_for_by_another_order_waits() -> None:
    quick = make_plan(Belief(likely_nut()))
    assert quick.stop.prove is not None
    takes = quick.stop.prove.minutes.total
    for plan in (
        make_plan(Belief(likely_nut(prove_at_once_minutes=takes - 0.1))),
        make_plan(Belief(likely_nut()), "bits_per_minute"),
    ):
        assert plan.stop.prove is not None
        assert plan.next[0].candidate != plan.stop.prove.candidate
    assert make_plan(Belief(likely_nut(prove_at_once_minutes=takes + 0.1))).next[0] == quick.stop.prove


@pytest.mark.parametrize("objective", ["expected_cost", "bits_per_minute"])
def test_before_the_end_it_is_proved_however_long_it_takes(objective: Objective) -> None:
    plan = make_plan(Belief(likely_nut(prove_at_once_minutes=0.1, stop_saves_minutes=1e9)), objective)
    assert not plan.stop.stop
    assert plan.stop.prove is not None
    assert plan.next[0] == plan.stop.prove


def test_what_is_likely_is_not_counted_as_another_leak() -> None:
    job = told(shipped_job("ductless_split", age_years=11.0, loss={"kg": 0.3, "years": 1.5}), *RESPONSES)
    belief = Belief(job)
    stop = make_plan(belief).stop
    assert stop.another < belief.any_that_matters() - 0.3
    assert stop.another == belief.any_that_matters({"indoor_gas_flare"})


def test_nothing_is_proved_before_anything_is_likely() -> None:
    stop = make_plan(Belief(shipped_job("ducted_split"))).stop
    assert (stop.likely, stop.prove) == ((), None)
    assert ELSEWHERE not in stop.confirmed

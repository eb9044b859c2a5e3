"""What a plan says beside its order: how a test is made, what to do while it waits, what is worth asking for."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from leakinfer.job.belief import Belief
from leakinfer.planner.model import Ranked
from leakinfer.planner.plan import dearer_work, make_plan, meanwhile, weighed
from leakinfer.planner.setups import TIERS
from leakinfer.planner.stop import least_saving
from tests.job.small import found, shipped_job, told

from .oracle import plan_of

METHODS: dict[str, dict[str, Any]] = {
    one["id"]: one
    for one in tomllib.loads((Path(__file__).parents[2] / "priors" / "methods.toml").read_text("utf-8"))["method"]
}


@pytest.mark.parametrize("name", ["ducted_split", "walk_in_cooler"])
def test_how_a_test_is_made_is_what_the_priors_say_of_that_part(name: str) -> None:
    job = shipped_job(name, consent="intrusive")
    said = 0
    for test in make_plan(Belief(job)).next:
        method = METHODS[test.candidate.method]
        if method["kind"] != "point":
            continue
        technique = method["techniques"].get(job.site(test.candidate.target).component)
        if technique is not None:
            said += 1
            assert (test.how, test.spoils) == (technique["how"], technique.get("spoils", ""))
    assert said > 20


def fits(first: Ranked, test: Ranked) -> bool:
    """Hands only, elsewhere, in the state in which the first waits; nothing set up but what is there or is for it."""
    here, there = test.candidate.condition, first.candidate.condition
    for_it = here.sections == there.sections and set(test.steps) <= set(first.steps)
    hands_only = test.minutes.waiting == 0 and test.candidate.target != first.candidate.target
    return hands_only and here.state == there.state and (for_it or not test.steps)


@pytest.mark.parametrize(
    ("state", "method", "also"),
    [
        ("standing", "hold_day", "nitrogen"),  # soap while a hold waits, both after one filling
        ("standing", "gather", "standing"),
        ("nitrogen", "hold_hour", "nitrogen"),
    ],
)
def test_what_to_do_while_the_first_test_waits(state: str, method: str, also: str) -> None:
    under = {"test_kpa": 1500.0} if state == "nitrogen" else {}
    plan = plan_of(shipped_job("ducted_split", state=state, gauges=True, consent="intrusive", **under))
    first = next(
        one
        for one in plan.next
        if (one.candidate.method, one.candidate.condition.state, one.candidate.condition.sections) == (method, also, ())
    )
    assert first.minutes.waiting > 0
    right = next(test for test in plan.next if fits(first, test))
    assert meanwhile([first, *plan.next]) is right
    assert right.candidate.condition.state == also
    assert meanwhile([right, *plan.next]) is None  # it does not wait
    assert meanwhile([]) is None


def test_nothing_is_done_meanwhile_that_needs_another_state() -> None:
    plan = plan_of(shipped_job("ducted_split", gauges=True, consent="intrusive"))
    hold = next(one for one in plan.next if one.candidate.method == "hold_day")
    assert meanwhile([hold, *(one for one in plan.next if one.candidate.condition.state == "standing")]) is None


@pytest.mark.parametrize("consent", TIERS[:-1])
@pytest.mark.parametrize("age", [6.0, 25.0])
def test_what_is_asked_for_is_the_cheapest_that_is_not_agreed_to(consent: str, age: float) -> None:
    """All listed again with every consent given: those dearer in consent, and how much the cheapest saves."""
    job = shipped_job("ducted_split", consent=consent, age_years=age, loss={"kg": 1.0, "years": 1.0})
    for place in ("service_valves", "compressor_space"):
        job = told(job, found("probe_sweep", place, "silent"))
    belief = Belief(job)
    plan = dearer_work(belief, make_plan(belief))
    wide = weighed(belief, consent=False)
    agreed = {test.candidate for test in plan.next}
    costs = zip(wide.found.candidates, wide.worth.costs.tolist(), strict=True)
    dearer = min(cost for candidate, cost in costs if candidate not in agreed)
    allowed = min(plan.stop.at_stake, *(test.cost for test in plan.next))
    if plan.ask is None:
        assert allowed - dearer <= least_saving(job.catalogue.numbers, plan.stop.at_stake)
    else:
        assert plan.ask.first.cost == pytest.approx(dearer)
        assert plan.ask.saves == pytest.approx(allowed - dearer)
        assert TIERS.index(plan.ask.tier) > TIERS.index(consent)

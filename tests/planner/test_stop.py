"""When the search may end, and the figures that it says so with."""

from __future__ import annotations

import pytest
from msgspec import structs

from leakinfer.catalogue.model import Catalogue
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Skip
from leakinfer.circuit.model import WHOLE
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan
from tests.inference.enumeration import solve_by_enumeration
from tests.job.small import CATALOGUE, COIL, coarse, found, job_on, shipped_job, site, system, told

from .oracle import plan_of


def setting(catalogue: Catalogue = CATALOGUE, **numbers: float) -> Catalogue:
    """A catalogue with other numbers."""
    assert numbers.keys() <= catalogue.numbers.keys()
    return structs.replace(catalogue, numbers={**catalogue.numbers, **numbers})


def two_units(catalogue: Catalogue = CATALOGUE) -> Job:
    """A nut, and a coil of bends and a header."""
    made = system(
        site("nut", "flare"),
        site("bends", "return_bend", zone=COIL, count=2, unit="coil"),
        site("header", "coil_header", zone=COIL, unit="coil"),
    )
    return job_on(made, catalogue, age_years=15.0, first_charge_weighed=True)


CONFIRMING = (found("probe_point", "header", "response"), found("bubbles", "header", "fast_bubbles"))


def test_below_the_risk_one_may_stop_and_above_it_not() -> None:
    another = plan_of(two_units()).stop.another
    assert 0.001 < another < 0.999
    for risk, stop in ((another * 1.01, True), (another * 0.99, False)):
        word = plan_of(two_units(setting(stop_risk=risk))).stop
        assert word.stop == stop
        assert word.another == pytest.approx(another)
    assert "below" in plan_of(two_units(setting(stop_risk=0.9))).stop.reason


def test_when_no_test_is_worth_its_minutes_one_may_stop_whatever_remains() -> None:
    best = max(test.bits_per_minute for test in plan_of(two_units()).next)
    for least, stop in ((best * 1.01, True), (best * 0.99, False)):
        word = plan_of(two_units(setting(stop_risk=0.0, stop_bits_per_minute=least))).stop
        assert word.stop == stop
        assert ("worth its minutes" in word.reason) == stop


def test_when_nothing_is_possible_one_must_stop_and_is_told_so() -> None:
    job = two_units(setting(stop_risk=0.0))
    for target in ("yard", "closet", WHOLE):
        job = job.with_skip(Skip(target, "no time"))
    plan = plan_of(job)
    assert plan.next == ()
    assert plan.stop.stop
    assert "no test is possible" in plan.stop.reason
    assert plan.stop.cheapest is None
    assert plan.stop.another == pytest.approx(Belief(job).any_that_matters())


def test_the_figures_are_those_of_all_worlds() -> None:
    """After a leak of the header is confirmed, the coil is out and the nut remains."""
    belief = Belief(told(two_units(coarse((1e-6, 1e-4))), *CONFIRMING))
    stop, right = make_plan(belief).stop, solve_by_enumeration(belief.model)
    assert stop.confirmed == ("header",)
    nut = {"nut": belief.masks["nut"]}
    assert stop.another == pytest.approx(1 - right.probability_none(nut), abs=1e-9)
    assert stop.expected_g_per_year == pytest.approx(right.marginal("nut") @ belief.rates.year("suction"), rel=1e-8)


def test_before_anything_is_confirmed_all_counts() -> None:
    belief = Belief(two_units())
    stop = make_plan(belief).stop
    assert stop.confirmed == ()
    assert stop.another == pytest.approx(belief.any_that_matters())
    assert stop.expected_g_per_year == pytest.approx(sum(belief.expected_g_per_year.values()))


def test_a_confirmed_leak_does_not_count_as_another() -> None:
    belief = Belief(told(shipped_job("ducted_split"), *(structs.replace(f, target="distributor") for f in CONFIRMING)))
    stop = make_plan(belief).stop
    assert stop.confirmed == ("distributor",)
    assert belief.any_that_matters() > 0.9 > stop.another
    coil = [one.id for one in belief.job.sites if one.unit == "indoor_coil"]
    rest = sum(g for one, g in belief.expected_g_per_year.items() if one not in coil)
    assert stop.expected_g_per_year == pytest.approx(rest)


def test_all_confirmed_leaves_nothing() -> None:
    job = told(job_on(system(site("header", "coil_header", zone=COIL))), *CONFIRMING)
    stop = plan_of(job).stop
    assert stop.confirmed == ("header",)
    assert stop.another == 0
    assert stop.stop
    assert "1 confirmed" in stop.reason


def test_the_observed_loss_is_a_yearly_one() -> None:
    assert plan_of(shipped_job("ducted_split")).stop.observed_g_per_year is None
    lost = plan_of(shipped_job("ducted_split", loss={"kg": 0.8, "years": 2.0})).stop
    assert lost.observed_g_per_year == pytest.approx(400)


@pytest.mark.parametrize("name", ["ducted_split", "walk_in_cooler"])
def test_the_cheapest_tells_most_for_its_minutes(name: str) -> None:
    plan = plan_of(shipped_job(name), "bits")
    assert plan.stop.cheapest is not None
    assert plan.stop.cheapest in plan.next
    assert plan.stop.cheapest.bits_per_minute == max(test.bits_per_minute for test in plan.next)


def test_the_word_does_not_depend_on_the_objective() -> None:
    job = told(shipped_job("ducted_split"), found("probe_sweep", "service_valves", "response"))
    assert plan_of(job, "bits").stop == plan_of(job).stop

"""When the search may end, and the figures that it says so with."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from msgspec import structs

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.model import WHOLE
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding, Skip
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan
from leakinfer.planner.plan import make_plan
from tests.inference.enumeration import Answer, solve_by_enumeration
from tests.job.small import CATALOGUE, COIL, coarse, found, job_on, shipped_job, site, system, told, weighed

from .oracle import plan_of

REPAIRS = Path(__file__).parents[2] / "priors" / "repairs.toml"


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


def saves(plan: Plan) -> float:
    """What the best test is expected to save against ending now."""
    return plan.stop.at_stake - min(test.cost for test in plan.next)


def test_one_goes_on_as_long_as_that_saves_more_than_the_least_said() -> None:
    plan = plan_of(two_units())
    worth, stake = saves(plan), plan.stop.at_stake
    assert worth > 1
    for factor, stop in ((1.01, True), (0.99, False)):
        for numbers in (
            {"stop_saves_minutes": worth * factor, "stop_saves_share": 0.0},
            {"stop_saves_minutes": 0.0, "stop_saves_share": worth / stake * factor},
        ):
            word = plan_of(two_units(setting(CATALOGUE, **numbers))).stop
            assert (word.stop, word.pays) == (stop, not stop)
            assert word.worth == pytest.approx(worth)
            assert ("go on" in word.reason) != stop
    assert "worth its minutes" in plan_of(two_units(setting(stop_saves_minutes=1e9))).stop.reason


@pytest.mark.parametrize("findings", [(), CONFIRMING])
def test_what_is_at_stake_is_the_price_of_ending_now(findings: tuple[Finding, ...]) -> None:
    """Each unit is repaired in vain or left leaking, whichever costs less: min(p missed, (1 - p) wrong), listed by hand
    from the shipped repairs and prices; chances from all worlds."""
    belief = Belief(told(two_units(coarse((1e-6, 1e-4))), *findings))
    right, numbers = solve_by_enumeration(belief.model), CATALOGUE.numbers
    total = 0.0
    for sites in (("nut",), ("bends", "header")):
        p = 1 - right.probability_none({site: belief.masks[site] for site in sites})
        wrong = max(_in_vain(belief.job.site(site).component) for site in sites)
        wrong += numbers["unit_exchange_minutes"] if len(sites) > 1 else 0.0
        total += min(p * numbers["missed_weight"] * _missed(belief, right, sites), (1 - p) * wrong)
    assert make_plan(belief).stop.at_stake == pytest.approx(total, abs=1e-6)


@pytest.mark.parametrize("least", [0.0, 0.25, 0.6])
def test_what_is_dearer_to_leave_than_to_mend_is_said(least: float) -> None:
    """p times the price of a leak that is left against 1 - p times that of a repair in vain, of units from the least
    chance on; chances from all worlds. A nut that answered once, and a coil that answered to a sweep."""
    findings = (found("probe_point", "nut", "response"), found("probe_sweep", COIL, "response"))
    belief = Belief(told(two_units(setting(coarse((1e-6, 1e-4)), doubtful_from=least)), *findings))
    right, expected = solve_by_enumeration(belief.model), []
    for unit, sites in (("nut", ("nut",)), ("coil", ("bends", "header"))):
        p = 1 - right.probability_none({site: belief.masks[site] for site in sites})
        assert 0.05 < p < CATALOGUE.numbers["confirmed_probability"]
        wrong = max(_in_vain(belief.job.site(site).component) for site in sites)
        wrong += CATALOGUE.numbers["unit_exchange_minutes"] if len(sites) > 1 else 0.0
        if p >= least and p * _missed(belief, right, sites) > (1 - p) * wrong:
            expected.append(unit)
    assert list(make_plan(belief).stop.doubtful) == expected


@pytest.mark.parametrize("times", [0.95, 1.05])
def test_the_price_of_a_leak_that_is_left_decides_whether_a_nut_is_mended_unproved(times: float) -> None:
    """The odds of a leak times that price, against what a repair in vain costs."""
    answer = found("probe_point", "nut", "response")
    p = Belief(told(two_units(), answer)).unit_probability["nut"]
    assert 0.25 < p < 0.9
    price = (1 - p) / p * _in_vain("flare") * times
    numbers = {"missed_leak_minutes": price, "missed_charge_minutes": 0.0, "doubtful_from": 0.25}
    stop = plan_of(told(two_units(setting(CATALOGUE, **numbers)), answer)).stop
    assert (stop.doubtful == ("nut",)) == (times > 1)


def _missed(belief: Belief, right: Answer, sites: tuple[str, ...]) -> float:
    """A second visit, and more for the share of the charge that a leak that matters there loses a year."""
    lost = chance = 0.0
    for name in sites:
        matter = right.marginal(name) * belief.masks[name] * belief.job.site(name).count
        lost += float(matter @ belief.rates.year(belief.job.site(name).section))
        chance += float(matter.sum())
    share = min(lost / chance / (1000 * belief.job.facts.charge_kg), 1.0)
    return CATALOGUE.numbers["missed_leak_minutes"] + CATALOGUE.numbers["missed_charge_minutes"] * share


def _in_vain(component: str) -> float:
    """Minutes of a repair, with the charge out and in where it opens the circuit, from the shipped file."""
    repair = next(one for one in tomllib.loads(REPAIRS.read_text())["repair"] if one["component"] == component)
    return float(repair["minutes"]) + (CATALOGUE.numbers["open_and_close_minutes"] if repair["opens_circuit"] else 0.0)


@pytest.mark.parametrize(("price", "stop"), [(1.0, True), (3600.0, False)])
def test_how_dear_a_missed_leak_is_decides(price: float, stop: bool) -> None:
    """A leak that costs a minute, whatever it loses, is not searched for; the chances stay what they are."""
    word = plan_of(two_units(setting(missed_leak_minutes=price, missed_charge_minutes=0.0))).stop
    assert word.stop == stop
    assert word.another == pytest.approx(plan_of(two_units()).stop.another)
    assert 0.001 < word.another < 0.999


def test_what_is_nearly_sure_is_not_said_to_be_sure() -> None:
    """A cold room that lost a quarter of its charge leaks for all but certain: neither 100% there nor 0% elsewhere."""
    job = shipped_job("walk_in_cooler", loss={"kg": 1.2, "years": 1.2}, age_years=9.0)
    probed = found("probe_sweep", "receiver_space", "response"), found("probe_point", "king_port_core", "response")
    plan = plan_of(told(job, *probed))
    assert 0.995 < plan.stop.another < 1
    assert plan.stop.reason.startswith(">99% for a leak that matters")
    far = next(test for test in plan.next if test.candidate.target == "suction_valve_stem")
    assert far.reason.startswith("<1% chance of a leak that matters here")
    assert not any(test.reason.startswith(("0%", "100%")) for test in plan.next)


def test_when_nothing_is_possible_one_must_stop_and_is_told_so() -> None:
    job = two_units()
    for target in ("yard", "closet", WHOLE):
        job = job.with_skip(Skip(target, "no time"))
    plan = plan_of(job)
    assert plan.next == ()
    assert plan.stop.stop
    assert "no test" in plan.stop.reason
    assert plan.stop.cheapest is None
    assert plan.stop.worth == 0
    assert plan.stop.another == pytest.approx(Belief(job).any_that_matters())


def test_the_figures_are_those_of_all_worlds() -> None:
    """After a leak of the header is confirmed, the coil is out and the nut remains."""
    belief = Belief(told(two_units(coarse((1e-6, 1e-4))), *CONFIRMING))
    stop, right = make_plan(belief).stop, solve_by_enumeration(belief.model)
    assert stop.confirmed == ("header",)
    nut = {"nut": belief.masks["nut"]}
    assert stop.another == pytest.approx(1 - right.probability_none(nut), abs=1e-9)
    assert stop.expected_g_per_year == pytest.approx(right.marginal("nut") @ belief.rates.year("suction"), rel=1e-8)
    coil = 2 * right.marginal("bends") + right.marginal("header")
    assert stop.explained_g_per_year == pytest.approx(coil @ belief.rates.year("suction"), rel=1e-8)
    assert "another leak that matters" in stop.reason


def test_before_anything_is_confirmed_all_counts() -> None:
    belief = Belief(two_units())
    stop = make_plan(belief).stop
    assert stop.confirmed == ()
    assert stop.explained_g_per_year == 0
    assert "another" not in stop.reason
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
    full = told(two_units(), weighed(2.1, "as_charged"))
    assert plan_of(full).stop.observed_g_per_year == 0  # nothing is missing of 2 kg


@pytest.mark.parametrize("name", ["ducted_split", "walk_in_cooler"])
def test_the_cheapest_tells_most_for_its_minutes(name: str) -> None:
    plan = plan_of(shipped_job(name), "bits")
    assert plan.stop.cheapest is not None
    assert plan.stop.cheapest in plan.next
    assert plan.stop.cheapest.bits_per_minute == max(test.bits_per_minute for test in plan.next)


def test_the_word_does_not_depend_on_the_objective() -> None:
    job = told(shipped_job("ducted_split"), found("probe_sweep", "service_valves", "response"))
    assert plan_of(job, "bits").stop == plan_of(job).stop

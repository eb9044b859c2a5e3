"""Eleven ways in which a planner that only counts odds annoys those who follow it, and that this one does otherwise.

Common practice, no source, where nothing else is said. Shipped priors and systems; a walk is the top suggestion again
and again, all silent.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Any

import pytest

from leakinfer.circuit.model import WHOLE, Site
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding, Hold, Skip
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan, Ranked
from leakinfer.planner.plan import dearer_work, make_plan
from tests.job.small import found, shipped_job, told

from .walks import Walk, all_silent_walk, units_of

SPLITS = ("ducted_split", "heat_pump", "ductless_split")
OUNCE_KG = 0.0283495  # kg, exact to its digits
POUND_KG = 16 * OUNCE_KG


def plain(name: str = "ducted_split", share: float = 0.25, **facts: Any) -> Job:
    """A system of twelve years that lost a share of its charge in a year."""
    job = shipped_job(name, age_years=12.0, first_charge_weighed=True)
    return job.with_facts({"loss": {"kg": share * job.facts.charge_kg, "years": 1.0}, **facts})


def plan_for(job: Job) -> Plan:
    """The plan by the default objective."""
    return make_plan(Belief(job))


def ports(job: Job) -> set[str]:
    """Sites that a hose hides."""
    return {one.id for one in job.sites if job.catalogue.components[one.component].port}


def hoses(job: Job, test: Ranked) -> bool:
    """Whether a test, or what comes before it, connects hoses."""
    return job.catalogue.methods[test.candidate.method].gauges or any(step.gauges for step in test.steps)


def sites_of(job: Job, test: Ranked) -> set[str]:
    """The sites that a test looks at."""
    one = test.candidate
    return {site.id for site in job.scope(job.catalogue.methods[one.method], one.target)}


# 1. free evidence that perishes comes first


@pytest.mark.parametrize("name", SPLITS)
def test_ports_are_looked_at_before_hoses_and_before_the_coil_is_opened(name: str) -> None:
    """Hoses hide what a port loses. The first four steps take in a port, and no hose goes on before."""
    walk = all_silent_walk(plain(name, consent="intrusive"), 4)
    assert any(sites_of(walk.job, test) & ports(walk.job) for test in walk.steps)
    assert not any(hoses(walk.job, test) for test in walk.steps)


@pytest.mark.parametrize("now", ["standing", "flat"])
def test_no_hose_before_every_core_was_looked_at(now: str) -> None:
    """Whatever the state: when a step connects hoses, each core was tested by itself or within its area."""
    job = plain("ducted_split", share=1.0 if now == "flat" else 0.25, state=now, consent="intrusive")
    cores = {one.id for one in job.sites if one.component == "valve_core"}
    walk = all_silent_walk(job, 24, lambda test: hoses(job, test))
    seen = set[str]().union(*(sites_of(job, test) for test in walk.steps[:-1]))
    assert walk.steps
    assert not hoses(job, walk.steps[-1]) or cores <= seen


# 2. no attic, roof, attic


def returns(places: list[str]) -> int:
    """How often a place is left for a single test elsewhere and come back to."""
    return sum(one == third != other for one, other, third in zip(places, places[1:], places[2:], strict=False))


@pytest.mark.parametrize("name", [*SPLITS, "walk_in_cooler"])
def test_one_does_not_run_to_and_fro(name: str) -> None:
    """In ten steps the place changes at most four times, and is left for a single test at most once."""
    walk = all_silent_walk(plain(name), 10)
    assert len(walk.steps) == 10
    assert sum(one != other for one, other in pairwise(walk.places)) <= 4, walk.places
    assert returns(walk.places) <= 1, walk.places


# 3. silence says little in wind and cold


def after_three_silences(job: Job, zone: str, unit: str) -> float:
    """What three silent sweeps leave of a unit's chance, as a share."""
    silences = (found("probe_sweep", zone, "silent", job.condition()) for _ in range(3))
    return Belief(told(job, *silences)).unit_probability[unit] / Belief(job).unit_probability[unit]


@pytest.mark.parametrize(
    ("zone", "unit", "least", "facts"),
    [
        ("outdoor_coil_ends", "outdoor_coil", 0.6, {"air": "wind"}),
        ("outdoor_coil_face", "outdoor_coil", 0.8, {"air": "wind"}),
        ("indoor_coil_cabinet", "indoor_coil", 0.5, {"outdoor_c": 5.0, "indoor_c": 8.0}),
    ],
)
def test_three_silences_in_wind_or_cold_do_not_clear_a_coil(
    zone: str, unit: str, least: float, facts: dict[str, Any]
) -> None:
    """R-410A; below 15 C the probe is outside its limits (SAE J1627 and J1628 practice, secondary)."""
    left, fair = after_three_silences(plain(**facts), zone, unit), after_three_silences(plain(), zone, unit)
    assert left > least
    assert left > fair + 0.05


def test_three_silences_in_still_warm_air_do_not_clear_it_either() -> None:
    """They share what hides from a sweep: a tenth of the leaks, so not to 2 %."""
    job = plain()
    silences = (found("probe_sweep", "indoor_coil_cabinet", "silent") for _ in range(3))
    assert Belief(told(job, *silences)).unit_probability["indoor_coil"] > 0.08


# 4. one response is provisional


@pytest.mark.parametrize("causes", [(), ("foam",)])
@pytest.mark.parametrize("target", ["suction_drier", "metering_inlet_flare", "indoor_return_bends"])
def test_one_response_is_no_proof(target: str, causes: tuple[str, ...]) -> None:
    job = told(plain(), found("probe_point", target, "response", false_causes=causes))
    belief = Belief(job)
    assert belief.unit_probability[job.site(target).unit] < 0.95
    assert belief.confirmed() == ()
    assert not make_plan(belief).stop.likely


def test_foam_makes_a_response_worth_less() -> None:
    """Blowing agent from foam answers a probe one time in four: its response at most quarters the odds of silence."""
    chance = [
        Belief(told(plain(), found("probe_point", "suction_drier", "response", false_causes=causes))).unit_probability[
            "suction_drier"
        ]
        for causes in ((), ("foam",))
    ]
    assert chance[1] < chance[0] / 2


@pytest.mark.parametrize("target", ["suction_drier", "indoor_liquid_joint"])
def test_after_a_response_it_is_made_again_or_another_method_comes(target: str) -> None:
    """Among the first five suggestions, standing at the spot."""
    job = told(plain(), found("probe_point", target, "response"))
    unit = job.site(target).unit
    assert any(units_of(job, test) == {unit} for test in plan_for(job).next[:5])


# 5. responses everywhere place nothing


def test_responses_everywhere_place_nothing() -> None:
    """Six ports and stems in one place all answer: the air is full. None is likely, and the coil keeps its chance."""
    six = ("suction_port_core", "liquid_port_core", "suction_port_cap", "liquid_valve_stem", "suction_valve_stem")
    job = plain()
    full = told(job, *(found("probe_point", one, "response") for one in (*six, "liquid_port_cap")))
    before, belief = Belief(job), Belief(full)
    assert max(belief.matters_probability[one] for one in six) < 0.35
    assert belief.unit_probability["indoor_coil"] > 0.7 * before.unit_probability["indoor_coil"]
    assert belief.confirmed() == ()
    assert max(belief.unit_probability.values()) < 0.95


def test_what_the_bubbles_then_show_places_it() -> None:
    six = ("suction_port_core", "liquid_port_core", "suction_port_cap", "liquid_valve_stem", "suction_valve_stem")
    job = told(plain(), *(found("probe_point", one, "response") for one in six))
    shown = told(job, found("bubbles", "liquid_port_core", "fast_bubbles"))
    assert Belief(shown).matters_probability["liquid_port_core"] > 0.95


# 6. half an hour clears no pound a year


def held(hours: float) -> tuple[float, float]:
    """P(a leak that matters) before and after a hold of a whole split without a fall; a pound was lost in a year."""
    job = plain(share=POUND_KG / shipped_job("ducted_split").facts.charge_kg, consent="intrusive", volume_l=7.0)
    job = job.with_facts({"state": "nitrogen", "test_kpa": 3100.0, "rating_high_kpa": 4000.0, "rating_low_kpa": 3200.0})
    reading = Hold(start_kpa=3100.0, end_kpa=3100.0, start_c=24.0, end_c=24.0, hours=hours)
    finding = Finding("hold_hour" if hours < 12 else "hold_day", WHOLE, "held", job.condition(), hold=reading)
    return Belief(job).any_that_matters(), Belief(told(job, finding)).any_that_matters()


def test_half_an_hour_without_a_fall_does_not_clear_a_pound_a_year() -> None:
    """7 l at 3,100 kPa: a pound a year is 0.22 psi/h (computed, laminar), half a gauge's step in that time."""
    before, after = held(0.5)
    assert before > 0.9
    assert after > before - 0.05


def test_a_day_without_a_fall_says_much() -> None:
    """In a day it would be 5 psi: five times the gauge's step. What is left opens only while running, or the loss was
    misread."""
    day, half = held(24.0)[1], held(0.5)[1]
    assert day / (1 - day) < half / (1 - half) / 2


# 7. no recovery as step two


@cache
def to_the_end(consent: str) -> Walk:
    """A ductless split that lost half its charge, followed to the end; with consent to a quick look for a while."""
    return all_silent_walk(plain("ductless_split", share=0.5, consent=consent), 12 if consent == "quick" else 60)


@pytest.mark.parametrize("consent", ["quick", "standard"])
def test_the_charge_stays_in_until_asked_and_the_ask_comes_last(consent: str) -> None:
    walk = to_the_end(consent)
    for test in walk.steps:
        assert not any(step.empties or step.tier == "intrusive" for step in test.steps)
        assert walk.job.catalogue.methods[test.candidate.method].tier != "intrusive"
    assert all(plan.ask is None for plan in walk.plans)
    if walk.plans[-1].ask is not None:
        assert walk.plans[-1].ask.saves > 0


def test_what_is_asked_for_is_dearer_than_what_was_agreed() -> None:
    walk = to_the_end("standard")
    ask = dearer_work(Belief(walk.job), make_plan(Belief(walk.job))).ask
    assert ask is not None
    assert ask.tier == "intrusive"
    takes_charge_out = walk.job.catalogue.methods[ask.first.candidate.method].opens_circuit  # weighing recovers it
    assert takes_charge_out or any(step.empties for step in ask.first.steps)


@pytest.mark.parametrize("name", SPLITS)
def test_even_with_consent_recovery_is_not_step_two(name: str) -> None:
    walk = all_silent_walk(plain(name, consent="intrusive"), 8)
    assert not any(step.empties for test in walk.steps for step in test.steps)
    assert "weigh_charge" not in walk.methods


# 8. the first find does not end it


@pytest.mark.parametrize("kg", [0.8, 1.5])
def test_the_first_small_find_does_not_end_the_search_for_a_large_loss(kg: float) -> None:
    foam = found("bubbles", "suction_port_cap", "slow_foam")
    job = told(plain(share=kg / 2.6), found("probe_point", "suction_port_cap", "response"), foam, foam)
    stop = plan_for(job).stop
    assert "suction_port_cap" in stop.confirmed
    assert not stop.stop
    assert "done" not in stop.reason
    assert stop.observed_g_per_year is not None
    assert stop.explained_g_per_year < 0.6 * stop.observed_g_per_year


# 9. no chase for the pinhole, none for five grams


def coil_found(*more: Finding) -> Job:
    """The coil's cabinet answered, and so did the bends, twice; the nuts beside it did not."""
    nuts = ("metering_inlet_flare", "metering_outlet_flare", "equaliser_flare")
    bends = found("probe_point", "indoor_return_bends", "response")
    first = (found("probe_sweep", "indoor_coil_cabinet", "response"), bends, bends)
    return told(plain(), *first, *(found("probe_point", nut, "silent") for nut in nuts), *more)


@pytest.mark.parametrize("more", [(), (found("bubbles", "indoor_return_bends", "slow_foam"),)])
def test_inside_a_coil_that_is_to_be_replaced_no_pinhole_is_chased(more: tuple[Finding, ...]) -> None:
    """The unit of repair is the coil: what follows looks elsewhere, or once more to prove it, or ends."""
    job = coil_found(*more)
    assert Belief(job).unit_probability["indoor_coil"] > 0.9
    walk = all_silent_walk(job, 4)
    inside = [test for test in walk.steps if units_of(job, test) == {"indoor_coil"}]
    assert len(inside) <= 1


def test_nobody_is_sent_after_five_grams_a_year() -> None:
    """A top-up of 30 g after six years: below what matters (5 g/yr is what a portable detector must find, EN 14624)."""
    job = shipped_job("ducted_split", age_years=12.0, first_charge_weighed=True, loss={"kg": 0.03, "years": 6.0})
    plan = plan_for(job)
    assert plan.stop.stop
    assert plan.stop.another < 0.1
    assert plan.ask is None


# 10. no arguing


def test_a_skip_with_its_reason_is_kept() -> None:
    job = plain()
    first = plan_for(job).next[0].candidate
    later = job.with_skip(Skip(first.target, "locked, no key", first.method))
    plan = plan_for(later)
    assert (first.method, first.target) not in {(t.candidate.method, t.candidate.target) for t in plan.next}
    assert "left out: locked, no key" in {one.reason for one in plan.not_allowed}
    assert plan.next


def test_already_checked_counts_and_moves_nobody() -> None:
    job = plain(place="yard")
    checked = told(job, found("probe_sweep", "indoor_coil_cabinet", "silent", earlier=True))
    assert checked.facts.place == "yard"
    assert Belief(checked).unit_probability["indoor_coil"] < 0.7 * Belief(job).unit_probability["indoor_coil"]
    same = [t for t in plan_for(checked).next if t.candidate.target == "indoor_coil_cabinet"]
    assert not any(t.candidate.method == "probe_sweep" and t.candidate.condition == job.condition() for t in same)


def test_a_place_of_ones_own_is_searched_at_once() -> None:
    own = Site("tee", "tee that somebody put in", "brazed_joint", "yard", "service_valves", "liquid_line", unit="tee")
    job = plain().with_own_site(own)
    assert any(test.candidate.target == "tee" for test in plan_for(job).next)
    shown = told(job, found("probe_point", "tee", "response"), found("bubbles", "tee", "slow_foam"))
    assert Belief(shown).matters_probability["tee"] > 0.8


@pytest.mark.parametrize("name", SPLITS)
def test_an_unknown_place_keeps_its_weight(name: str) -> None:
    """After a walk of silences the place that nobody named is likelier than before, never gone."""
    job = plain(name)
    walk = all_silent_walk(job, 12)
    assert Belief(walk.job).unit_probability["elsewhere"] > Belief(job).unit_probability["elsewhere"] > 0.001


def test_each_suggestion_says_why_in_one_sentence() -> None:
    for test in plan_for(plain()).next[:20]:
        assert test.reason
        assert "\n" not in test.reason
        assert not {"posterior", "entropy", "likelihood"} & set(test.reason.lower().split())


# 11. what would settle it is not put off by ever smaller things


def test_a_weighing_that_would_settle_it_is_not_put_off_for_ever() -> None:
    """A young system whose first charge nobody weighed: there may be no leak at all. Hoses wait for the ports, but not
    for looks that tell next to nothing; without that, forty silent steps pass and the charge is not weighed."""
    job = shipped_job("ductless_split", age_years=3.2, loss={"kg": 0.91, "years": 1.5}, consent="intrusive")
    walk = all_silent_walk(job.with_facts({"first_charge_weighed": False, "outdoor_c": 30.0}), 30)
    assert "weigh_charge" in [test.candidate.method for test in walk.steps]
    assert len(walk.steps) < 30

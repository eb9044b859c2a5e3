"""What a good technician would do in a whole job, for which no rule is written: it must come of price and belief.

Common practice, no source, where nothing else is said. Shipped priors and systems.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from leakinfer.circuit.conditions import UNDER_TEST_GAS
from leakinfer.circuit.model import WHOLE
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Ranked
from leakinfer.planner.plan import make_plan
from tests.job.small import COIL, found, job_on, shipped_job, site, system, told

from .walks import after, all_silent_walk, best, components_of

SPLITS = ("ducted_split", "heat_pump", "ductless_split")
PORTS = {"valve_core", "cap_brass_seal", "cap_plastic", "cap_hex_metal"}
GAS_PROBES = ("probe_point", "probe_sweep")


def state(test: Ranked) -> str:
    """The state of the system in which a test is made."""
    return test.candidate.condition.state


def outdoors(job: Job, test: Ranked) -> bool:
    """Whether one stands outdoors for it."""
    return any(place.id == test.candidate.place and place.outdoors for place in job.system.places)


def leaky(name: str, **facts: object) -> Job:
    """A shipped system, twelve years old, that lost half a charge in a year."""
    job = shipped_job(name, age_years=12.0, first_charge_weighed=True)
    return job.with_facts({"loss": {"kg": 0.5 * job.facts.charge_kg, "years": 1.0}, **facts})


def made_on(method: str, target: str) -> Callable[[Ranked], bool]:
    """Whether a test is of that method on that target."""
    return lambda test: (test.candidate.method, test.candidate.target) == (method, target)


# standing or running


def one_side(section: str, **facts: Any) -> Job:
    """Brazed joints on one side only, indoors. R-134a evaporating has about 200 kPa gauge, below the 340 kPa that a
    probe asks for (SAE J1627 and J1628 practice, secondary); standing at 22 C about 510 kPa (from memory)."""
    made = system(*(site(f"joint_{n}", "brazed_joint", section, COIL) for n in range(6)))
    loss = {"kg": 0.8, "years": 1.0}
    return job_on(made, refrigerant="R-134a", loss=loss, first_charge_weighed=True, age_years=14.0, **facts)


@pytest.mark.parametrize("now", ["standing", "running"])
def test_a_leak_of_the_low_side_is_sought_standing(now: str) -> None:
    plan = make_plan(Belief(one_side("suction", state=now)))
    assert state(best(plan, lambda test: test.candidate.method in GAS_PROBES)) == "standing"


@pytest.mark.parametrize("now", ["standing", "running"])
def test_a_leak_of_the_high_side_is_sought_running_when_it_is_cold_outside(now: str) -> None:
    """At 5 C outdoors R-134a stands at about 250 kPa gauge, condensing above 15 C at more than 390 (from memory)."""
    plan = make_plan(Belief(one_side("hot_gas", state=now, outdoor_c=5.0)))
    assert state(best(plan, lambda test: test.candidate.method in GAS_PROBES)) == "running"


# wind


AREAS = ("probe_sweep", "gather")


def in_wind(kg: float) -> Job:
    """A ducted split in wind that lost so much in a year."""
    job = shipped_job("ducted_split", age_years=12.0, first_charge_weighed=True, air="wind")
    return job.with_facts({"loss": {"kg": kg, "years": 1.0}})


@pytest.mark.parametrize("kg", [0.1, 0.2, 0.3, 0.6])
def test_in_wind_the_best_sweep_outdoors_is_a_wrapped_one(kg: float) -> None:
    """Up to what a sweep smells in any wind; 1.3 kg a year may be met without."""
    job = in_wind(kg)
    sweep = best(make_plan(Belief(job)), lambda t: t.candidate.method in AREAS and outdoors(job, t))
    assert "shroud" in [step.id for step in sweep.steps]
    assert sweep.candidate.target == "service_valves"


@pytest.mark.parametrize("kg", [0.3, 0.6])
def test_after_silence_in_wind_no_area_outdoors_is_swept_bare(kg: float) -> None:
    """Standing in the yard, coil and valves swept and silent: the next area outdoors is wrapped. Single spots cost less
    than a minute each and may come before."""
    job = in_wind(kg)
    swept = ("indoor_coil_cabinet", "service_valves", "outside_run")
    job = told(job, *(found("probe_sweep", zone, "silent", job.condition()) for zone in swept))
    area = best(make_plan(Belief(job)), lambda t: t.candidate.method in AREAS and outdoors(job, t))
    assert "shroud" in [step.id for step in area.steps]


def test_in_still_air_nobody_wraps_before_a_plain_sweep() -> None:
    job = leaky("ducted_split", air="still")
    sweep = best(make_plan(Belief(job)), lambda test: test.candidate.method == "probe_sweep" and outdoors(job, test))
    assert not sweep.candidate.condition.shroud


# bubbles


@pytest.mark.parametrize("now", ["standing", "nitrogen"])
@pytest.mark.parametrize("name", SPLITS)
def test_bubbles_go_where_they_can_be_seen(name: str, now: str) -> None:
    job = leaky(name)
    if now == "nitrogen":
        job = job.with_facts({"state": "nitrogen", "test_kpa": 1000.0, "gauges": True})
    unseen = {one.id for one in job.sites if not one.view}
    bubbled = {t.candidate.target for t in make_plan(Belief(job)).next if t.candidate.method == "bubbles"}
    assert unseen
    assert bubbled
    assert not bubbled & unseen


# nitrogen


def flat(name: str) -> Job:
    """A system that lost all within a year."""
    job = shipped_job(name, age_years=12.0, first_charge_weighed=True, state="flat")
    return job.with_facts({"loss": {"kg": job.facts.charge_kg, "years": 1.0}})


@pytest.mark.parametrize("name", SPLITS)
def test_a_flat_system_is_put_under_nitrogen_at_once(name: str) -> None:
    """Nothing is left to sniff. A few looks at ports and for oil come before the hoses; then test gas goes in."""
    walk = all_silent_walk(flat(name), 24, lambda test: state(test) in UNDER_TEST_GAS)
    assert state(walk.steps[-1]) in UNDER_TEST_GAS, walk.methods
    assert sum(test.minutes.total for test in walk.steps[:-1]) < 30


@pytest.mark.parametrize("now", ["flat", "nitrogen"])
@pytest.mark.parametrize("name", SPLITS)
def test_no_charge_goes_into_a_system_that_leaks(name: str, now: str) -> None:
    """Nobody weighs a new charge in to sniff for a leak that emptied the old one; rules forbid it in many places."""
    job = flat(name)
    if now == "nitrogen":
        job = job.with_facts({"state": "nitrogen", "test_kpa": 1000.0, "gauges": True})
    for test in make_plan(Belief(job)).next[:10]:
        assert "recharge" not in [step.id for step in test.steps]


@pytest.mark.parametrize("name", SPLITS)
def test_a_charged_system_is_not(name: str) -> None:
    walk = all_silent_walk(leaky(name, consent="intrusive"), 6)
    assert not any(state(test) in UNDER_TEST_GAS for test in walk.steps)


# holds


def under_nitrogen(kg: float, years: float, **facts: object) -> Job:
    """A ducted split under nitrogen, all of it tried with bubbles and the ear, and silent."""
    job = shipped_job(
        "ducted_split", age_years=12.0, first_charge_weighed=True, not_on_van=("tracer_probe", "tracer_kit")
    )
    told_so = {"loss": {"kg": kg, "years": years}, "state": "nitrogen", "test_kpa": 1600.0, "consent": "intrusive"}
    job = job.with_facts({**told_so, "gauges": False, **facts})
    for name in ("bubbles", "ear_point", "oil_point"):
        method = job.catalogue.methods[name]
        targets = [target for target in job.targets(method) if job.hindrance(method, target) is None]
        job = told(job, *(Finding(name, target, method.silent, job.condition()) for target in targets))
    return job.with_facts({"gauges": True})


def test_a_large_loss_that_nothing_explains_is_held_for_a_day() -> None:
    """A kilogram a year under silent bubbles: after a few looks of minutes each a part is held for a day."""
    walk = all_silent_walk(under_nitrogen(1.0, 1.0), 16, lambda test: test.candidate.method == "hold_day")
    assert walk.methods[-1] == "hold_day", walk.methods
    assert sum(test.minutes.total for test in walk.steps[:-1]) < 30


def test_five_grams_a_year_are_not_held_for_a_day() -> None:
    """A hold of a day cannot see it either: 0.03 psi/h are 2 oz (57 g) a year (computed)."""
    plan = make_plan(Belief(under_nitrogen(0.03, 6.0)))
    held = best(plan, lambda test: test.candidate.method == "hold_day")
    assert held.cost > plan.stop.at_stake
    assert plan.stop.stop or "hold" not in plan.next[0].candidate.method


def test_the_day_tells_more_than_the_hour() -> None:
    plan = make_plan(Belief(under_nitrogen(1.0, 1.0)))
    day, hour = (best(plan, made_on(name, WHOLE)) for name in ("hold_day", "hold_hour"))
    assert day.bits > hour.bits


# ports


@pytest.mark.parametrize("age", [8.0, 12.0, 16.0])
@pytest.mark.parametrize("name", SPLITS)
def test_cores_and_caps_come_first(name: str, age: float) -> None:
    """On a plain unit of middle age the first test takes in ports, alone or with the valves that they sit on; on a
    ductless one it may be a flare beside them."""
    job = shipped_job(name, age_years=age)
    wanted = PORTS | {"flare"} if name == "ductless_split" else PORTS
    assert components_of(job, make_plan(Belief(job)).next[0]) & wanted


# after the first find


def small_find(job: Job) -> Job:
    """A cap that leaks a little, confirmed twice with slow foam."""
    foam = found("bubbles", "suction_port_cap", "slow_foam")
    return told(job, found("probe_point", "suction_port_cap", "response"), foam, foam)


def test_after_one_small_find_and_a_large_loss_one_goes_on() -> None:
    job = small_find(shipped_job("ducted_split", age_years=12.0, loss={"kg": 1.0, "years": 1.0}))
    plan = make_plan(Belief(job))
    assert "suction_port_cap" in plan.stop.confirmed
    assert not plan.stop.stop
    assert {job.site(one).unit for one in _sites(job, plan.next[0])} != {job.site("suction_port_cap").unit}


def _sites(job: Job, test: Ranked) -> list[str]:
    one = test.candidate
    return [each.id for each in job.scope(job.catalogue.methods[one.method], one.target)]


def test_a_find_that_explains_the_loss_leaves_less() -> None:
    """After the same find a small loss is explained and a large one is not."""
    left = []
    for kg in (1.0, 0.08):
        job = shipped_job("ducted_split", age_years=12.0, first_charge_weighed=True, loss={"kg": kg, "years": 1.0})
        left.append(make_plan(Belief(small_find(job))).stop)
    assert left[0].another > 2 * left[1].another
    assert left[0].at_stake > left[1].at_stake


# the first steps with a known loss


@pytest.mark.parametrize("name", [*SPLITS, "walk_in_cooler"])
def test_with_half_the_charge_lost_one_searches(name: str) -> None:
    plan = make_plan(Belief(leaky(name)))
    assert not plan.stop.stop
    assert plan.stop.worth > 10


def test_what_responds_is_followed() -> None:
    """Each response of a sweep is followed by a test inside it."""
    job = leaky("ducted_split")
    for area in ("service_valves", "indoor_coil_cabinet"):
        sweep = best(make_plan(Belief(job)), made_on("probe_sweep", area))
        next_one = make_plan(Belief(after(job, sweep, "response"))).next[0]
        assert {job.site(one).zone for one in _sites(job, next_one)} == {area}, area


def test_the_costs_of_all_tests_hold_the_ending_in_sight() -> None:
    """No test costs less than its own minutes, and none is expected to cost more than itself and ending now."""
    for name in (*SPLITS, "walk_in_cooler"):
        plan = make_plan(Belief(leaky(name)))
        for test in plan.next:
            assert test.cost >= test.minutes.total - 1e-6
            assert test.cost <= test.minutes.total + plan.stop.at_stake + 1e-6


def test_a_small_job_ends_by_itself() -> None:
    """With three joints, all silent, the plan comes to an end before all tests are made."""
    made = system(*(site(f"joint_{n}", "brazed_joint") for n in range(3)))
    walk = all_silent_walk(job_on(made, age_years=10.0), 30)
    assert walk.plans[-1].stop.stop
    assert len(walk.steps) < 30

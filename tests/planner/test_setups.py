"""The way to a state of the system: the cheapest there is, at its price, and never without consent or tools."""

from __future__ import annotations

import itertools
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest

from leakinfer.catalogue.model import State
from leakinfer.circuit.model import WHOLE
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.candidates import possible
from leakinfer.planner.model import Candidate, NotAllowed
from leakinfer.planner.plan import make_plan
from leakinfer.planner.setups import TIERS, priced_wait, ways, what_bars
from tests.job.small import CATALOGUE, shipped_job

from .oracle import pick

SETUPS: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parents[2] / "priors" / "setups.toml").read_text(encoding="utf-8")
)["setup"]
STATES: tuple[State, ...] = get_args(State)
NUMBERS = CATALOGUE.numbers


def plain_price(setup: dict[str, Any]) -> float:
    """Minutes, and of the wait the lost share, at most a second trip."""
    wait = min(setup.get("wait_minutes", 0.0) * NUMBERS["waiting_share"], NUMBERS["return_trip_minutes"])
    return float(setup["minutes"] + wait)


def cheapest(start: State, consent: int, missing: set[str], charging: bool = True) -> dict[str, float]:
    """Bellman and Ford: relax every set-up as often as there are states."""
    cost = dict.fromkeys(STATES, math.inf) | {start: 0.0}
    usable = [one for one in SETUPS if "to" in one and TIERS.index(one["tier"]) <= consent]
    usable = [one for one in usable if not missing & set(one.get("tools", ()))]
    for _, one in itertools.product(STATES, usable):
        for begin in one["from_states"]:
            if charging or begin in HOLDS_CHARGE or one["to"] not in HOLDS_CHARGE:
                cost[one["to"]] = min(cost[one["to"]], cost[begin] + plain_price(one))
    return {state: minutes for state, minutes in cost.items() if math.isfinite(minutes)}


HOLDS_CHARGE = ("running", "standing")
MISSING: tuple[tuple[str, ...], ...] = ((), ("nitrogen_kit",), ("vacuum_pump",), ("recovery_unit", "tracer_kit"))


@pytest.mark.parametrize("missing", MISSING)
@pytest.mark.parametrize("consent", TIERS)
def test_the_way_is_the_cheapest_one(consent: str, missing: tuple[str, ...]) -> None:
    job = shipped_job("ducted_split", consent=consent, not_on_van=missing)
    for start in STATES:
        for asked in (True, False):
            right = cheapest(start, TIERS.index(consent) if asked else 2, set(missing))
            found = ways(job, start, consent=asked)
            assert {state: way.minutes for state, way in found.items()} == pytest.approx(right)


@pytest.mark.parametrize("start", STATES)
def test_without_charging_what_is_charged_stays_so_and_nothing_else_comes_to_be(start: State) -> None:
    job = shipped_job("ducted_split", consent="intrusive")
    found = {state: way.minutes for state, way in ways(job, start, charging=False).items()}
    assert found == pytest.approx(cheapest(start, TIERS.index("intrusive"), set(), charging=False))
    assert (start in HOLDS_CHARGE) == bool(set(HOLDS_CHARGE) & set(found))
    assert len(found) >= 4


@pytest.mark.parametrize("start", STATES)
def test_the_steps_of_a_way_follow_each_other(start: State) -> None:
    for state, way in ways(shipped_job("ducted_split", consent="intrusive"), start).items():
        here: State | None = start
        for step in way.steps:
            assert here in step.from_states
            here = step.to
        assert here == state
        listed = {one["id"]: one for one in SETUPS}
        assert way.minutes == pytest.approx(sum(plain_price(listed[step.id]) for step in way.steps))


NO_CHARGE = "no refrigerant goes into a system that is likely to leak: repair it and prove it tight first"
NO_KIT = "not on the van: nitrogen cylinder with regulator, relief valve and gauge"


@pytest.mark.parametrize(
    ("facts", "state", "reason"),
    [
        ({}, "nitrogen", "needs consent to intrusive work: recover the refrigerant"),
        ({"state": "flat", "consent": "quick"}, "nitrogen", "needs consent to standard work: fill with dry nitrogen"),
        ({"consent": "intrusive", "not_on_van": ("nitrogen_kit",)}, "nitrogen", NO_KIT),
        ({"consent": "quick", "not_on_van": ("nitrogen_kit",)}, "nitrogen", NO_KIT),
        ({"consent": "intrusive", "not_on_van": ("recovery_unit",)}, "flat", "not on the van: recovery machine"),
        ({"state": "vacuum", "consent": "intrusive"}, "standing", NO_CHARGE),
        ({"state": "flat", "consent": "intrusive"}, "running", NO_CHARGE),
    ],
)
def test_what_bars_a_state_is_said_in_one_line(facts: dict[str, Any], state: State, reason: str) -> None:
    """Consent by the dearest step of the way, a tool before consent, and no charge into what may leak."""
    assert what_bars(shipped_job("ducted_split", **facts), state).startswith(reason)


def test_a_state_that_no_work_leads_to_is_said_so() -> None:
    few = {id_: setup for id_, setup in CATALOGUE.setups.items() if setup.to != "vacuum"}
    job = replace(shipped_job("ducted_split"), catalogue=msgspec.structs.replace(CATALOGUE, setups=few))
    assert what_bars(job, "vacuum") == "no way from here to 'vacuum'"


@pytest.mark.parametrize("minutes", [0.0, 10.0, 119.0, 121.0, 1440.0])
def test_a_wait_costs_its_share_and_at_most_a_second_trip(minutes: float) -> None:
    right = min(minutes * NUMBERS["waiting_share"], NUMBERS["return_trip_minutes"])
    assert priced_wait(shipped_job("ducted_split"), minutes) == pytest.approx(right)


def test_a_day_costs_a_second_trip_and_an_hour_half_of_it() -> None:
    plan = make_plan(Belief(nitrogen(consent="intrusive")))
    day, hour = (pick(plan, name, WHOLE, "nitrogen").minutes for name in ("hold_day", "hold_hour"))
    assert day.waiting == NUMBERS["return_trip_minutes"]
    assert hour.waiting == 60 * NUMBERS["waiting_share"]
    assert (day.state, hour.state) == (0, 0)


def test_aids_and_their_waits_are_counted_once() -> None:
    """A shroud is wrapped each time anew; dye is put in once."""
    plan = make_plan(Belief(shipped_job("ducted_split", air="wind")))
    listed = {one["id"]: one for one in SETUPS}
    sweep = pick(plan, "probe_sweep", "service_valves", shroud=True)
    assert sweep.minutes.aids == pytest.approx(plain_price(listed["shroud"]))
    assert pick(plan, "probe_sweep", "service_valves").minutes.aids == 0
    lamp = pick(plan, "dye_look", "suction_drier")
    assert lamp.minutes.aids == pytest.approx(plain_price(listed["dye"]))
    glows = make_plan(Belief(shipped_job("ducted_split", aids=("dye",))))
    assert pick(glows, "dye_look", "suction_drier").minutes.aids == 0


# what may be done


def nitrogen(**facts: Any) -> Job:
    """A ducted split under nitrogen."""
    return shipped_job("ducted_split", state="nitrogen", test_kpa=1000.0, gauges=True, **facts)


def allowed(job: Job) -> tuple[list[Candidate], list[NotAllowed]]:
    """What may be tested, and what not."""
    return possible(Belief(job))


def why_not(job: Job, method: str) -> str:
    """Why a method cannot be used at all."""
    return next(one.reason for one in allowed(job)[1] if (one.method, one.target) == (method, WHOLE))


def states(job: Job) -> set[str]:
    """The states of all that may be tested."""
    return {one.condition.state for one in allowed(job)[0]}


def test_the_charge_is_not_taken_out_without_consent() -> None:
    job = shipped_job("ducted_split", consent="standard")
    assert states(job) == {"standing", "running"}
    assert "consent" in why_not(job, "weigh_charge")
    assert "recover" in why_not(job, "tracer_sweep")
    assert {"nitrogen", "tracer", "vacuum"} <= states(job.with_facts({"consent": "intrusive"}))


def test_a_flat_system_needs_no_consent_to_take_its_charge_out() -> None:
    flat = shipped_job("ducted_split", state="flat", consent="standard")
    assert {"nitrogen", "tracer", "vacuum"} <= states(flat)
    assert states(flat.with_facts({"consent": "quick"})) == {"flat"}


@pytest.mark.parametrize("consent", TIERS)
def test_no_test_or_step_is_dearer_than_agreed(consent: str) -> None:
    job = shipped_job("ducted_split", consent=consent)
    for test in make_plan(Belief(job)).next:
        tiers = [job.catalogue.methods[test.candidate.method].tier, *(step.tier for step in test.steps)]
        assert max(map(TIERS.index, tiers)) <= TIERS.index(job.facts.consent)


CUT = "coil_alone"


def held(job: Job) -> set[str]:
    """Targets of holds under nitrogen."""
    return {one.target for one in allowed(job)[0] if one.method == "hold_day" and one.condition.state == "nitrogen"}


def test_a_pipe_is_cut_only_with_consent_and_the_kit() -> None:
    by = {part.id: part.by for part in nitrogen().system.isolations}
    cut, valves = ({name for name, how in by.items() if how == one} for one in ("cut", "valves"))
    assert CUT in cut
    assert valves
    assert held(nitrogen(consent="intrusive")) == {WHOLE, *by}
    assert held(nitrogen(consent="standard")) == {WHOLE, *valves}
    assert held(nitrogen(consent="intrusive", not_on_van=("brazing_kit",))) == {WHOLE, *valves}


@pytest.mark.parametrize(
    ("facts", "word"), [({}, "consent"), ({"consent": "intrusive", "not_on_van": ("brazing_kit",)}, "van")]
)
def test_what_is_not_cut_is_told_with_the_reason(facts: dict[str, Any], word: str) -> None:
    reasons = [one.reason for one in allowed(nitrogen(**facts))[1] if (one.method, one.target) == ("hold_day", CUT)]
    assert reasons
    assert word in reasons[0]


def test_what_is_shut_off_already_needs_no_cut() -> None:
    assert CUT in held(nitrogen(consent="standard", test_isolation=CUT))


@pytest.mark.parametrize(
    ("tool", "method"), [("probe", "probe_point"), ("bubble_solution", "bubbles"), ("dye_kit", "dye_look")]
)
def test_without_its_tool_nothing_is_proposed(tool: str, method: str) -> None:
    job = shipped_job("ducted_split", not_on_van=(tool,))
    assert method in {one.method for one in allowed(shipped_job("ducted_split"))[0]}
    assert method not in {one.method for one in allowed(job)[0]}
    assert why_not(job, method) == f"not on the van: {job.catalogue.tools[tool].name}"


def test_without_a_shroud_nothing_is_wrapped() -> None:
    for tools, some in (((), True), (("shroud",), False)):
        found = allowed(shipped_job("ducted_split", air="wind", not_on_van=tools))[0]
        assert any(one.condition.shroud for one in found) == some


def test_only_what_fits_into_the_time_left_is_proposed() -> None:
    job = shipped_job("ducted_split", minutes_left=9.0)
    plan = make_plan(Belief(job))
    assert plan.next
    assert max(test.minutes.total for test in plan.next) <= 9
    late = [one for one in plan.not_allowed if "are left" in one.reason]
    every = make_plan(Belief(job.with_facts({"minutes_left": None}))).next
    assert len(late) + len(plan.next) == len(every)


def test_the_cautions_of_every_step_are_shown() -> None:
    job = shipped_job("ducted_split", air="wind", consent="intrusive")
    seen = set()
    for test in make_plan(Belief(job)).next:
        for step in test.steps:
            seen.add(step.id)
            assert {text for text in step.cautions if not text.startswith("Flammable")} <= set(test.cautions)
        assert len(test.cautions) == len(set(test.cautions))
    assert {"recover", "fill_nitrogen", "evacuate", "shroud", "dye", "isolate_cut", "isolate_valves", "start"} <= seen

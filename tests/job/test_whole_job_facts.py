"""Facts of tools, aids, time and state: what is refused, and what a finding changes of them."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding
from leakinfer.job.later import Return

from .small import RUNNING, found, shipped_job, told
from .tight import LOW_SIDE, held, three_bends

UNKNOWN: dict[str, tuple[dict[str, Any], str]] = {
    "a tool": ({"not_on_van": ["crystal_ball"]}, "facts: not_on_van: unknown tool 'crystal_ball'"),
    "an aid": ({"aids": ["canary"]}, "facts: aids: unknown aid 'canary'"),
    "a set-up of state as aid": ({"aids": ["recover"]}, "facts: aids: unknown aid 'recover'"),
    "advice": ({"seen": ["ghost"]}, "facts: seen: unknown advice 'ghost'"),
    "advice that nobody has to see": ({"seen": ["leaf_litter"]}, "facts: seen: unknown advice 'leaf_litter'"),
    "an isolation": ({"test_isolation": "attic"}, "test_isolation: unknown isolation 'attic'"),
    "a false cause": ({"false_causes": ["moonlight"]}, "facts: false_causes: unknown false cause 'moonlight'"),
    "a tier": ({"consent": "anything"}, "consent"),
    "a state": ({"state": "boiling"}, "state"),
    "minutes below zero": ({"minutes_left": -1.0}, "minutes_left"),
    "a volume of nothing": ({"volume_l": 0.0}, "volume_l"),
    "a rating below zero": ({"rating_low_kpa": -5.0}, "rating_low_kpa"),
    "nitrogen without pressure": ({"state": "nitrogen"}, "a test pressure of 0 kPa under nitrogen"),
    "a pressure without nitrogen": ({"test_kpa": 500.0}, "a test pressure of 500 kPa, the state is standing"),
    "sides that differ while standing": ({"high_kpa": 1800.0, "low_kpa": 900.0}, "not equalised"),
    "sides the wrong way round": (
        {"state": "running", "high_kpa": 900.0, "low_kpa": 1800.0},
        "the low side is above the high side",
    ),
}


@pytest.mark.parametrize("name", UNKNOWN)
def test_a_fact_that_cannot_be_is_refused_and_changes_nothing(name: str) -> None:
    changes, words = UNKNOWN[name]
    job = three_bends()
    before = structs.asdict(job.facts)
    with pytest.raises(InputError, match=words) as caught:
        job.with_facts(changes)
    assert "\n" not in str(caught.value)
    assert structs.asdict(job.facts) == before


def test_known_ones_are_taken() -> None:
    facts: dict[str, Any] = {"not_on_van": ("nitrogen_kit",), "aids": ("dye",), "seen": ("dirty_coil",)}
    job = three_bends(**facts)
    assert {name: getattr(job.facts, name) for name in facts} == facts


# heating


def test_heating_only_while_running_and_only_where_the_system_heats() -> None:
    pump = shipped_job("heat_pump", state="running", heating=True, outdoor_c=2.0)
    assert pump.condition().heating
    assert not pump.condition("standing").heating
    found_so = Condition("standing", "still", 2.0, 22.0, heating=True)
    with pytest.raises(InputError, match="heating, the state is standing"):
        pump.with_finding(found("probe_point", "liquid_port_core", "silent", found_so))
    with pytest.raises(InputError, match="this system does not heat"):
        shipped_job("ducted_split", state="running", heating=True)


def test_a_finding_made_heating_leaves_the_system_heating() -> None:
    heating = Condition("running", "still", 2.0, 22.0, heating=True)
    job = told(
        shipped_job("heat_pump", outdoor_c=2.0, state="running", heating=True),
        found("oil_point", "liquid_port_core", "no_oil", heating),
    )
    assert (job.facts.state, job.facts.heating) == ("running", True)
    stopped = told(
        job, found("oil_point", "liquid_port_core", "no_oil", structs.replace(heating, state="standing", heating=False))
    )
    assert (stopped.facts.state, stopped.facts.heating) == ("standing", False)


# time


def timed(minutes: float | None, *, earlier: bool = False) -> Finding:
    return found("probe_point", "one", "silent", minutes=minutes, earlier=earlier)


def test_minutes_left_fall_by_what_each_finding_took() -> None:
    job = three_bends(minutes_left=60.0)
    left = [told(job, *findings).facts.minutes_left for findings in (
        (timed(12.5),), (timed(12.5), timed(20.0)), (timed(None),), (timed(90.0),), (timed(12.5, earlier=True),),
    )]  # fmt: skip
    assert left == [47.5, 27.5, 60.0, 0.0, 60.0]


def test_without_a_limit_there_is_none_after() -> None:
    assert told(three_bends(), timed(30.0)).facts.minutes_left is None


def test_a_later_visit_has_its_own_time() -> None:
    assert three_bends(minutes_left=60.0).with_return(Return(1.0)).facts.minutes_left is None


# what a finding leaves of the state


def test_a_hold_leaves_the_gas_where_it_was_put() -> None:
    job = three_bends()
    after = told(job, held(job, 1199.0, LOW_SIDE, "low_side"))
    facts = after.facts
    assert (facts.state, facts.test_kpa, facts.test_isolation, facts.gauges) == ("nitrogen", 1200.0, "low_side", True)
    assert after.condition().sections == ("suction",)


def test_gauges_stay_as_told_in_one_state_and_change_with_it() -> None:
    job = three_bends(high_kpa=1350.0, low_kpa=1350.0)
    assert told(job, found("probe_point", "one", "silent")).facts.high_kpa == 1350.0
    started = told(job, found("probe_point", "one", "silent", structs.replace(RUNNING, high_kpa=2300.0, low_kpa=900.0)))
    assert (started.facts.high_kpa, started.facts.low_kpa) == (2300.0, 900.0)
    blind = told(job, found("probe_point", "one", "silent", RUNNING))
    assert (blind.facts.high_kpa, blind.facts.low_kpa) == (None, None)


def test_an_aid_stays_unless_it_belongs_to_one_place() -> None:
    dyed = told(three_bends(), found("dye_look", "one", "no_glow"))
    assert dyed.facts.aids == ("dye",)
    wrapped = told(
        three_bends(), found("gather", "valves", "nothing", Condition("standing", "still", 24.0, 22.0, shroud=True))
    )
    assert wrapped.facts.aids == ()

"""Facts that were told in an event, in words and in a person's units."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from leakinfer.circuit.conditions import AIR_WORDS
from leakinfer.job.facts import Loss
from leakinfer.job.job import Job
from leakinfer.words.job import outcome_words, place_words, years_words
from leakinfer.words.units import Units

Say = Callable[[Any, Job, Units], str]
ENDED = ("heating", "test_kpa", "test_isolation", "high_kpa", "low_kpa")  # told with a new state, where it ends them


def _yes(name: str, no: str) -> Say:
    return lambda value, _, __: name if value else no


def _of(name: str, say: Callable[[Units], Callable[[float], str]]) -> Say:
    return lambda value, _, units: f"{name} {say(units)(value)}" if value is not None else f"{name} not known"


def _names(name: str, say: Callable[[Job], Callable[[str], str]]) -> Say:
    return lambda value, job, _: f"{name}: {', '.join(map(say(job), value)) or 'none'}"


def _circumstances(value: Mapping[str, bool], job: Job, _: Units) -> str:
    there = [job.target_name(name) for name, told in value.items() if told]
    gone = [job.target_name(name) for name, told in value.items() if not told]
    parts = [f"there: {', '.join(there)}"] * bool(there) + [f"not there: {', '.join(gone)}"] * bool(gone)
    return "; ".join(parts) or "what can be seen: nothing told"


def _loss(value: Mapping[str, float] | None, _: Job, units: Units) -> str:
    if value is None:
        return "loss not known"
    return loss_words(Loss(value["kg"], value["years"]), units)


def loss_words(loss: Loss, units: Units) -> str:
    """``8 oz lost in 18 months``."""
    return f"{units.mass_words(loss.kg)} lost in {years_words(loss.years)}"


SAID: Mapping[str, Say] = {
    "refrigerant": lambda value, _, __: str(value),
    "charge_kg": _of("charge", lambda units: units.mass_words),
    "age_years": _of("age", lambda _: years_words),
    "tight_years_ago": _of("all proved tight, ago:", lambda _: years_words),
    "loss": _loss,
    "first_charge_weighed": _yes("charge weighed in once", "first charge not known to be weighed"),
    "circumstances": _circumstances,
    "not_fitted": _names("not fitted", lambda job: job.target_name),
    "state": lambda value, _, __: str(value),
    "heating": _yes("in heating", "in cooling"),
    "test_kpa": _of("test gas at", lambda units: units.pressure_words),
    "test_isolation": lambda value, job, _: f"shut into {job.target_name(value) if value else 'the whole system'}",
    "high_kpa": _of("high side", lambda units: units.pressure_words),
    "low_kpa": _of("low side", lambda units: units.pressure_words),
    "air": lambda value, _, __: str(AIR_WORDS.get(value, value)),
    "outdoor_c": _of("outdoors", lambda units: units.temperature_words),
    "indoor_c": _of("indoors", lambda units: units.temperature_words),
    "gauges": _yes("hoses on", "hoses off"),
    "place": lambda value, job, _: f"at: {place_words(job, value)}",
    "opened": _names("open", lambda job: lambda place: place_words(job, place)),
    "false_causes": _names("also there", lambda _: outcome_words),
    "untried_operator": _yes("an operator not seen at work yet", "an operator who finds what is there"),
    "matters_g_per_year": _of("smallest loss that counts", lambda units: units.rate_words),
    "rating_high_kpa": _of("nameplate, high side", lambda units: units.pressure_words),
    "rating_low_kpa": _of("nameplate, low side", lambda units: units.pressure_words),
    "volume_l": _of("inside", lambda _: lambda litres: f"{litres:.3g} l"),
    "consent": lambda value, _, __: f"agreed to {value} work",
    "minutes_left": _of("time left", lambda _: lambda minutes: f"{minutes:.0f} min"),
    "not_on_van": _names("not on the van", lambda job: lambda tool: job.catalogue.tools[tool].name),
    "aids": _names("in place", lambda job: lambda aid: job.catalogue.setups[aid].name),
    "seen": _names("noticed", lambda job: lambda name: job.catalogue.advice[name].name),
}


def facts_told(body: Mapping[str, Any], job: Job, units: Units) -> str:
    """The facts of one event; what a new state ends is left out where it says nothing."""
    ended = ENDED if "state" in body else ()
    return "; ".join(
        SAID[name](value, job, units) for name, value in body.items() if name in SAID and (value or name not in ended)
    )

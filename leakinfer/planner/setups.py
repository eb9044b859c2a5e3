"""The way from the present state of the system to another: which work it takes, in which order, at what price."""

from __future__ import annotations

import heapq
from dataclasses import dataclass

from leakinfer.catalogue.model import SetUp, State, Tier
from leakinfer.circuit.conditions import CHARGED
from leakinfer.job.job import Job

TIERS: tuple[Tier, ...] = ("quick", "standard", "intrusive")


@dataclass(frozen=True)
class Way:
    """Set-ups in order, and what they cost in minutes, waits at their price."""

    steps: tuple[SetUp, ...] = ()
    minutes: float = 0.0


def priced_wait(job: Job, minutes: float) -> float:
    """What a wait costs: part of it is used for something else, and nobody stays longer than a second trip takes."""
    numbers = job.catalogue.numbers
    return min(minutes * numbers["waiting_share"], numbers["return_trip_minutes"])


def price(job: Job, setup: SetUp) -> float:
    """Minutes of a set-up, its wait at its price."""
    return setup.minutes + priced_wait(job, setup.wait_minutes)


def barrier(job: Job, tier: Tier, tools: tuple[str, ...]) -> str | None:
    """Why work may not be done now: it needs more consent, or a tool that is not there; None if it may."""
    missing = [job.catalogue.tools[tool].name for tool in tools if tool in job.facts.not_on_van]
    if missing:
        return f"not on the van: {', '.join(missing)}"
    if TIERS.index(tier) > TIERS.index(job.facts.consent):
        return f"needs consent: {tier} work"
    return None


def ways(job: Job, begin: State | None = None, *, consent: bool = True, charging: bool = True) -> dict[State, Way]:
    """By state that can be reached, the cheapest way. ``consent``: only work that the customer has agreed to.
    ``charging``: whether refrigerant may be charged, which nobody does into a system that is likely to leak."""
    start: State = job.facts.state if begin is None else begin
    found: dict[State, Way] = {}
    queue: list[tuple[float, int, State, tuple[SetUp, ...]]] = [(0.0, 0, start, ())]
    count = 0
    while queue:
        minutes, _, state, steps = heapq.heappop(queue)
        if state in found:
            continue
        found[state] = Way(steps, minutes)
        for setup in job.catalogue.setups.values():
            if setup.to is None or state not in setup.from_states or _blocked(job, setup, consent):
                continue
            if not charging and setup.to in CHARGED and state not in CHARGED:
                continue
            count += 1
            heapq.heappush(queue, (minutes + price(job, setup), count, setup.to, (*steps, setup)))
    return found


def _blocked(job: Job, setup: SetUp, consent: bool) -> bool:
    """Whether a set-up is barred: always without its tools, and for want of consent where that counts."""
    if any(tool in job.facts.not_on_van for tool in setup.tools):
        return True
    return consent and barrier(job, setup.tier, ()) is not None


def what_bars(job: Job, state: State) -> str:
    """Why a state cannot be reached now, in words."""
    if state in CHARGED and job.facts.state not in CHARGED:
        return "no refrigerant goes into a system that is likely to leak: repair it and prove it tight first"
    way = ways(job, consent=False).get(state)
    if way is None:
        tools = [s for s in job.catalogue.setups.values() if s.to == state and barrier(job, "quick", s.tools)]
        return barrier(job, "quick", tools[0].tools) or "" if tools else f"no way from here to '{state}'"
    dearest = max(way.steps, key=lambda step: TIERS.index(step.tier))
    return f"needs consent to {dearest.tier} work: {dearest.name}"

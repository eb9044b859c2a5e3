"""Records to report on: the demo's invented job as it was played, and what could have come after it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

from msgspec import to_builtins

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import Site, System
from leakinfer.circuit.reader import load_system
from leakinfer.cli.scenario import begin, read_scenario
from leakinfer.job.belief import Belief
from leakinfer.job.events import (
    AIRED,
    BEGIN,
    FACTS,
    FINDING,
    REPAIR,
    RETURN,
    SITE,
    SKIP,
    after,
    begin_body,
    body_of,
    job_of,
)
from leakinfer.job.finding import Finding, Skip
from leakinfer.job.later import Aired, Repaired, Return
from leakinfer.planner.plan import dearer_work, make_plan
from leakinfer.reading import shipped
from leakinfer.report.job import Record
from leakinfer.session.given import pair, read_facts
from leakinfer.store import UNDO, Event, live
from leakinfer.words.units import METRIC

CATALOGUE = load_catalogue()
TITLE = "The house on the corner"
TODAY = date(2026, 11, 26)
PEOPLE = ("Åsa Ωmega", "Борис Ж.", "李雷")  # Latin with a ring, Greek, Cyrillic, and letters that the type lacks
HOSTILE = "<script>alert(1)</script> & \"quotes\" 'too'"
Told = tuple[str, Mapping[str, Any], str]  # kind, body, who


def events_of(told: Iterable[Told]) -> tuple[Event, ...]:
    """Events a minute apart."""
    return tuple(
        Event(number, kind, to_builtins(body), f"2026-11-26T{8 + number // 60:02d}:{number % 60:02d}:00.000Z", who)
        for number, (kind, body, who) in enumerate(told, start=1)
    )


@cache
def demo_events() -> tuple[Told, ...]:
    """The scenario in data_demo, without the planner."""
    scenario = read_scenario(shipped("data_demo", "scenario.toml"))
    job, first = begin(scenario, CATALOGUE, "demo")
    told: list[Told] = [(*first, scenario.who)]
    for step in scenario.steps:
        if step.facts:
            changed = read_facts(to_builtins(job.facts), [pair(text, "demo") for text in step.facts], CATALOGUE)
            told.append((FACTS, changed, scenario.who))
            job = after(job, FACTS, changed, "demo")
        finding = Finding(step.method, step.target, step.outcome, job.condition(), step.false_causes)
        told.append((FINDING, body_of(finding), scenario.who))
        job = after(job, FINDING, body_of(finding), "demo")
    return tuple(told)


def condition() -> Any:
    return job_of(live(events_of(demo_events())), CATALOGUE, "demo").condition()


@cache
def later_events() -> tuple[Told, ...]:
    """After the demo: two repairs with a test, and one of every other kind of event."""
    own = Site("glass", f"sight glass {HOSTILE}", "sight_glass", "basement", "inside_run", "liquid_line", "glass")
    silent = Finding("probe_point", "suction_port_core", "silent", condition(), note=f"twice {HOSTILE}")
    mistaken = Finding("probe_point", "compressor_shell", "response", condition())
    return (
        *demo_events(),
        (REPAIR, body_of(Repaired("suction_port_core", exchanged=True, note=f"new core {HOSTILE}")), PEOPLE[0]),
        (FINDING, body_of(silent), PEOPLE[0]),
        (REPAIR, body_of(Repaired("metering_inlet_flare")), PEOPLE[1]),
        (SKIP, body_of(Skip("hidden", f"no key {HOSTILE}")), PEOPLE[2]),
        (SITE, body_of(own), ""),
        (AIRED, body_of(Aired("coil_box")), ""),
        (FINDING, body_of(mistaken), PEOPLE[1]),
        (UNDO, {"number": len(demo_events()) + 7}, PEOPLE[1]),
        (RETURN, body_of(Return(0.5)), PEOPLE[0]),
    )


def record(told: Iterable[Told]) -> Record:
    events = events_of(told)
    belief = Belief(job_of(live(events), CATALOGUE, TITLE))
    plan = dearer_work(belief, make_plan(belief))
    return Record(TITLE, belief, plan, events, TODAY, METRIC, ("the priors are not those that this job began with",))


@cache
def demo() -> Record:
    return record(demo_events())


@cache
def demo_again() -> Record:
    """The same worked out anew."""
    return record(demo_events())


@cache
def later() -> Record:
    return record(later_events())


@cache
def mended() -> Record:
    """The demo and what came after it up to the second repair, its last event."""
    return record(later_events()[: len(demo_events()) + 3])


@cache
def again() -> Record:
    """After the demo a repair that did not hold: the same leak answers twice more. The plan is the demo's."""
    found = [
        Finding(method, "suction_port_core", outcome, condition())
        for method, outcome in (("probe_point", "response"), ("bubbles", "slow_foam"))
    ]
    told = [(REPAIR, body_of(Repaired("suction_port_core")), ""), *((FINDING, body_of(one), "") for one in found)]
    events = events_of([*demo_events(), *told])
    return replace(demo(), belief=Belief(job_of(live(events), CATALOGUE, TITLE)), events=events)


def noted(note: str) -> Record:
    """That with a note on the second repair, which no belief depends on."""
    *before, last = mended().events
    assert last.kind == REPAIR
    return replace(mended(), events=(*before, replace(last, body={**last.body, "note": note})))


def begun(system: System, facts: Mapping[str, Any]) -> Record:
    """A job of which only facts are told."""
    return record([(BEGIN, begin_body(system, facts, CATALOGUE), "")])


@cache
def bare() -> Record:
    """A job of which nothing is told."""
    return begun(load_system("ductless_split"), {})

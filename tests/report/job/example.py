"""Records to report on: the demo's invented job as it was played, and what could have come after it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from functools import cache
from typing import Any

from msgspec import to_builtins

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import Site
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
from leakinfer.words.units import METRIC, Units

CATALOGUE = load_catalogue()
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


def record(told: Iterable[Told], units: Units = METRIC, title: str = "The house on the corner") -> Record:
    events = events_of(told)
    belief = Belief(job_of(live(events), CATALOGUE, title))
    plan = dearer_work(belief, make_plan(belief))
    return Record(title, belief, plan, events, TODAY, units, ("the priors are not those that this job began with",))


@cache
def demo(units: Units = METRIC) -> Record:
    return record(demo_events(), units)


@cache
def later(units: Units = METRIC) -> Record:
    return record(later_events(), units)


def begun(system: str, facts: Mapping[str, Any]) -> Record:
    """A job of which only facts are told."""
    body = begin_body(load_system(system), facts, CATALOGUE)
    return record([(BEGIN, body, "")])

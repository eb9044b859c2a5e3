"""The invented job in ``data_demo/``: read, and played step by step against the planner."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta, Struct, to_builtins

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.reader import load_system
from leakinfer.job.belief import Belief
from leakinfer.job.events import BEGIN, FACTS, FINDING, after, begin_body, begun, body_of
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan
from leakinfer.planner.plan import make_plan
from leakinfer.reading import Text, read_toml
from leakinfer.session.given import pair, read_facts

PROPOSED = 3  # tests of a step that are shown


class Step(Struct, frozen=True, forbid_unknown_fields=True):
    """One step: facts that change, then a test with its outcome."""

    title: Text
    story: Text
    method: Text
    target: Text
    outcome: Text
    false_causes: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()


class Scenario(Struct, frozen=True, forbid_unknown_fields=True):
    """An invented job."""

    title: Text
    story: Text
    system: Text
    who: Text
    facts: tuple[str, ...]
    steps: Annotated[tuple[Step, ...], Meta(min_length=1)]


@dataclass(frozen=True)
class Played:
    """A step played: the belief and the plan that it met, its finding, and the belief after it.

    ``events``: what it adds to a journal, kind and body.
    """

    step: Step
    before: Belief
    plan: Plan
    finding: Finding
    after: Belief
    events: tuple[tuple[str, Mapping[str, Any]], ...]


def read_scenario(path: Path) -> Scenario:
    """The scenario in a file.

    Raises:
        InputError: naming the file and the key.
    """
    return read_toml(path, Scenario)


def begin(scenario: Scenario, catalogue: Catalogue, where: str) -> tuple[Job, tuple[str, Mapping[str, Any]]]:
    """The job before its first step, and its first event."""
    facts = read_facts({}, [pair(text, where) for text in scenario.facts], catalogue)
    body = begin_body(load_system(scenario.system), facts, catalogue)
    return begun(body, catalogue, where), (BEGIN, body)


def play(scenario: Scenario, job: Job, where: str) -> Iterator[Played]:
    """Each step, played on the job that those before it have left."""
    for number, step in enumerate(scenario.steps, start=1):
        played = _play_step(step, job, f"{where}: step {number}")
        job = played.after.job
        yield played


def _play_step(step: Step, job: Job, where: str) -> Played:
    events: list[tuple[str, Mapping[str, Any]]] = []
    if step.facts:
        changed = read_facts(to_builtins(job.facts), [pair(text, where) for text in step.facts], job.catalogue)
        events.append((FACTS, changed))
        job = after(job, FACTS, changed, where)
    before = Belief(job)
    finding = Finding(step.method, step.target, step.outcome, job.condition(), step.false_causes)
    events.append((FINDING, body_of(finding)))
    now = Belief(after(job, FINDING, body_of(finding), where))
    return Played(step, before, make_plan(before), finding, now, tuple(events))

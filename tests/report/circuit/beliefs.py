"""Beliefs to draw: shipped systems as they begin, and one with a place in every state."""

from __future__ import annotations

from functools import cache

from msgspec.structs import replace

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import System
from leakinfer.circuit.reader import load_system
from leakinfer.job.belief import Belief
from leakinfer.job.events import begin_body, begun
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired

SMALL = ("ducted_split", "heat_pump", "ductless_split", "walk_in_cooler")
SHIPPED = (*SMALL, "rack_store:200")
CATALOGUE = load_catalogue()


def job_on(system: System) -> Job:
    return begun(begin_body(system, {}, CATALOGUE), CATALOGUE, "test")


@cache
def belief_of(name: str) -> Belief:
    """A shipped system of which nothing is told."""
    return Belief(job_on(load_system(name)))


def found(job: Job, method: str, target: str, outcome: str) -> Job:
    return job.with_finding(Finding(method, target, outcome, job.condition()))


@cache
def busy() -> Belief:
    """Confirmed, repaired, likely, answered in a sweep, silent and not checked, each somewhere."""
    job = job_on(load_system("ducted_split"))
    for method in ("probe_point", "bubbles"):
        job = found(job, method, "suction_port_core", "slow_foam" if method == "bubbles" else "response")
        job = found(job, method, "metering_inlet_flare", "slow_foam" if method == "bubbles" else "response")
    job = found(job, "probe_point", "liquid_port_core", "response")
    job = found(job, "oil_point", "liquid_port_core", "oil")
    job = found(job, "probe_sweep", "coil_connections", "response")
    job = found(job, "probe_sweep", "outside_run", "silent")
    return Belief(job.with_repair(Repaired("suction_port_core")))


def renamed(system: System, words: str) -> System:
    """The system with these words in every name that a drawing shows."""
    parts = ("places", "zones", "sections", "units", "sites")
    new = {part: tuple(replace(one, name=f"{words} {one.name}") for one in getattr(system, part)) for part in parts}
    return replace(system, name=words, **new)

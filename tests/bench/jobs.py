"""Invented jobs of any size for the benchmarks; deterministic."""

from __future__ import annotations

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import System
from leakinfer.circuit.rack import rack_store
from leakinfer.circuit.reader import load_system
from leakinfer.cli.scenario import begin, play, read_scenario
from leakinfer.job.facts import start_facts
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.reading import shipped


def open_job(system: System, age: float, loss: tuple[float, float]) -> Job:
    """A job with a loss (kg, years) and nothing tested."""
    facts = {"age_years": age, "loss": {"kg": loss[0], "years": loss[1]}, "air": "breeze"}
    return Job(system, load_catalogue(), start_facts(system, facts, "bench"))


def told(job: Job, method: str, target: str, outcome: str) -> Job:
    """The job with one finding in its present condition."""
    return job.with_finding(Finding(method, target, outcome, job.condition()))


def house() -> Job:
    """About 60 sites: a loss, three responses that overlap (two sweeps, oil below), ten local findings."""
    job = open_job(load_system("ducted_split"), 11, (0.5, 1.5))
    job = told(job, "probe_sweep", "service_valves", "response")
    job = told(job, "oil_look", "below_service_valves", "oil")
    job = told(job, "probe_sweep", "service_valves", "response")
    silent = [
        ("probe_point", "silent", "liquid_port_cap", "suction_port_cap", "liquid_valve_body", "suction_valve_body"),
        ("bubbles", "none", "liquid_port_cap", "liquid_valve_stem", "suction_valve_stem", "liquid_valve_line_joint"),
        ("probe_point", "silent", "indoor_liquid_joint", "indoor_suction_joint"),
    ]
    for method, outcome, *targets in silent:
        for target in targets:
            job = told(job, method, target, outcome)
    return job


def demo(told: bool, consent: str = "intrusive") -> Job:
    """The shipped demo's job, at its beginning or with all of its findings; every condition agreed to unless said."""
    where = shipped("data_demo", "scenario.toml")
    scenario = read_scenario(where)
    job, _ = begin(scenario, load_catalogue(), str(where))
    if told:
        *_, last = play(scenario, job, str(where))
        job = last.after.job
    return job.with_facts({"consent": consent})


def store(sites: int, findings: int) -> Job:
    """A rack store: a loss, then sweeps zone by zone (one in eight responds) with points tested in between."""
    system = rack_store(sites)
    job = open_job(system, 9, (0.15 * system.charge.typical, 0.5))
    zones = [zone for zone in job.system.zones if len([s for s in job.sites if s.zone == zone.id]) > 1]
    steps: list[tuple[str, str, str]] = []
    for number, zone in enumerate(zones):
        steps.append(("probe_sweep", zone.id, "response" if number % 8 == 3 else "silent"))
        inside = [site for site in job.sites if site.zone == zone.id]
        steps += [
            ("probe_point", site.id, "silent")
            for site in inside[:2]
            if not job.hindrance(job.catalogue.methods["probe_point"], site.id)
        ]
    for step in steps[:findings]:
        job = told(job, *step)
    return job

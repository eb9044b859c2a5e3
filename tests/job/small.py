"""Small systems made by hand, and short ways to jobs and findings. All scenarios are invented."""

from __future__ import annotations

from typing import Any

from msgspec import structs

from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import (
    WHOLE,
    Charge,
    Circumstance,
    Isolation,
    Place,
    Section,
    Site,
    Spot,
    System,
    Unit,
    Zone,
)
from leakinfer.circuit.reader import load_system
from leakinfer.inference import Model
from leakinfer.job.belief import Belief
from leakinfer.job.facts import start_facts
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job

CATALOGUE = load_catalogue()
STANDING = Condition("standing", "still", 24.0, 22.0)
RUNNING = Condition("running", "still", 24.0, 22.0)
BREEZE = Condition("standing", "breeze", 24.0, 22.0)
WIND = Condition("standing", "wind", 24.0, 22.0)

YARD, CLOSET = "yard", "closet"
VALVES, COIL = "valves", "coil"

PLACES = (
    Place(YARD, "yard", 2, outdoors=True),
    Place(CLOSET, "closet", 3),
)
ZONES = (Zone(VALVES, "valves", YARD), Zone(COIL, "coil", CLOSET))
SECTIONS = (
    Section("liquid_line", "liquid line", "high", "liquid"),
    Section("hot_gas", "hot gas", "high", "vapour"),
    Section("suction", "suction line", "low", "vapour"),
)
CHARGE = Charge(typical=2.0, low=1.0, high=4.0, unit="kg", source="made up for a test", known="judgement")


def site(name: str, component: str, section: str = "suction", zone: str = VALVES, **more: Any) -> Site:
    """A site at the yard's valves, or with ``zone=COIL`` in the closet."""
    place = CLOSET if zone == COIL else YARD
    return Site(name, name.replace("_", " "), component, place, zone, section, **{"unit": name, **more})


def system(
    *sites: Site,
    circumstances: tuple[Circumstance, ...] = (),
    spots: tuple[Spot, ...] = (),
    isolations: tuple[Isolation, ...] = (),
) -> System:
    """A system of these sites only, with no place left unnamed."""
    units = tuple(Unit(unit, unit) for unit in dict.fromkeys(s.unit for s in sites))
    parts = (PLACES, ZONES, SECTIONS, sites, units, circumstances, spots, isolations)
    return System("small", "small system", ("R-410A",), CHARGE, *parts)


def spot(name: str, *catches: str) -> Spot:
    """A spot in the yard that these sites drip onto."""
    return Spot(name, name, YARD, catches)


def coarse(decades: tuple[float, float] = (1e-6, 1e-4), *, modes: bool = False) -> Catalogue:
    """The shipped catalogue with one leak size a decade, so that all worlds can be listed.

    Without ``modes`` every leak is open all the time.
    """
    sizes = structs.replace(CATALOGUE.sizes, least=decades[0], greatest=decades[1], per_decade=1)
    made = structs.replace(CATALOGUE, sizes=sizes)
    return made if modes else with_modes(made, 0.0, 0.0)


def with_modes(catalogue: Catalogue, near_highest: float, while_running: float) -> Catalogue:
    """The catalogue with these shares of leaks that are not open all the time."""
    return with_numbers(catalogue, mode_near_highest_share=near_highest, mode_while_running_share=while_running)


def with_numbers(catalogue: Catalogue, **numbers: float) -> Catalogue:
    """The catalogue with single settings changed."""
    return structs.replace(catalogue, numbers=catalogue.numbers | numbers)


def job_on(made: System, catalogue: Catalogue = CATALOGUE, **facts: Any) -> Job:
    """A job with these facts."""
    return Job(made, catalogue, start_facts(made, facts, "facts"))


def shipped_job(name: str, **facts: Any) -> Job:
    """A job on a shipped system; a cold room has 3 C."""
    cold = {"indoor_c": 3.0} if name == "walk_in_cooler" else {}
    return job_on(load_system(name), **{**cold, **facts})


def found(method: str, target: str, outcome: str, condition: Condition = STANDING, **more: Any) -> Finding:
    """A finding; standing in still air unless said otherwise."""
    return Finding(method, target, outcome, condition, **more)


def weighed(kg: float, outcome: str = "very_low") -> Finding:
    """The charge recovered and weighed."""
    return found("weigh_charge", WHOLE, outcome, reading_kg=kg)


def told(job: Job, *findings: Finding) -> Job:
    """The job with these findings, in this order."""
    for finding in findings:
        job = job.with_finding(finding)
    return job


def chance(job: Job, name: str) -> float:
    """P(the site leaks)."""
    return Belief(job).leak_probability[name]


def odds(probability: float) -> float:
    """Probability as odds."""
    return probability / (1 - probability)


def world_count(model: Model) -> int:
    """How many worlds an enumeration would list."""
    count = 1
    for switch in model.switches:
        count *= switch.prior.size
    for item in model.items:
        count *= item.states**item.count
    return count

"""A tiny system with a world of its own whose truth is told, and which answers without any chance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate
from leakinfer.study.model import Situation
from tests.job.small import COIL, job_on, site, system


def cottage(**facts: Any) -> Job:
    """Two flares and a coil of two parts in the closet, a stem in the yard; a loss that somebody read."""
    made = system(
        site("stem", "service_valve_stem"),
        site("flare_a", "flare", zone=COIL),
        site("flare_b", "flare", zone=COIL),
        site("bends", "return_bend", zone=COIL, unit="coil"),
        site("header", "coil_header", zone=COIL, unit="coil"),
    )
    told: dict[str, Any] = {"age_years": 8, "loss": {"kg": 0.5, "years": 1.0}, "consent": "standard"}
    return job_on(made, **{**told, **facts})


@dataclass(frozen=True)
class Door:
    """What is known at the door."""

    number: int
    job: Job


@dataclass(frozen=True)
class Honest:
    """Sites that leak so that it matters; every test of one of them answers with its strongest outcome, no other does.

    ``trifles``: sites that leak too little to matter, and answer nothing. ``says``: outcomes of single tests instead.
    """

    start: Door
    matters: frozenset[str] = frozenset()
    trifles: frozenset[str] = frozenset()
    says: Mapping[tuple[str, str], str] = field(default_factory=dict)

    @property
    def matters_units(self) -> frozenset[str]:
        return frozenset(site.unit for site in self.start.job.sites if site.id in self.matters)

    @property
    def leaking_units(self) -> frozenset[str]:
        return frozenset(site.unit for site in self.start.job.sites if site.id in self.matters | self.trifles)

    def answer(self, job: Job, candidate: Candidate, minutes: float) -> Finding:
        method = job.catalogue.methods[candidate.method]
        there = {site.id for site in job.scope(method, candidate.target)} & self.matters
        outcome = outcome_names(method)[-1 if there and method.kind != "exposure" else 0]
        outcome = self.says.get((method.id, candidate.target), outcome)
        return Finding(method.id, candidate.target, outcome, candidate.condition, minutes=minutes)


def world(*matters: str, number: int = 3, **more: Any) -> Honest:
    """The cottage with leaks at these sites."""
    return Honest(Door(number, cottage()), frozenset(matters), **more)


@dataclass(frozen=True)
class Script:
    """A policy that makes named tests in order, in the present state, and ends."""

    tests: tuple[tuple[str, str], ...]
    name: str = "script"

    def choose(self, here: Situation) -> int | None:
        if len(here.made) == len(self.tests):
            return None
        wanted = self.tests[len(here.made)]
        fits = [n for n, one in enumerate(here.options) if (one.method, one.target) == wanted]
        return min(fits, key=lambda n: here.options[n].set_up)


def script(*tests: str) -> Script:
    """From words as ``"bubbles flare_a"``."""
    return Script(tuple((test.split()[0], test.split()[1]) for test in tests))

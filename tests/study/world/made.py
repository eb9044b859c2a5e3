"""Worlds for tests: a small invented system, leaks put in by hand, candidates in conditions of one's own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.reader import load_system
from leakinfer.job.belief import Belief
from leakinfer.job.facts import start_facts
from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate
from leakinfer.study.world import AS_BELIEVED, Start, Truth, World, draw_world, load_truths, true_catalogue
from leakinfer.study.world.answers import Answers, TrueDetection
from leakinfer.study.world.lots import Lots
from leakinfer.study.world.nature import Nature

BUNGALOW = str(Path(__file__).with_name("bungalow.toml"))
CATALOGUE = load_catalogue()
BELIEVED = load_truths()[AS_BELIEVED]
STANDING = Condition("standing", "still", 24.0, 22.0)
RUNNING = Condition("running", "still", 24.0, 22.0)
WIND = Condition("standing", "wind", 24.0, 22.0)
NITROGEN = Condition("nitrogen", "still", 24.0, 22.0, test_kpa=1500.0)
MORE_LEAKS = 4.0  # times the shipped hazards, so that few jobs show much


def leaky(catalogue: Catalogue = CATALOGUE, times: float = MORE_LEAKS) -> Catalogue:
    """The catalogue with all hazards times a factor."""
    parts = catalogue.components.items()
    raised = {n: structs.replace(c, hazard=structs.replace(c.hazard, mean=times * c.hazard.mean)) for n, c in parts}
    return structs.replace(catalogue, components=raised)


@cache
def prior(truth: str = AS_BELIEVED) -> Belief:
    """The belief of a bungalow nine years old, of which nothing else is told, with the catalogue of a shipped truth."""
    system, catalogue = load_system(BUNGALOW), true_catalogue(load_truths()[truth], CATALOGUE)
    return Belief(Job(system, catalogue, start_facts(system, {"age_years": 9.0, "consent": "intrusive"}, "facts")))


def size(at_least: float) -> int:
    """The state of a leak that is open all the time, the least of at least so many Pa m3/s."""
    return 1 + int(np.searchsorted(prior().rates.sizes, at_least))


def world(
    leaks: Mapping[str, Sequence[int]], name: object, truth: Truth = BELIEVED, missing_g: float = 0.0, **there: bool
) -> World:
    """A bungalow with these leaks, by site the states of leaking copies; ``name`` sets its chance.

    ``truth``: a shipped one, or with numbers changed that are not in the catalogue.
    """
    true = prior(truth.id)
    states: dict[str, NDArray[np.intp]] = {site: np.array(copies) for site, copies in leaks.items()}
    nature = Nature(
        states, {circumstance: there.get(circumstance, False) for circumstance in true.unsure}, missing_g, 0.0
    )
    answers = Answers(true, truth, nature, Lots(f"test {name}"))
    answers.detection = _detection(truth.id)  # its tables are the same in all of them
    return World(Start(0, prior().job), answers)


@cache
def _detection(truth: str) -> TrueDetection:
    return TrueDetection(prior(truth).job, prior(truth).rates)


def candidate(method: str, target: str, condition: Condition = STANDING) -> Candidate:
    """A test of the bungalow."""
    return Candidate(method, target, condition, prior().job.place_of(method, target))


def outcomes(
    test: Candidate, leaks: Mapping[str, Sequence[int]], count: int, job: Job | None = None, **more: Any
) -> dict[str, int]:
    """How often each outcome came in so many worlds that differ by chance alone; in a job of one's own, if any."""
    seen: dict[str, int] = {}
    for number in range(count):
        found = world(leaks, number, **more).answer(job or prior().job, test, 1.0).outcome
        seen[found] = seen.get(found, 0) + 1
    return seen


def drawn(count: int, seed: int, truth: Truth = BELIEVED, catalogue: Catalogue | None = None) -> Iterator[World]:
    """Bungalows that somebody calls about."""
    known = leaky() if catalogue is None else catalogue
    return (draw_world(BUNGALOW, truth, seed, number, known) for number in range(count))


@cache
def sample(count: int, seed: int) -> tuple[tuple[World, Belief], ...]:
    """Bungalows that somebody calls about, and the belief at the door."""
    return tuple((made, Belief(made.start.job)) for made in drawn(count, seed))


def away(differences: Sequence[float]) -> float:
    """Standard deviations of a sum of independent differences from zero, by their own scatter."""
    values = np.array(differences)
    return float(values.sum() / np.sqrt((values**2).sum()))


def every_test(job: Job, kinds: Sequence[str]) -> list[Candidate]:
    """All tests of these kinds that can be made on a job, in each state of the system that suits them."""
    facts, found = job.facts, list[Candidate]()
    for method in job.catalogue.methods.values():
        if method.kind not in kinds:
            continue
        for target in job.targets(method):
            fact = method.kind == "exposure" and target in facts.circumstances
            if fact or job.hindrance(method, target):
                continue
            sections = job.sections_of(target) if method.kind == "hold" else ()
            for state in method.states if not (method.lasting or method.kind == "exposure") else ("standing",):
                gas = min(1500.0, job.rating_kpa(sections) // 10 * 10) if state in ("nitrogen", "tracer") else 0.0
                told = Condition(state, facts.air, facts.outdoor_c, facts.indoor_c, test_kpa=gas, sections=sections)
                found.append(Candidate(method.id, target, told, job.place_of(method.id, target)))
    return found

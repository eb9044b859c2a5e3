"""What a test costs in minutes: its own, the way, the panel, the change of state, aids such as a shroud."""

from __future__ import annotations

from leakinfer.catalogue.model import SetUp, State
from leakinfer.circuit.model import WHOLE
from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate, Minutes
from leakinfer.planner.setups import Way, price, priced_wait


def minutes(job: Job, candidate: Candidate, ways: dict[State, Way]) -> Minutes:
    """The minutes of a test from where the technician stands now."""
    own, wait = _own(job, candidate)
    aids = sum(price(job, aid) for aid in aids_for(job, candidate))
    travel, opening = _way(job, candidate.place)
    return Minutes(own, travel, opening, _change(job, candidate, ways), aids, priced_wait(job, wait))


def _own(job: Job, candidate: Candidate) -> tuple[float, float]:
    """Hands on and waiting; a kind of site may take its own time, and so does a look at a circumstance."""
    method = job.catalogue.methods[candidate.method]
    if method.kind == "exposure":
        return job.catalogue.exposures[job.exposure_of[candidate.target]].look.minutes, 0.0
    if method.kind == "point":
        technique = job.technique(method, job.site(candidate.target))
        if technique is not None and technique.minutes is not None:
            return technique.minutes, method.wait_minutes
    return method.minutes, method.wait_minutes


def _way(job: Job, place: str | None) -> tuple[float, float]:
    """Minutes to a place and to open it: none where one stands, and a panel comes off once."""
    if place is None:
        return 0.0, 0.0
    found = next(p for p in job.system.places if p.id == place)
    travel = 0.0 if job.facts.place == place else found.reach_minutes
    return travel, 0.0 if place in job.facts.opened else found.open_minutes


def _change(job: Job, candidate: Candidate, ways: dict[State, Way]) -> float:
    """Minutes to bring the system into the state; to turn a running heat pump round is a start of its own."""
    told = candidate.condition
    if told.state == job.facts.state:
        turned = told.state == "running" and told.heating != job.facts.heating
        return price(job, job.catalogue.setups["start"]) if turned else 0.0
    return ways[told.state].minutes


def aids_for(job: Job, candidate: Candidate) -> tuple[SetUp, ...]:
    """Aids that a test still needs: those of the method, a shroud, the isolation of its sections."""
    method, setups = job.catalogue.methods[candidate.method], job.catalogue.setups
    names = [aid for aid in method.needs if aid not in job.facts.aids]
    if candidate.condition.shroud:
        names.append("shroud")
    if method.kind == "hold" and candidate.target not in (WHOLE, job.facts.test_isolation):
        part = next(part for part in job.system.isolations if part.id == candidate.target)
        names.append(f"isolate_{part.by}")
    return tuple(setups[name] for name in names)


def steps_for(job: Job, candidate: Candidate, ways: dict[State, Way]) -> tuple[SetUp, ...]:
    """All set-ups that come before a test, in order."""
    told = candidate.condition
    steps = ways[told.state].steps
    if told.state == job.facts.state == "running" and told.heating != job.facts.heating:
        steps = (job.catalogue.setups["start"],)
    return (*steps, *aids_for(job, candidate))

"""What a test costs in minutes: its own, the way, the panel, the change of state."""

from __future__ import annotations

from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate, Minutes


def minutes(job: Job, candidate: Candidate) -> Minutes:
    """The minutes of a test from where the technician stands now."""
    return Minutes(_own(job, candidate), *_way(job, candidate.place), _change(job, candidate))


def _own(job: Job, candidate: Candidate) -> float:
    """The test itself; a kind of site may take its own time, and so does a look at a circumstance."""
    method = job.catalogue.methods[candidate.method]
    if method.kind == "exposure":
        return job.catalogue.exposures[job.exposure_of[candidate.target]].look.minutes
    if method.kind == "point":
        technique = job.technique(method, job.site(candidate.target))
        if technique is not None and technique.minutes is not None:
            return technique.minutes
    return method.minutes


def _way(job: Job, place: str | None) -> tuple[float, float]:
    """Minutes to a place and to open it: none where one stands, and a panel comes off once."""
    if place is None:
        return 0.0, 0.0
    found = next(p for p in job.system.places if p.id == place)
    travel = 0.0 if job.facts.place == place else found.reach_minutes
    return travel, 0.0 if place in job.facts.opened else found.open_minutes


def _change(job: Job, candidate: Candidate) -> float:
    """Minutes to stop and equalise, or to start and settle."""
    if candidate.condition.state == job.facts.state:
        return 0.0
    name = "start_minutes" if candidate.condition.state == "running" else "stop_minutes"
    return job.catalogue.numbers[name]

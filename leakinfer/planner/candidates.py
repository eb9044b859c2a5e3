"""Every test that could be made, and those that must not or cannot be, with the reason."""

from __future__ import annotations

from leakinfer.catalogue.model import Method
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.physics.refrigerants import refrigerant
from leakinfer.planner.model import Candidate, NotAllowed


def possible(belief: Belief) -> tuple[list[Candidate], list[NotAllowed]]:
    """All candidates, and what is left out with its reason."""
    job = belief.job
    allowed: list[Candidate] = []
    refused: list[NotAllowed] = []
    for method in job.catalogue.methods.values():
        for target in _targets(belief, method):
            reason = _skipped(job, method, target) or job.hindrance(method, target)
            if reason:
                refused.append(NotAllowed(method.id, target, reason))
                continue
            place = job.place_of(method.id, target)
            allowed += [Candidate(method.id, target, job.condition(state), place) for state in _states(job, method)]
    return allowed, refused


def _targets(belief: Belief, method: Method) -> tuple[str, ...]:
    """Targets worth listing: circumstances that are facts already are left out."""
    return tuple(belief.unsure) if method.kind == "exposure" else belief.job.targets(method)


def _states(job: Job, method: Method) -> tuple[str, ...]:
    """The states in which the test differs; the present one alone where it does not."""
    if method.lasting or method.kind == "exposure":
        return (job.facts.state,)
    return tuple(method.states)


def _skipped(job: Job, method: Method, target: str) -> str | None:
    """The person's reason for leaving it out, of the test, its target or its place."""
    for skip in job.skips:
        if skip.method in (None, method.id) and skip.target in (target, job.place_of(method.id, target)):
            return f"left out: {skip.reason}"
    return None


def cautions(job: Job, method: Method) -> tuple[str, ...]:
    """A method's cautions; those of flammable refrigerants only where they apply, and first."""
    flammable = refrigerant(job.facts.refrigerant).flammable
    burning = [text for text in method.cautions if text.startswith("Flammable")]
    rest = [text for text in method.cautions if not text.startswith("Flammable")]
    return (*(burning if flammable else []), *rest)

"""What a person tells of a test, as a finding."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from msgspec import structs

from leakinfer.catalogue.model import Method
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding, Hold, outcome_names
from leakinfer.job.job import Job
from leakinfer.physics.units import parse_quantity
from leakinfer.planner.costs import minutes as planned_minutes
from leakinfer.planner.model import Candidate
from leakinfer.planner.setups import ways
from leakinfer.reading import known
from leakinfer.session.conditions import condition_of
from leakinfer.session.given import minutes
from leakinfer.session.readings import kind_of, outcome_read, reading_of


def finding_of(job: Job, method: str, target: str, outcome: str | None, given: Mapping[str, Any]) -> Finding:
    """The finding that the arguments and options tell.

    Raises:
        InputError: something unknown, missing or impossible.
    """
    chosen = job.catalogue.methods[known(method, job.catalogue.methods, what="method", where="record: method")]
    known(target, job.targets(chosen), what=f"target of {method}", where="record: target")
    kind = kind_of(chosen, given)
    reading = None if kind is None else reading_of(kind, given)
    start_kpa = reading.start_kpa if isinstance(reading, Hold) else None
    name, kg = _outcome(job, chosen, outcome, read=reading is not None)
    finding = Finding(
        method=method,
        target=target,
        outcome=name,
        condition=condition_of(job, chosen, target, given, start_kpa),
        false_causes=tuple(given["causes"]),
        reading_kg=kg,
        earlier=given["earlier"],
        note=given["note"],
    )
    if kind is not None:
        finding = structs.replace(finding, **{kind.name: reading})
    if outcome is None:
        finding = structs.replace(finding, outcome=outcome_read(job, finding) or name)
    return structs.replace(finding, minutes=_took(job, finding, given["took"]))


def _outcome(job: Job, method: Method, outcome: str | None, *, read: bool) -> tuple[str, float | None]:
    """The outcome in words, and the weight in kg if it was one; of a reading the words come later."""
    if outcome is None:
        if not read:
            allowed = ", ".join(outcome_names(method)) + (", or a weight" if method.kind == "total" else "")
            raise InputError("is missing", where="record: outcome", allowed=allowed)
        return method.silent, None
    if method.kind != "total" or not re.match(r"\s*[-+.0-9]", outcome):
        return outcome, None
    kg = parse_quantity(outcome, "mass", "record: outcome")
    return job.weight_outcome(method, kg), kg


def _took(job: Job, finding: Finding, told: str | None) -> float | None:
    """Minutes spent: told, or planned; None for what was done before the job and what cannot be planned."""
    if told is not None:
        return minutes(told, "--took")
    if finding.earlier:
        return None
    there = ways(job, consent=False)
    condition = finding.condition
    if condition.state != job.facts.state and condition.state not in there:
        return None
    place = job.place_of(finding.method, finding.target)
    return round(planned_minutes(job, Candidate(finding.method, finding.target, condition, place), there).total, 1)

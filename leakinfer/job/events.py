"""A job as a list of events, and back: what the journal keeps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

import msgspec

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.model import Site, System
from leakinfer.circuit.reader import check_against, system_from_data, system_to_data
from leakinfer.errors import InputError
from leakinfer.job.facts import start_facts
from leakinfer.job.finding import Finding, Skip
from leakinfer.job.job import Job
from leakinfer.job.later import Aired, Repaired, Return
from leakinfer.reading import checked

BEGIN, FACTS, FINDING, SKIP, SITE = "begin", "facts", "finding", "skip", "site"
REPAIR, RETURN, AIRED = "repair", "return", "aired"


class Told(Protocol):
    """An event: what kind, and its content as plain data."""

    @property
    def kind(self) -> str:
        """One of the kinds above."""

    @property
    def body(self) -> Mapping[str, Any]:
        """Plain data."""


def begin_body(system: System, facts: Mapping[str, Any], catalogue: Catalogue) -> dict[str, Any]:
    """The first event of a job: the system as it was read, the facts, and which priors it began with.

    Example:
        >>> from leakinfer import begin_body, load_catalogue, load_system
        >>> body = begin_body(load_system("ductless_split"), {"age_years": 6}, load_catalogue())
        >>> body["facts"], body["system"]["id"]
        ({'age_years': 6}, 'ductless_split')
    """
    return {"system": system_to_data(system), "facts": dict(facts), "priors": catalogue.digest}


def body_of(value: Finding | Skip | Site | Repaired | Return | Aired) -> dict[str, Any]:
    """A value as plain data.

    Example:
        >>> from leakinfer import Skip, body_of
        >>> body_of(Skip("room", "nobody lets us in"))
        {'target': 'room', 'reason': 'nobody lets us in', 'method': None}
    """
    data: dict[str, Any] = msgspec.to_builtins(value)
    return data


def job_of(events: Iterable[Told], catalogue: Catalogue, where: str) -> Job:
    """The job that the events tell.

    Raises:
        InputError: an event that does not fit, with its number.
    """
    told = list(events)
    if not told or told[0].kind != BEGIN:
        raise InputError("holds no job", where=where, allowed="a file made by 'leakinfer new'")
    job = begun(told[0].body, catalogue, where)
    for number, event in enumerate(told[1:], start=2):
        job = after(job, event.kind, event.body, f"{where}: event {number}")
    return job


def begun(body: Mapping[str, Any], catalogue: Catalogue, where: str) -> Job:
    """The job at its first event."""
    system = system_from_data(body.get("system", {}), where)
    check_against(system, catalogue.components, catalogue.exposures, where)
    return Job(system, catalogue, start_facts(system, dict(body.get("facts", {})), where))


def after(job: Job, kind: str, body: Mapping[str, Any], where: str) -> Job:
    """The job after one more event."""
    if kind == FACTS:
        return job.with_facts(dict(body), where)
    if kind == FINDING:
        return job.with_finding(checked(dict(body), Finding, where=where), where)
    if kind == SKIP:
        return job.with_skip(checked(dict(body), Skip, where=where), where)
    if kind == SITE:
        return job.with_own_site(checked(dict(body), Site, where=where), where)
    if kind == REPAIR:
        return job.with_repair(checked(dict(body), Repaired, where=where), where)
    if kind == RETURN:
        return job.with_return(checked(dict(body), Return, where=where), where)
    if kind == AIRED:
        return job.with_airing(checked(dict(body), Aired, where=where), where)
    kinds = (FACTS, FINDING, SKIP, SITE, REPAIR, RETURN, AIRED)
    raise InputError(f"unknown kind of event '{kind}'", where=where, allowed=", ".join(kinds))

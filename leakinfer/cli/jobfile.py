"""A job file opened for a command: its journal replayed, and one more event told only when the belief can take it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import after, job_of
from leakinfer.job.job import Job
from leakinfer.store import Event, Journal, live

PRIORS_FOLDER = "priors_folder"  # of the first event: the folder that the job began with, if not the shipped one


@dataclass(frozen=True)
class Opened:
    """An open job. ``last``: number of the last event that was read. ``notices``: what the person should know."""

    path: Path
    journal: Journal
    job: Job
    last: int
    notices: tuple[str, ...]


@contextmanager
def opened(path: Path, priors: Path | None = None) -> Iterator[Opened]:
    """The job in a file, with the priors that it began with or with those of another folder.

    Raises:
        InputError: the file or the folder cannot be used.
    """
    with Journal.open(path) as journal:
        events = journal.events()
        catalogue = load_catalogue(priors or _folder(events))
        job = job_of(live(events), catalogue, str(path))
        yield Opened(path, journal, job, events[-1].number, _notices(events, catalogue))


def _folder(events: tuple[Event, ...]) -> Path | None:
    folder = events[0].body.get(PRIORS_FOLDER)
    return Path(folder) if isinstance(folder, str) else None


def _notices(events: tuple[Event, ...], catalogue: Catalogue) -> tuple[str, ...]:
    if events[0].body.get("priors") in (None, catalogue.digest):
        return ()
    return ("the priors are not those that this job began with; all is worked out again with the present ones",)


def tell(held: Opened, kind: str, body: Mapping[str, Any], *, who: str = "", where: str) -> tuple[Job, Belief]:
    """Add an event after the job and its belief have taken it; on an error nothing is written.

    Raises:
        InputError: the event does not fit, test gas is above the rating,
            the evidence together is impossible, or the file cannot be written.
    """
    job = after(held.job, kind, body, where)
    refuse_stranded(job, where)
    belief = Belief(job)
    held.journal.append(kind, body, who=who, expected_last=held.last)
    return job, belief


def refuse_stranded(job: Job, where: str) -> None:
    """Refuse facts that take away what a finding was made on."""
    for finding in job.findings:
        method = job.catalogue.methods[finding.method]
        fact = method.kind == "exposure" and finding.target in job.facts.circumstances
        if fact or finding.target not in job.targets(method) or not job.scope(method, finding.target):
            what = f"a finding already tells of {finding.target} ({finding.method}: {finding.outcome})"
            raise InputError(what, where=where, allowed="undoing that finding first")

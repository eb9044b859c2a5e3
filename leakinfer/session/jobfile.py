"""A job file opened for a command: its journal replayed, and one more event told only when the belief can take it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import after, job_of
from leakinfer.job.job import Job
from leakinfer.session.priors import Priors, priors_of
from leakinfer.store import Event, Journal, live

# Of the first event, where a job did not begin with the shipped priors: their folder, or the learned file.
PRIORS_FOLDER, PRIORS_FILE = "priors_folder", "priors_file"
UNTRUSTED = "priors_untrusted"  # of the first event: whether a learned file that is not trusted was allowed


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
    """The job in a file, with the priors that it began with or with those of another file or folder.

    Raises:
        InputError: the job or the priors cannot be used.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import open_job
        >>> with open_job(Path("attic.job")) as held:  # made as create_job shows
        ...     held.job.system.id, held.last, held.notices
        ('ductless_split', 1, ())
    """
    with Journal.open(path) as journal:
        yield replayed(path, journal, journal.events(), priors)


def replayed(
    path: Path,
    journal: Journal,
    events: tuple[Event, ...],
    priors: Path | None = None,
    at_hand: Iterable[Path | None] = (),
) -> Opened:
    """The job that the events of an open journal tell, as :func:`opened` and :func:`job_told` give it."""
    job, held = job_told(events, str(path), priors, at_hand)
    return Opened(path, journal, job, events[-1].number, (*held.notices, *_changed(events, held)))


def job_told(
    events: tuple[Event, ...], where: str, priors: Path | None = None, at_hand: Iterable[Path | None] = ()
) -> tuple[Job, Priors]:
    """The job that events tell, with the priors that it began with or with those of another file or folder.

    ``at_hand``: files and folders that are used, instead of the one that the job names, where they hold the same
    priors (None: the shipped ones). So a job of another machine finds its priors, and its path is not opened.

    Raises:
        InputError: the priors cannot be used, or an event does not fit.
    """
    held = same_priors(events[0].body, at_hand) if priors is None else None
    held = held or _priors(events[0].body, priors)
    return job_of(live(events), held.catalogue, where), held


def kept_priors(path: Path | None, untrusted: bool) -> dict[str, Any]:
    """What the first event keeps of where the priors are."""
    if path is None:
        return {}
    allowed = {UNTRUSTED: True} if untrusted else {}
    return {PRIORS_FOLDER if path.is_dir() else PRIORS_FILE: str(path.resolve())} | allowed


def elsewhere(first: Mapping[str, Any], kept: Mapping[str, Any]) -> bool:
    """Whether a first event names priors at another path than ``kept``, what one begun now would keep."""
    return any(first.get(key) not in (None, kept.get(key)) for key in (PRIORS_FOLDER, PRIORS_FILE))


def same_priors(first: Mapping[str, Any], at_hand: Iterable[Path | None]) -> Priors | None:
    """The first of those at hand that hold just what the job began with, by the digest; None if none does, or if the
    job names no path and so takes the shipped ones."""
    for path in at_hand if elsewhere(first, {}) else ():
        with suppress(InputError):  # one that cannot be used is not the same
            held = priors_of(path, _system_id(first), untrusted=first.get(UNTRUSTED) is True)
            if held.catalogue.digest == first.get("priors"):
                return held
    return None


def _priors(first: Mapping[str, Any], chosen: Path | None) -> Priors:
    """Those chosen now, or those of the first event. A file that the job began with must still be one."""
    path, file = chosen, first.get(PRIORS_FILE)
    if path is None and isinstance(file, str):
        path = Path(file)
        if not path.is_file():
            raise InputError("the learned priors of this job are not there", where=file, allowed="--priors FILE|FOLDER")
    if path is None and isinstance(first.get(PRIORS_FOLDER), str):
        path = Path(first[PRIORS_FOLDER])
    return priors_of(path, _system_id(first), untrusted=first.get(UNTRUSTED) is True)


def _system_id(first: Mapping[str, Any]) -> str:
    system = first.get("system")
    return str(system.get("id", "")) if isinstance(system, Mapping) else ""


def _changed(events: tuple[Event, ...], held: Priors) -> tuple[str, ...]:
    if events[0].body.get("priors") in (None, held.catalogue.digest):
        return ()
    return ("the priors are not those that this job began with; all is worked out again with the present ones",)


def tell(
    held: Opened, kind: str, body: Mapping[str, Any], *, who: str = "", where: str, token: str | None = None
) -> tuple[Job, Belief]:
    """Add an event after the job and its belief have taken it; on an error nothing is written. ``token``: what its
    teller calls it, so that it is not added twice.

    Raises:
        InputError: the event does not fit, test gas is above the rating,
            the evidence together is impossible, or the file cannot be written.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import Finding, body_of, open_job, tell
        >>> with open_job(Path("attic.job")) as held:  # made as create_job shows
        ...     silent = Finding("bubbles", "liquid_valve_flare", "none", held.job.condition())
        ...     job, belief = tell(held, "finding", body_of(silent), who="Ada", where="note")
        >>> len(job.findings), belief.exact
        (1, True)
    """
    job = after(held.job, kind, body, where)
    refuse_stranded(job, where)
    belief = Belief(job)
    held.journal.append(kind, body, who=who, expected_last=held.last, token=token)
    return job, belief


def refuse_stranded(job: Job, where: str) -> None:
    """Refuse facts that take away what a finding was made on."""
    for finding in job.findings:
        method = job.catalogue.methods[finding.method]
        fact = method.kind == "exposure" and finding.target in job.facts.circumstances
        if fact or finding.target not in job.targets(method) or not job.scope(method, finding.target):
            what = f"a finding already tells of {finding.target} ({finding.method}: {finding.outcome})"
            raise InputError(what, where=where, allowed="undoing that finding first")

"""All that a job was told, in order and in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from leakinfer.catalogue.model import Catalogue
from leakinfer.job.events import AIRED, BEGIN, FACTS, FINDING, REPAIR, RETURN, SITE, SKIP, Told, after, begun
from leakinfer.job.job import Job
from leakinfer.store import Event, live
from leakinfer.words.facts import facts_told
from leakinfer.words.job import outcome_words, place_words, return_words
from leakinfer.words.units import Units


@dataclass(frozen=True)
class Line:
    """An event that holds, and the job after it."""

    event: Event
    job: Job

    def words(self, units: Units) -> str:
        """The event in a line."""
        return event_words(self.job, self.event, units)


def told_so_far(events: Iterable[Event], catalogue: Catalogue, where: str) -> tuple[Line, ...]:
    """The events that were not taken back, each with the job after it.

    Raises:
        InputError: an event does not fit; named after ``where``.
    """
    first, *rest = live(events)
    job = begun(first.body, catalogue, where)
    lines = [Line(first, job)]
    for event in rest:
        job = after(job, event.kind, event.body, where)
        lines.append(Line(event, job))
    return tuple(lines)


def event_words(job: Job, event: Told, units: Units) -> str:
    """An event of the journal in a line, with the ids that commands take.

    Args:
        job: in which it was told, or one that still has its parts.
        event: of any kind.
        units: of the reader.
    """
    return SAID[event.kind](event.body, job, units)


def _repaired(body: Mapping[str, Any], _: Job, __: Units) -> str:
    return f"{'part exchanged' if body.get('exchanged') else 'repaired'} at {body['target']}"


SAID: Mapping[str, Callable[[Mapping[str, Any], Job, Units], str]] = {
    BEGIN: lambda _, job, __: f"job on {job.system.name}",
    FACTS: facts_told,
    FINDING: lambda body, _, __: f"{body['method']} {body['target']}: {outcome_words(body['outcome'])}",
    SKIP: lambda body, _, __: f"left out {body['target']}, {body['reason']}",
    SITE: lambda body, _, __: f"own place {body['id']}",
    REPAIR: _repaired,
    RETURN: lambda body, _, units: return_words(body, units),
    AIRED: lambda body, job, _: f"aired {place_words(job, body['place'])}",
}

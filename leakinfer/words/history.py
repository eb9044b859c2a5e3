"""All that a job was told, in order and in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from leakinfer.catalogue.model import Catalogue
from leakinfer.job.events import after, begun
from leakinfer.job.job import Job
from leakinfer.store import Event, live
from leakinfer.words.job import event_words


@dataclass(frozen=True)
class Line:
    """An event that holds, in words, and the job after it."""

    event: Event
    words: str
    job: Job


def told_so_far(events: Iterable[Event], catalogue: Catalogue, where: str) -> tuple[Line, ...]:
    """The events that were not taken back, each with the job after it.

    Raises:
        InputError: an event does not fit; named after ``where``.
    """
    first, *rest = live(events)
    job = begun(first.body, catalogue, where)
    lines = [Line(first, f"job on {job.system.name}", job)]
    for event in rest:
        job = after(job, event.kind, event.body, where)
        lines.append(Line(event, event_words(job, event), job))
    return tuple(lines)

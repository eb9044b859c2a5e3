"""All that was told, in order, what each moved, and taking back the last."""

from __future__ import annotations

from dataclasses import dataclass

from msgspec import structs
from starlette.responses import Response

from leakinfer.job.belief import Belief
from leakinfer.job.events import FINDING, body_of
from leakinfer.job.finding import Finding
from leakinfer.reading import checked, known
from leakinfer.store import live
from leakinfer.web.asked import Asked, NotHere
from leakinfer.web.desk import Seen
from leakinfer.web.lines import said
from leakinfer.web.noting import Noted, noted
from leakinfer.web.pages import job_path, page, told
from leakinfer.words.belief import movers, unit_name
from leakinfer.words.history import Line
from leakinfer.words.job import finding_words
from leakinfer.words.units import Units


@dataclass(frozen=True)
class Told:
    """A line of the timeline. ``when`` in UTC. ``path``: what it moved; empty where nothing can have."""

    when: str
    who: str
    words: str
    note: str
    path: str


def timeline(asked: Asked) -> Response:
    """All that holds, the last first."""
    seen: Seen = asked.desk.see(asked.path["job"])
    return page(
        asked,
        "findings.html",
        seen=seen,
        tab="findings",
        lines=[_told(seen, line, asked.units) for line in reversed(seen.lines)],
        undone=len(seen.events) - len(seen.lines),
    )


def _told(seen: Seen, line: Line, units: Units) -> Told:
    event = line.event
    words = said(line, units)
    note = str(event.body.get("note") or "")
    when = event.when[:16].replace("T", " ")
    path = job_path(seen.id, "moved", str(event.number)) if event.number > 1 else ""
    return Told(when, event.who, words, note, path)


def moved(asked: Asked) -> Response:
    """What one telling moved."""
    seen: Seen = asked.desk.see(asked.path["job"])
    number = asked.path["number"]
    places = [i for i, line in enumerate(seen.lines) if str(line.event.number) == number and i > 0]
    if not places:
        raise NotHere(f"nothing with number {number[:9]} holds", where="what was told")
    before, after = seen.lines[places[0] - 1], seen.lines[places[0]]

    def compared() -> list[tuple[str, float, float]]:
        old, new = Belief(before.job), Belief(after.job)
        return [(unit_name(new, unit), was, now) for unit, was, now in movers(old, new)]

    line, rows = _told(seen, after, asked.units), seen.once(("moved", number), compared)
    return page(asked, "moved.html", seen=seen, tab="findings", line=line, moved=rows)


def undo(asked: Asked) -> Response:
    """Take back the last thing told."""
    before: Seen = asked.desk.see(asked.path["job"])
    seen: Seen = asked.desk.undo(before.id, who=asked.who, based_on=asked.form.number("last"), token=asked.token)
    gone = [line for line in before.lines if line.event.number not in {left.event.number for left in seen.lines}]
    if gone:
        seen.noted = Noted(f"Taken back: {said(gone[-1], asked.units)}")
    return told(asked, seen, noted="1")


def causes(asked: Asked) -> Response:
    """The last finding, to tell what else was there that may have made it answer."""
    seen: Seen = asked.desk.see(asked.path["job"])
    last = _last_finding(seen, seen.last)
    method = seen.job.catalogue.methods[last.method]
    return page(
        asked,
        "causes.html",
        seen=seen,
        tab="next",
        finding=finding_words(seen.job, last, asked.units),
        causes=method.false_causes,
    )


def tell_causes(asked: Asked) -> Response:
    """Take the last finding back and tell it again with what else was there."""
    form, job_id, based_on = asked.form, asked.path["job"], asked.form.number("last")
    now: Seen = asked.desk.see(job_id)
    last = _last_finding(now, based_on)
    there = [cause.id for cause in now.job.catalogue.methods[last.method].false_causes]
    ticked = tuple(known(cause, there, what="thing", where="What else was there") for cause in form.all("cause"))
    finding = structs.replace(last, false_causes=ticked)
    before, seen = asked.desk.tell_again(
        job_id, FINDING, lambda _: body_of(finding), who=asked.who, based_on=based_on, token=asked.token
    )
    if seen is not before:
        seen.noted = noted(before, seen, asked.units)
    return told(asked, seen, noted="1")


def _last_finding(seen: Seen, number: int) -> Finding:
    """The finding that was the last thing told when the job had so many events.

    Raises:
        NotHere: there is no such event, or what was told last then is no finding.
    """
    held = live(seen.events[:number])
    event = held[-1] if held else None
    if event is None or event.kind != FINDING:
        raise NotHere("the last thing told is no test", where="what was told")
    return checked(dict(event.body), Finding, where="the last finding")


ROUTES = (
    ("/job/{job}/findings", timeline, None),
    ("/job/{job}/moved/{number}", moved, None),
    ("/job/{job}/undo", None, undo),
    ("/job/{job}/causes", causes, tell_causes),
)

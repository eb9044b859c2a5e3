"""All that was told, in order, what each moved, and taking back the last."""

from __future__ import annotations

from dataclasses import dataclass

from msgspec import structs
from starlette.responses import Response

from leakinfer.job.belief import Belief
from leakinfer.job.events import FINDING, body_of
from leakinfer.job.finding import Finding
from leakinfer.reading import checked, known
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
    """A line of the timeline. ``path``: where it is told what it moved, empty where nothing can have moved."""

    number: int
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
    return Told(event.number, when, event.who, words, note, path)


def moved(asked: Asked) -> Response:
    """What one telling moved."""
    seen: Seen = asked.desk.see(asked.path["job"])
    number = asked.path["number"]
    places = [i for i, line in enumerate(seen.lines) if str(line.event.number) == number and i > 0]
    if not places:
        raise NotHere(f"nothing with number {number[:9]} holds", where="what was told")
    key = ("moved", number)
    if key not in seen.kept:
        before, after = seen.lines[places[0] - 1].job, seen.lines[places[0]].job
        old, new = Belief(before), Belief(after)
        seen.kept[key] = [(unit_name(new, unit), was, now) for unit, was, now in movers(old, new)]
    line = _told(seen, seen.lines[places[0]], asked.units)
    return page(asked, "moved.html", seen=seen, tab="findings", line=line, moved=seen.kept[key])


def undo(asked: Asked) -> Response:
    """Take back the last thing told."""
    before: Seen = asked.desk.see(asked.path["job"])
    seen: Seen = asked.desk.undo(before.id, who=asked.who, based_on=asked.form.number("last"), token=asked.token)
    gone = [line for line in before.lines if line.event.number not in {left.event.number for left in seen.lines}]
    if gone:
        seen.kept["noted"] = Noted(f"Taken back: {_told(before, gone[-1], asked.units).words}")
    return told(asked, seen, noted="1")


def causes(asked: Asked) -> Response:
    """The last finding, to tell what else was there that may have made it answer."""
    seen: Seen = asked.desk.see(asked.path["job"])
    last = _last_finding(seen)
    method = seen.job.catalogue.methods[last.method]
    return page(
        asked, "causes.html", seen=seen, tab="next", finding=finding_words(seen.job, last), causes=method.false_causes
    )


def tell_causes(asked: Asked) -> Response:
    """Take the last finding back and tell it again with what else was there."""
    desk, form, job_id = asked.desk, asked.form, asked.path["job"]
    before: Seen = desk.see(job_id)
    last = _last_finding(before)
    there = [cause.id for cause in before.job.catalogue.methods[last.method].false_causes]
    ticked = tuple(known(cause, there, what="thing", where="What else was there") for cause in form.all("cause"))
    finding = structs.replace(last, false_causes=ticked)
    based_on = form.number("last")
    without, seen = desk.tell_again(
        job_id, FINDING, lambda _: body_of(finding), who=asked.who, based_on=based_on, token=asked.token
    )
    seen.kept["noted"] = noted(without, seen, finding)
    return told(asked, seen, noted="1")


def _last_finding(seen: Seen) -> Finding:
    """The finding that was told last, if nothing was told since.

    Raises:
        NotHere: the last thing told is no finding.
    """
    event = seen.lines[-1].event
    if event.kind != FINDING:
        raise NotHere("the last thing told is no test", where="what was told")
    return checked(dict(event.body), Finding, where="the last finding")


ROUTES = (
    ("/job/{job}/findings", timeline, None),
    ("/job/{job}/moved/{number}", moved, None),
    ("/job/{job}/undo", None, undo),
    ("/job/{job}/causes", causes, tell_causes),
)

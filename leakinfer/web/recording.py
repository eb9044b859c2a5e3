"""One tap: what a test found, that it cannot be done here, that a place was aired."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from starlette.responses import Response

from leakinfer.errors import InputError
from leakinfer.job.events import AIRED, FINDING, SKIP, body_of
from leakinfer.job.finding import Finding, Skip
from leakinfer.job.job import Job
from leakinfer.job.later import Aired
from leakinfer.web.asked import Asked, NotHere, short
from leakinfer.web.choosing import one_test
from leakinfer.web.desk import Seen, Stale
from leakinfer.web.naming import chosen
from leakinfer.web.noting import Noted, noted, tell
from leakinfer.web.pages import told
from leakinfer.web.telling import finding_told
from leakinfer.words.job import part_words, place_words


def record(asked: Asked) -> Response:
    """What a test found; where that is refused, the page of the test comes back with what was typed."""
    try:
        return _recorded(asked)
    except InputError as error:
        if asked.plain or isinstance(error, Stale | NotHere):
            raise
        names = {name: asked.form.one(name) for name in ("method", "target")}
        return one_test(replace(asked, path={**asked.path, **names}, query=asked.form), error)


def _recorded(asked: Asked) -> Response:
    form = asked.form
    before: Seen = asked.desk.see(asked.path["job"])
    made: list[Finding] = []

    def body(job: Job) -> Mapping[str, Any]:
        method, target = chosen(job, form.one("method"), form.one("target"))
        made[:] = [finding_told(job, method, target, form, asked.units)]
        return body_of(made[0])

    return told(asked, tell(asked, FINDING, body, lambda seen: noted(before, seen, made[0])), noted="1")


def skip(asked: Asked) -> Response:
    """A test that cannot be done here, with the reason."""
    form = asked.form
    reason = short(form, "reason", "Reason") or short(form, "own_reason", "Reason")
    if not reason:
        raise InputError("is missing", where="Reason", allowed="a few words, as 'no key'")
    left_out = Skip(form.one("target"), reason, form.one("method") or None)

    def note(seen: Seen) -> Noted:
        return Noted(f"Left out: {_skipped(seen.job, left_out)} ({reason})")

    return told(asked, tell(asked, SKIP, lambda _: body_of(left_out), note), noted="1")


def _skipped(job: Job, skip: Skip) -> str:
    places = {place.id: place.name for place in job.system.places}
    return places.get(skip.target) or part_words(job, skip.target)


def aired(asked: Asked) -> Response:
    """A place was aired until the probe fell silent."""
    place = asked.form.one("place")

    def note(seen: Seen) -> Noted:
        return Noted(f"Aired: {place_words(seen.job, place)}. Check the probe on a known leak before it goes on.")

    return told(asked, tell(asked, AIRED, lambda _: body_of(Aired(place)), note), noted="1")


ROUTES = (
    ("/job/{job}/record", None, record),
    ("/job/{job}/skip", None, skip),
    ("/job/{job}/aired", None, aired),
)

"""One tap: what a test found, that it cannot be done here, that a place was aired."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from starlette.responses import Response

from leakinfer.errors import InputError
from leakinfer.job.events import AIRED, FINDING, SKIP, body_of
from leakinfer.job.finding import Skip
from leakinfer.job.job import Job
from leakinfer.job.later import Aired
from leakinfer.web.asked import Asked, NotHere, short
from leakinfer.web.choosing import one_test
from leakinfer.web.desk import Seen, Stale
from leakinfer.web.lines import said
from leakinfer.web.naming import chosen
from leakinfer.web.noting import Noted, noted, tell
from leakinfer.web.pages import told
from leakinfer.web.telling import finding_told


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

    def body(job: Job) -> Mapping[str, Any]:
        method, target = chosen(job, form.one("method"), form.one("target"))
        return body_of(finding_told(job, method, target, form, asked.units))

    return told(asked, tell(asked, FINDING, body, lambda before, seen: noted(before, seen, asked.units)), noted="1")


def skip(asked: Asked) -> Response:
    """A test that cannot be done here, with the reason."""
    form = asked.form
    # What was typed comes first: the key that ends typing presses the first button, too.
    reason = short(form, "own_reason", "Reason") or short(form, "reason", "Reason")
    if not reason:
        raise InputError("is missing", where="Reason", allowed="a few words, as 'no key'")
    left_out = Skip(form.one("target"), reason, form.one("method") or None)

    def note(_: Seen, seen: Seen) -> Noted:
        return Noted(said(seen.lines[-1], asked.units))

    return told(asked, tell(asked, SKIP, lambda _: body_of(left_out), note), noted="1")


def aired(asked: Asked) -> Response:
    """A place was aired until the probe fell silent."""
    place = asked.form.one("place")

    def note(_: Seen, seen: Seen) -> Noted:
        return Noted(f"{said(seen.lines[-1], asked.units)}. Check the probe on a known leak before it goes on.")

    return told(asked, tell(asked, AIRED, lambda _: body_of(Aired(place)), note), noted="1")


ROUTES = (
    ("/job/{job}/record", None, record),
    ("/job/{job}/skip", None, skip),
    ("/job/{job}/aired", None, aired),
)

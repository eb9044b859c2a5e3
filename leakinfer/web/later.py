"""What happens after a search: a repair, and a visit months later."""

from __future__ import annotations

from starlette.responses import Response

from leakinfer.errors import InputError
from leakinfer.job.events import REPAIR, RETURN, body_of
from leakinfer.job.later import Repaired, Return
from leakinfer.physics.units import parse_quantity
from leakinfer.session.ending import cautions_of, entries_of
from leakinfer.session.given import years
from leakinfer.web.asked import Asked, Form, NotHere, short
from leakinfer.web.desk import Seen, Stale
from leakinfer.web.fields import in_words, quantity, typed
from leakinfer.web.lines import said
from leakinfer.web.noting import Noted, tell
from leakinfer.web.pages import page, told
from leakinfer.words.job import part_words, return_words

LABELS = {"after": "Since the visit before", "missing": "Missing since then"}


def repair(asked: Asked) -> Response:
    """How a place or a whole part is repaired, and that it was."""
    seen: Seen = asked.desk.see(asked.path["job"])
    target = asked.path["target"]
    entries = entries_of(seen.job, target)
    if not entries:
        raise NotHere(f"no place '{target[:40]}' is fitted", where="repair")
    return page(
        asked,
        "repair.html",
        seen=seen,
        tab="more",
        target=target,
        name=part_words(seen.job, target),
        entries=[(seen.job.catalogue.components[entry.component].name, entry) for entry in entries],
        cautions=list(dict.fromkeys(text for entry in entries for text in cautions_of(seen.job, entry))),
    )


def tell_repair(asked: Asked) -> Response:
    """It was repaired, or the part is new."""
    form, target = asked.form, asked.path["target"]
    done = Repaired(target, form.one("exchanged") == "yes", note=short(form, "note", "Note"))

    def note(_: Seen, seen: Seen) -> Noted:
        prove = " ".join(dict.fromkeys(entry.verify for entry in entries_of(seen.job, target)))
        return Noted(said(seen.lines[-1], asked.units), verdict=f"Prove it: {prove}")

    return told(asked, tell(asked, REPAIR, lambda _: body_of(done), note), noted="1")


def visit(asked: Asked, error: InputError | None = None) -> Response:
    """A later visit begins."""
    seen: Seen = asked.desk.see(asked.path["job"])
    given = asked.form if error else Form([])
    return page(
        asked,
        "visit.html",
        400 if error else 200,
        seen=seen,
        tab="more",
        after=quantity("after", LABELS["after"], "span", asked.units, given, must=True),
        missing=quantity("missing", LABELS["missing"], "mass", asked.units, given, hint="empty: not known"),
        error=error,
    )


def tell_visit(asked: Asked) -> Response:
    """The visit has begun."""
    form = asked.form
    try:
        after, missing = typed(form, "after", "span", asked.units), typed(form, "missing", "mass", asked.units)
        if after is None:
            raise InputError("is missing", where=LABELS["after"], allowed="a time, as 6 months")
        kg = None if missing is None else parse_quantity(missing, "mass", LABELS["missing"])
        later = body_of(Return(years(after, LABELS["after"]), form.one("not_recharged") != "yes", kg))
        seen = tell(
            asked, RETURN, lambda _: later, lambda *_: Noted(f"Later visit: {return_words(later, asked.units)}")
        )
    except InputError as error:
        if isinstance(error, Stale | NotHere) or asked.plain:
            raise
        return visit(asked, in_words(error, LABELS))
    return told(asked, seen, noted="1")


ROUTES = (
    ("/job/{job}/repair/{target}", repair, tell_repair),
    ("/job/{job}/visit", visit, tell_visit),
)

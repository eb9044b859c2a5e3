"""What the rules on leak rates and leak checks say of a job's system; no legal advice, each with its date to verify."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from starlette.responses import Response

from leakinfer.errors import InputError
from leakinfer.job.facts import Facts
from leakinfer.physics.units import parse_quantity
from leakinfer.reading import known
from leakinfer.rules.european_union import leak_checks
from leakinfer.rules.history import KIND_WORDS, Addition, History
from leakinfer.rules.united_states import leak_repair
from leakinfer.session.given import day_of
from leakinfer.web.asked import Asked, Form
from leakinfer.web.desk import Seen
from leakinfer.web.fields import quantity, typed
from leakinfer.web.pages import page
from leakinfer.words.units import Units

ADDITIONS = 3  # rows of the form


def rules(asked: Asked) -> Response:
    """Leak checks by the EU regulation, leak rate by the US rules; the form is part of the address and tells no job."""
    seen: Seen = asked.desk.see(asked.path["job"])
    form, facts = asked.query, seen.job.facts
    european, european_error = _tried(lambda: _european(facts, form))
    rows = [f"{name}{number}" for name in ("day", "added") for number in range(ADDITIONS)]
    asked_us = any(form.one(name) for name in ("kind", "commissioned", *rows))
    american, american_error = _tried(lambda: _american(facts, form, asked.units)) if asked_us else (None, None)
    return page(
        asked,
        "rules.html",
        seen=seen,
        tab="more",
        given=form,
        kinds=KIND_WORDS,
        european=european,
        european_error=european_error,
        american=american,
        american_error=american_error,
        rows=[
            (form.one(f"day{n}"), quantity(f"added{n}", "Put in", "mass", asked.units, form)) for n in range(ADDITIONS)
        ],
    )


def _tried(work: Callable[[], Any]) -> tuple[Any, InputError | None]:
    """What a rule says, or the error that keeps it from saying anything."""
    try:
        return work(), None
    except InputError as error:
        return None, error


def _european(facts: Facts, form: Form) -> Any:
    hermetic, residential, detection = (form.one(name) == "yes" for name in ("hermetic", "residential", "detection"))
    return leak_checks(
        facts.refrigerant, facts.charge_kg, hermetic=hermetic, residential=residential, detection=detection
    )


def _american(facts: Facts, form: Form, units: Units) -> Any:
    added = []
    for number in range(ADDITIONS):
        day, mass = form.one(f"day{number}"), typed(form, f"added{number}", "mass", units)
        if day and mass:
            added.append(Addition(day_of(day, "Day"), parse_quantity(mass, "mass", "Put in")))
        elif day or mass:
            raise InputError(
                "is missing: what was put in needs its day and its amount", where="Day" if mass else "Put in"
            )
    if not form.one("kind"):
        raise InputError("is missing", where="Kind of system")
    kind: Any = known(form.one("kind"), KIND_WORDS, what="kind", where="Kind of system")
    commissioned = day_of(form.one("commissioned"), "First day in service") if form.one("commissioned") else None
    history = History(facts.refrigerant, kind, facts.charge_kg, date.today(), tuple(added), (), commissioned)
    return leak_repair(history)


ROUTES = (("/job/{job}/rules", rules, None),)

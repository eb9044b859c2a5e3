"""What a form tells of a test, as the session reads it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from leakinfer.catalogue.model import Method
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.session.readings import READING_NAMES
from leakinfer.session.recording import finding_of
from leakinfer.web.asked import Form, short
from leakinfer.web.fields import QUANTITIES, Field, in_words, quantity, typed
from leakinfer.words.units import Units

# By kind of reading: name, label, what is typed, whether it must be told. Names as 'leakinfer record' has them.
READINGS: Mapping[str, tuple[tuple[str, str, str, bool], ...]] = {
    "hold": (
        ("start", "Gauge at the start", "gauge_pressure", True),
        ("start_temp", "Gas temperature at the start", "temperature", True),
        ("end", "Gauge at the end", "gauge_pressure", True),
        ("end_temp", "Gas temperature at the end", "temperature", True),
        ("hours", "How long it was held", "hours", True),
        ("resolution", "Smallest step of the gauge", "gauge_pressure", False),
        ("accuracy", "How well the gauge repeats", "gauge_pressure", False),
        ("volume", "Volume inside what was held", "volume", False),
    ),
    "rise": (
        ("start", "Vacuum at the start", "absolute_pressure", True),
        ("middle", "Vacuum in between", "absolute_pressure", False),
        ("middle_minutes", "When that was", "minutes", False),
        ("end", "Vacuum at the end", "absolute_pressure", True),
        ("minutes", "How long it stood", "minutes", True),
        ("temp", "Temperature of the circuit", "temperature", True),
        ("volume", "Volume inside what was held", "volume", False),
    ),
    "gather": (
        ("volume", "Air under the shroud", "volume", True),
        ("minutes", "How long the shroud was on", "minutes", True),
        ("start_ppm", "Meter as the shroud was closed", "ppm", True),
        ("end_ppm", "Meter at the end", "ppm", True),
    ),
    "total": (("weight", "Charge that was weighed", "mass", True),),
}
CONDITION = (
    ("test_pressure", "Pressure of the test gas", "gauge_pressure"),
    *((name, *QUANTITIES[name]) for name in ("high", "low", "outdoor", "indoor")),
)
LABELS = {
    **{name: label for rows in READINGS.values() for name, label, _, _ in rows},
    **{name: label for name, label, _ in CONDITION},
    "took": "How long it took",
    "record: outcome": "Answer",
    "state": "System",
    "air": "Air outdoors",
}


def reading_kind(method: Method) -> str | None:
    """Which reading a method takes; None if none."""
    if method.kind == "hold":
        return "rise" if method.states == ("vacuum",) else "hold"
    return method.kind if method.kind in ("gather", "total") else None


def reading_fields(method: Method, units: Units, form: Form) -> tuple[list[Field], list[Field]]:
    """The fields of a method's reading: those that must be told, and those that may."""
    rows = READINGS.get(reading_kind(method) or "", ())
    every = [quantity(name, label, kind, units, form, must=must) for name, label, kind, must in rows]
    return [one for one in every if one.must], [one for one in every if not one.must]


def condition_fields(units: Units, form: Form) -> list[Field]:
    """The quantities of a condition that may have been otherwise than now."""
    return [quantity(name, label, kind, units, form) for name, label, kind in CONDITION]


def finding_told(job: Job, method: Method, target: str, form: Form, units: Units) -> Finding:
    """The finding that a form tells.

    Raises:
        InputError: something unknown, missing or impossible, named as the form names it.
    """
    given = _given(method, form, units)
    word = "" if form.one("read") else form.one("outcome")  # a reading gives the word itself
    outcome = given.pop("weight", None) or word or None
    try:
        return finding_of(job, method.id, target, outcome, given)
    except InputError as error:
        raise in_words(error, LABELS) from error


def _given(method: Method, form: Form, units: Units) -> dict[str, Any]:
    """The form's entries under the names that the session knows."""
    given: dict[str, Any] = dict.fromkeys((*READING_NAMES, "state", "heating", "isolated", "air", "took"))
    for name, _, kind in CONDITION:
        given[name] = typed(form, name, kind, units)
    for name, _, kind, _ in READINGS.get(reading_kind(method) or "", ()):
        given[name] = _plain(typed(form, name, kind, units), kind)
    for name in ("state", "heating", "air", "isolated"):
        given[name] = form.one(name) or None
    given["took"] = typed(form, "took", "minutes", units)
    given["shroud"] = form.one("shroud") == "yes"
    given["causes"] = form.all("cause")
    given["earlier"] = form.one("earlier") == "yes"
    given["note"] = short(form, "note", "Note")
    return given


def _plain(text: str | None, kind: str) -> str | None:
    """A concentration is told as a number alone."""
    return text.removesuffix(" ppm") if text and kind == "ppm" else text

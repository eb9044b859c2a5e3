"""Facts: how things stand now, which change by the hour, and what is known of the system, which seldom does."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from msgspec import to_builtins
from starlette.responses import Response

from leakinfer.circuit.conditions import AIR_WORDS
from leakinfer.circuit.model import ELSEWHERE
from leakinfer.errors import InputError
from leakinfer.job.events import FACTS
from leakinfer.job.facts import Facts
from leakinfer.job.job import Job
from leakinfer.session.given import read_facts
from leakinfer.web.asked import Asked, Form
from leakinfer.web.cards import STATE_WORDS
from leakinfer.web.desk import Seen, Stale
from leakinfer.web.fields import Field, in_words, quantity, typed
from leakinfer.web.lines import said
from leakinfer.web.noting import Noted, tell
from leakinfer.web.pages import page, told
from leakinfer.words.units import Units

# Quantities by page: fact, label, what is typed. Names of facts as 'leakinfer fact' has them.
NOW = (
    ("outdoor", "Outdoors", "temperature"),
    ("indoor", "Indoors", "temperature"),
    ("high", "High-side gauge", "gauge_pressure"),
    ("low", "Low-side gauge", "gauge_pressure"),
    ("test", "Test gas in it", "gauge_pressure"),
    ("time_left", "Minutes left", "minutes"),
)
SYSTEM = (
    ("charge", "Right charge", "mass"),
    ("age", "Age", "age"),
    ("tight_ago", "All of it last proved tight, how long ago", "age"),
    ("rating_high", "Nameplate, high side", "gauge_pressure"),
    ("rating_low", "Nameplate, low side", "gauge_pressure"),
    ("volume", "Volume inside the whole circuit", "volume"),
    ("matters", "Smallest loss that counts", "mass_rate"),
)
TIER_WORDS = {
    "quick": "a quick look, no hoses",
    "standard": "hoses, shroud, dye; nitrogen if it is flat",
    "intrusive": "charge out, circuit cut where needed",
}
LABELS = {name: label for name, label, _ in (*NOW, *SYSTEM)} | {"lost": "Refrigerant missing", "over": "Since when"}
FORGOTTEN = ("high", "low", "test", "time_left", "tight_ago", "rating_high", "rating_low", "volume")


def shown(job: Job, units: Units) -> dict[str, tuple[str, str]]:
    """By fact, the number that stands in its field and its unit; empty where nothing is known."""
    facts = job.facts

    def pressure(kpa: float | None) -> tuple[str, str]:
        return ("" if kpa is None else units.pressure_figure(kpa).replace(",", ""), units.pressure)

    mass = ("lb", 0.45359237) if units.mass == "oz" else ("kg", 1.0)
    return {
        "outdoor": (units.temperature_figure(facts.outdoor_c), units.temperature),
        "indoor": (units.temperature_figure(facts.indoor_c), units.temperature),
        "high": pressure(facts.high_kpa),
        "low": pressure(facts.low_kpa),
        "test": pressure(facts.test_kpa or None),
        "time_left": ("" if facts.minutes_left is None else f"{facts.minutes_left:.0f}", "min"),
        "charge": (f"{facts.charge_kg / mass[1]:.4g}", mass[0]),
        "age": (f"{facts.age_years:.3g}", "years"),
        "tight_ago": ("" if facts.tight_years_ago is None else f"{facts.tight_years_ago:.3g}", "years"),
        "rating_high": pressure(facts.rating_high_kpa),
        "rating_low": pressure(facts.rating_low_kpa),
        "volume": ("" if facts.volume_l is None else f"{facts.volume_l:.3g}", "l"),
        "matters": _matters(facts, units),
    }


def _matters(facts: Facts, units: Units) -> tuple[str, str]:
    if facts.matters_g_per_year is None:
        return "", f"{units.mass}/yr"
    number, unit = units.rate_words(facts.matters_g_per_year).replace(",", "").split(" ")
    return number, unit


def _fields(rows: Iterable[tuple[str, str, str]], asked: Asked, job: Job, given: Form | None) -> list[Field]:
    there = shown(job, asked.units)
    made = []
    for name, label, kind in rows:
        field = quantity(name, label, kind, asked.units, given)
        if given is None:
            field = Field(name, label, field.offered, there[name][1], there[name][0])
        made.append(field)
    return made


def now(asked: Asked, error: InputError | None = None) -> Response:
    """How things stand: where you are, the air, the system, gauges, consent, time, tools."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    aids = [setup for setup in job.catalogue.setups.values() if setup.to is None]
    return page(
        asked,
        "now.html",
        400 if error else 200,
        seen=seen,
        tab="now",
        facts=job.facts,
        given=asked.form if error else None,
        fields=_fields(NOW, asked, job, asked.form if error else None),
        places=[(place.id, place.name) for place in job.system.places],
        airs=AIR_WORDS,
        states=STATE_WORDS,
        tiers=TIER_WORDS,
        heats=all(section.heating_side != "none" for section in job.system.sections),
        parts_of=[(part.id, part.name) for part in job.system.isolations],
        tools=list(job.catalogue.tools.values()),
        aids=aids,
        error=error,
    )


def system(asked: Asked, error: InputError | None = None) -> Response:
    """What is known of the system: charge, age, loss, what can be seen, what is not fitted, what to tell the owner."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    loss = job.facts.loss
    given = asked.form if error else None
    lost = quantity("lost", "Refrigerant missing", "mass", asked.units, given)
    over = quantity("over", "Since the charge was right", "span", asked.units, given)
    if given is None and loss is not None:
        lost = Field(lost.name, lost.label, lost.offered, "g", f"{loss.kg * 1000:.4g}")
        over = Field(over.name, over.label, over.offered, "years", f"{loss.years:.4g}")
    exposures = job.catalogue.exposures
    return page(
        asked,
        "system.html",
        400 if error else 200,
        seen=seen,
        tab="now",
        facts=job.facts,
        given=given,
        fields=_fields(SYSTEM, asked, job, given),
        lost=lost,
        over=over,
        circumstances=[
            (name, _capital(job.target_name(name)), exposures[job.exposure_of[name]].signs) for name in job.exposure_of
        ],
        sites=[(site.id, site.name) for site in job.system.sites if site.id != ELSEWHERE],
        notice=[one for one in job.catalogue.advice.values() if one.told],
        refrigerants=list(dict.fromkeys((job.facts.refrigerant, *job.system.refrigerants))),
        error=error,
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def told_quantities(rows: Iterable[tuple[str, str, str]], asked: Asked, job: Job) -> list[tuple[str, str, str]]:
    """Those quantities of a form that differ from what stood in it."""
    there, form, told_now = shown(job, asked.units), asked.form, []
    names = {name for name, _ in form.pairs}
    for name, label, kind in rows:
        if name not in names or (form.one(name), form.one(f"{name}_unit")) == there[name]:
            continue
        text = typed(form, name, kind, asked.units)
        if text is None and name in FORGOTTEN and there[name][0]:
            text = "none"
        told_now += [(name, text, label)] if text else []
    return told_now


def tell_now(asked: Asked) -> Response:
    """Tell what changed; one big button tells one fact, the form below tells the rest."""

    def changes(job: Job) -> list[tuple[str, str, str]]:
        form, facts = asked.form, job.facts
        one = form.one("fact").partition("=")
        if one[1]:
            return [(one[0], one[2], "This button")]
        told_now = told_quantities(NOW, asked, job)
        plain = {"at": facts.place or "", "air": facts.air, "state": facts.state, "consent": facts.consent}
        plain |= {"heating": "yes" if facts.heating else "no", "gauges": "on" if facts.gauges else "off"}
        plain |= {"isolated": facts.test_isolation or "whole"}
        told_now += [
            (name, form.one(name), name) for name, there in plain.items() if form.one(name) and form.one(name) != there
        ]
        if form.one("lists"):
            told_now += _listed(form.all("not_on_van"), facts.not_on_van, "not_on_van", "on_van")
            told_now += _listed(form.all("in_place"), facts.aids, "in_place", "not_in_place")
            told_now += _listed(form.all("opened"), facts.opened, "opened", "closed")
        return told_now

    return _tell(asked, changes, now)


def tell_system(asked: Asked) -> Response:
    """Tell what is known of the system."""

    def changes(job: Job) -> list[tuple[str, str, str]]:
        form, facts = asked.form, job.facts
        told_now = told_quantities(SYSTEM, asked, job)
        if form.one("refrigerant") and form.one("refrigerant") != facts.refrigerant:
            told_now.append(("refrigerant", form.one("refrigerant"), "Refrigerant"))
        told_now += _loss(asked, facts)
        if form.one("charge_weighed") in ("yes", "no"):
            weighed = form.one("charge_weighed") == "yes"
            told_now += (
                []
                if weighed == facts.first_charge_weighed
                else [("charge_weighed", form.one("charge_weighed"), "Charge")]
            )
        told_now += _circumstances(form, facts)
        if form.one("lists"):
            told_now += _listed(form.all("not_fitted"), facts.not_fitted, "not_fitted", "fitted")
            told_now += _listed(form.all("noticed"), facts.seen, "noticed", "not_noticed")
        return told_now

    return _tell(asked, changes, system)


def _loss(asked: Asked, facts: Facts) -> list[tuple[str, str, str]]:
    lost, over = typed(asked.form, "lost", "mass", asked.units), typed(asked.form, "over", "span", asked.units)
    there = facts.loss
    if lost is None and over is None:
        return [("loss", "none", LABELS["lost"])] if there is not None and asked.form.one("lists") else []
    if lost is None or over is None:
        where = LABELS["lost" if lost is None else "over"]
        raise InputError("is missing: a loss needs its amount and its time", where=where)
    same = there is not None and (lost, over) == (f"{there.kg * 1000:.4g} g", f"{there.years:.4g} years")
    return [] if same else [("loss", f"{lost}/{over}", LABELS["lost"])]


def _circumstances(form: Form, facts: Facts) -> list[tuple[str, str, str]]:
    """Answers that differ from what is a fact already."""
    told_now = []
    words = {"yes": ("seen", True), "no": ("not_there", False), "open": ("maybe", None)}
    for name, text in form.pairs:
        if not name.startswith("there:") or text not in words:
            continue
        circumstance, (fact, value) = name.removeprefix("there:"), words[text]
        if facts.circumstances.get(circumstance) is not value:
            told_now.append((fact, circumstance, "What can be seen"))
    return told_now


def _listed(chosen: Iterable[str], there: Iterable[str], add: str, take: str) -> list[tuple[str, str, str]]:
    """What is ticked now and was not, and the other way round."""
    new, old = set(chosen), set(there)
    return [(add, name, "Ticks") for name in sorted(new - old)] + [(take, name, "Ticks") for name in sorted(old - new)]


def _tell(asked: Asked, changes: Any, form_page: Any) -> Response:
    """Add the changed facts; on an error the form comes back as it was."""
    before: Seen = asked.desk.see(asked.path["job"])

    def body(job: Job) -> dict[str, Any]:
        changed = read_facts(to_builtins(job.facts), changes(job), job.catalogue)
        if not changed:
            raise _Nothing("nothing was changed")
        return changed

    try:
        seen = tell(asked, FACTS, body, lambda seen: Noted(f"Noted: {said(seen.lines[-1], asked.units)}"))
    except _Nothing:
        return told(asked, before)
    except InputError as error:
        if isinstance(error, Stale) or asked.plain:
            raise
        response: Response = form_page(asked, in_words(error, LABELS))
        return response
    return told(asked, seen, noted="1")


class _Nothing(InputError):
    """The form tells nothing new."""


ROUTES = (
    ("/job/{job}/now", now, tell_now),
    ("/job/{job}/system", system, tell_system),
)

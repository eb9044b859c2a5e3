"""Facts: how things stand now, which change by the hour, and what is known of the system, which seldom does."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from msgspec import structs, to_builtins
from starlette.responses import Response

from leakinfer.circuit.conditions import AIR_WORDS
from leakinfer.circuit.model import ELSEWHERE, WHOLE
from leakinfer.errors import InputError
from leakinfer.job.events import FACTS
from leakinfer.job.facts import Facts
from leakinfer.job.job import Job
from leakinfer.physics.units import kg_to_pound
from leakinfer.report.wording import capital
from leakinfer.session.given import read_facts
from leakinfer.web.asked import Asked, Form
from leakinfer.web.cards import STATE_WORDS, TIER_WORDS
from leakinfer.web.desk import Seen, Stale
from leakinfer.web.fields import LABELS, QUANTITIES, Field, fact_typed, in_words, quantity
from leakinfer.web.lines import said
from leakinfer.web.noting import Noted, tell
from leakinfer.web.pages import page, told
from leakinfer.words.units import Units

NOW = ("outdoor", "indoor", "high", "low", "test", "time_left")
LOSS = ("lost", "over")
SYSTEM = ("charge", "age", "tight_ago", "rating_high", "rating_low", "volume", "matters")
FORGOTTEN = ("high", "low", "test", "time_left", "tight_ago", "rating_high", "rating_low", "volume")
HINTS = {"over": "the charge was right"}
Changes = Callable[[Job], list[tuple[str, str, str]]]


def shown(job: Job, units: Units) -> dict[str, tuple[str, str]]:
    """By fact, the number that stands in its field and its unit; empty where nothing is known."""
    facts = job.facts

    def pressure(kpa: float | None) -> tuple[str, str]:
        return ("" if kpa is None else units.pressure_figure(kpa).replace(",", ""), units.pressure)

    def mass(kg: float | None) -> tuple[str, str]:
        pounds = units.mass == "oz"
        return _figure(kg_to_pound(kg) if pounds and kg is not None else kg, 4), "lb" if pounds else "kg"

    loss = facts.loss
    return {
        "outdoor": (units.temperature_figure(facts.outdoor_c), units.temperature),
        "indoor": (units.temperature_figure(facts.indoor_c), units.temperature),
        "high": pressure(facts.high_kpa),
        "low": pressure(facts.low_kpa),
        "test": pressure(facts.test_kpa or None),
        "time_left": (_figure(facts.minutes_left, 4), "min"),
        "charge": mass(facts.charge_kg),
        "lost": mass(None if loss is None else loss.kg),
        "over": (_figure(None if loss is None else loss.years, 4), "years"),
        "age": (_figure(facts.age_years, 3), "years"),
        "tight_ago": (_figure(facts.tight_years_ago, 3), "years"),
        "rating_high": pressure(facts.rating_high_kpa),
        "rating_low": pressure(facts.rating_low_kpa),
        "volume": (_figure(facts.volume_l, 3), "l"),
        "matters": _matters(facts, units),
    }


def _figure(number: float | None, count: int) -> str:
    """A number as a person types it, to so many figures: no exponent, since units are read behind plain numbers."""
    return "" if number is None else f"{Decimal(f'{number:.{count}g}'):f}"


def _matters(facts: Facts, units: Units) -> tuple[str, str]:
    if facts.matters_g_per_year is None:
        return "", f"{units.mass}/yr"
    number, unit = units.rate_words(facts.matters_g_per_year).replace(",", "").split(" ")
    return number, unit


def _fields(names: Iterable[str], asked: Asked, job: Job, given: Form | None) -> list[Field]:
    """Fields with what holds in them, or with what was typed where a form comes back."""
    there = shown(job, asked.units)
    fields = [quantity(name, *QUANTITIES[name], asked.units, given, hint=HINTS.get(name, "")) for name in names]
    if given is not None:
        return fields
    return [replace(field, value=there[field.name][0], unit=there[field.name][1]) for field in fields]


def now(asked: Asked, error: InputError | None = None) -> Response:
    """How things stand: where you are, the air, the system, gauges, consent, time, tools."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    given = asked.form if error else None
    aids = [setup for setup in job.catalogue.setups.values() if setup.to is None]
    return page(
        asked,
        "now.html",
        400 if error else 200,
        seen=seen,
        tab="now",
        facts=_as_stated(job.facts, given),
        fields=_fields(NOW, asked, job, given),
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


def _as_stated(facts: Facts, given: Form | None) -> Facts:
    """The facts with what a form that comes back says of the present; its quantities stand in their fields."""
    if given is None or not given.one("lists"):
        return facts
    isolated = given.one("isolated")
    return structs.replace(
        facts,
        state=given.one("state") or facts.state,
        heating=given.one("heating") == "yes",
        test_isolation=None if isolated in ("", WHOLE) else isolated,
        place=given.one("at") or facts.place,
        consent=given.one("consent") or facts.consent,
        untried_operator=given.one("untried_operator") == "yes",
        not_on_van=given.all("not_on_van"),
        aids=given.all("in_place"),
        opened=given.all("opened"),
    )


def _as_told(facts: Facts, given: Form | None) -> Facts:
    """The facts with what a form that comes back says of the system; its quantities stand in their fields."""
    if given is None or not given.one("lists"):
        return facts
    gone = {name: text for name, text in given.pairs if _answers(name, text, ("yes", "no", "open"))}
    looked = {name.removeprefix("there:"): text == "yes" for name, text in gone.items() if text != "open"}
    left = {name: there for name, there in facts.circumstances.items() if f"there:{name}" not in gone}
    return structs.replace(
        facts,
        refrigerant=given.one("refrigerant") or facts.refrigerant,
        first_charge_weighed=given.one("charge_weighed") == "yes",
        circumstances=left | looked,
        not_fitted=given.all("not_fitted"),
        seen=given.all("noticed"),
    )


def system(asked: Asked, error: InputError | None = None) -> Response:
    """What is known of the system: charge, age, loss, what can be seen, what is not fitted, what to tell the owner."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    given = asked.form if error else None
    charge, *fields = _fields(SYSTEM, asked, job, given)
    lost, over = _fields(LOSS, asked, job, given)
    exposures = job.catalogue.exposures
    return page(
        asked,
        "system.html",
        400 if error else 200,
        seen=seen,
        tab="now",
        facts=_as_told(job.facts, given),
        fields=fields,
        charge=charge,
        lost=lost,
        over=over,
        circumstances=[
            (name, capital(job.target_name(name)), exposures[job.exposure_of[name]].signs) for name in job.exposure_of
        ],
        sites=[(site.id, site.name) for site in job.system.sites if site.id != ELSEWHERE],
        notice=[one for one in job.catalogue.advice.values() if one.told],
        refrigerants=[(one, one) for one in dict.fromkeys((job.facts.refrigerant, *job.system.refrigerants))],
        error=error,
    )


def told_quantities(names: Iterable[str], asked: Asked, job: Job) -> list[tuple[str, str, str]]:
    """Those quantities of a form that differ from what stood in it."""
    there, form, told_now = shown(job, asked.units), asked.form, []
    for name in names:
        if _as_it_stood(form, name, there):
            continue
        text = fact_typed(form, name, asked.units)
        if text is None and name in FORGOTTEN and there[name][0]:
            text = "none"
        told_now += [(name, text, LABELS[name])] if text else []
    return told_now


def _as_it_stood(form: Form, name: str, there: Mapping[str, tuple[str, str]]) -> bool:
    """Whether the form lacks a quantity, or tells what stood in it."""
    names = {told for told, _ in form.pairs}
    return name not in names or (form.one(name), form.one(f"{name}_unit")) == there[name]


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
        plain |= {"untried_operator": "yes" if facts.untried_operator else "no"}
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
        told_now += _loss(asked, job)
        weighed = "yes" if facts.first_charge_weighed else "no"
        if form.one("charge_weighed") not in ("", weighed):
            told_now.append(("charge_weighed", form.one("charge_weighed"), "Charge"))
        told_now += circumstances_told(form, facts.circumstances)
        if form.one("lists"):
            told_now += _listed(form.all("not_fitted"), facts.not_fitted, "not_fitted", "fitted")
            told_now += _listed(form.all("noticed"), facts.seen, "noticed", "not_noticed")
        return told_now

    return _tell(asked, changes, system)


def loss_typed(form: Form, units: Units) -> str | None:
    """A loss with its time, as facts have it; None where neither was typed.

    Raises:
        InputError: one of them is missing.
    """
    lost, over = (fact_typed(form, name, units) for name in LOSS)
    if lost is None and over is None:
        return None
    if lost is None or over is None:
        where = LABELS["lost" if lost is None else "over"]
        raise InputError("is missing: a loss needs its amount and its time", where=where)
    return f"{lost}/{over}"


def _loss(asked: Asked, job: Job) -> list[tuple[str, str, str]]:
    """The loss, where the form tells another one; both fields empty forget it."""
    there = shown(job, asked.units)
    if all(_as_it_stood(asked.form, name, there) for name in LOSS):
        return []
    told_now = loss_typed(asked.form, asked.units) or ("none" if job.facts.loss is not None else "")
    return [("loss", told_now, LABELS["lost"])] if told_now else []


def circumstances_told(form: Form, there: Mapping[str, bool]) -> list[tuple[str, str, str]]:
    """What was seen, looked for in vain or is open again, of the entries that begin with ``there:``, where it differs
    from what is ``there`` already."""
    words = {"yes": ("seen", True), "no": ("not_there", False), "open": ("maybe", None)}
    told_now = [(name.removeprefix("there:"), *words[text]) for name, text in form.pairs if _answers(name, text, words)]
    return [(fact, name, "What can be seen") for name, fact, value in told_now if there.get(name) is not value]


def _answers(name: str, text: str, words: Iterable[str]) -> bool:
    return name.startswith("there:") and text in words


def _listed(chosen: Iterable[str], there: Iterable[str], add: str, take: str) -> list[tuple[str, str, str]]:
    """What is ticked now and was not, and the other way round."""
    new, old = set(chosen), set(there)
    return [(add, name, "Ticks") for name in sorted(new - old)] + [(take, name, "Ticks") for name in sorted(old - new)]


def _tell(asked: Asked, changes: Changes, form_page: Callable[[Asked, InputError], Response]) -> Response:
    """Add the changed facts; on an error the form comes back as it was."""

    def body(job: Job) -> dict[str, Any]:
        changed = read_facts(to_builtins(job.facts), changes(job), job.catalogue)
        if not changed:
            raise _Nothing("nothing was changed")
        return changed

    try:
        seen = tell(asked, FACTS, body, lambda _, seen: Noted(f"Noted: {said(seen.lines[-1], asked.units)}"))
    except _Nothing:
        return told(asked, asked.desk.see(asked.path["job"]))
    except InputError as error:
        if isinstance(error, Stale) or asked.plain:
            raise
        return form_page(asked, in_words(error, LABELS))
    return told(asked, seen, noted="1")


class _Nothing(InputError):
    """The form tells nothing new."""


ROUTES = (
    ("/job/{job}/now", now, tell_now),
    ("/job/{job}/system", system, tell_system),
)

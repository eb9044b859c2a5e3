"""The list of jobs, and how a new one begins: everything but the system may be left open."""

from __future__ import annotations

from starlette.responses import RedirectResponse, Response

from leakinfer.circuit.conditions import AIR_WORDS
from leakinfer.circuit.model import System
from leakinfer.circuit.rack import RACK_STORE
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import begun
from leakinfer.reading import known
from leakinfer.session.given import read_facts
from leakinfer.web.asked import Asked, Form, NotHere, short
from leakinfer.web.cards import TIER_WORDS
from leakinfer.web.fields import LABELS, QUANTITIES, Field, fact_typed, in_words, quantity
from leakinfer.web.pages import job_path, page
from leakinfer.web.present import circumstances_told, loss_typed
from leakinfer.words.units import Units

TITLE_LETTERS = 80
STARTED = ("charge", "age", "outdoor", "indoor", "time_left")
SITES = "Number of places"


def job_list(asked: Asked) -> Response:
    """All jobs, the one that was told last first."""
    return page(asked, "jobs.html", jobs=asked.desk.shelf.jobs())


def choose_system(asked: Asked) -> Response:
    """Which kind of system it is."""
    return page(asked, "systems.html", systems=asked.desk.beginning.systems())


def start(asked: Asked, error: InputError | None = None) -> Response:
    """What is known of a system before any test."""
    name = _system_name(asked)
    system = _system(asked, name)
    held = asked.desk.beginning.priors_for(system)
    return page(
        asked,
        "start.html",
        400 if error else 200,
        system=system,
        name=name,
        given=asked.form,
        fields=start_fields(system, asked.units, asked.form),
        notices=held.notices,
        seen_there=[(c, held.catalogue.exposures[c.exposure].signs) for c in system.circumstances],
        places=[(place.id, place.name) for place in system.places],
        refrigerants=[(one, one) for one in system.refrigerants],
        tiers=TIER_WORDS,
        airs=AIR_WORDS,
        sites=SITES,
        error=error,
    )


def start_fields(system: System, units: Units, form: Form) -> dict[str, Field]:
    """The quantities that a new job asks for."""
    hints = {
        "age": "empty: not known",
        "charge": f"empty: {units.mass_words(system.charge.typical)}",
        "lost": "added, or gone",
        "over": "the charge was right",
    }
    asked_for = (*STARTED, "lost", "over")
    return {name: quantity(name, *QUANTITIES[name], units, form, hint=hints.get(name, "")) for name in asked_for}


def begin(asked: Asked) -> Response:
    """Begin the job; on an error the form comes back as it was."""
    try:
        made = _made(asked)
    except InputError as error:
        if isinstance(error, NotHere) or asked.plain:
            raise
        return start(asked, in_words(error, LABELS | {"sites": SITES}))
    return RedirectResponse(job_path(made), status_code=303)


def _made(asked: Asked) -> str:
    """The id of the new job."""
    form, system, beginning = asked.form, _system(asked, _system_name(asked)), asked.desk.beginning
    catalogue = beginning.priors_for(system).catalogue
    facts = read_facts({}, told_facts(form, asked.units), catalogue)
    body = beginning.body(system, facts, catalogue)
    Belief(begun(body, catalogue, "new job"))
    title = short(form, "title", "Name of the job", TITLE_LETTERS) or system.name
    made: str = asked.desk.shelf.create(title, body, asked.who, token=asked.token)
    return made


def told_facts(form: Form, units: Units) -> list[tuple[str, str, str]]:
    """The form's entries as facts: name, text, label."""
    told: list[tuple[str, str, str]] = []
    for name in STARTED:
        text = fact_typed(form, name, units)
        told += [(name, text, LABELS[name])] if text else []
    loss = loss_typed(form, units)
    told += [("loss", loss, LABELS["lost"])] if loss else []
    for name, label in (
        ("refrigerant", "Refrigerant"),
        ("consent", "Agreed to"),
        ("air", "Air"),
        ("at", "Where you are"),
    ):
        told += [(name, form.one(name), label)] if form.one(name) else []
    told += [("charge_weighed", "yes", "Charge")] if form.one("charge_weighed") == "yes" else []
    return told + circumstances_told(form, {})


def _system_name(asked: Asked) -> str:
    """The id of a system that jobs may begin with, with its size where that can be chosen; never a path."""
    name = asked.path["system"]
    try:
        known(name, asked.desk.beginning.systems(), what="system", where="system")
    except InputError as error:
        raise NotHere(error.what, where="system") from error
    size = asked.form.one("sites") or asked.query.one("sites")
    return f"{name}:{size}" if name == RACK_STORE and size else name


def _system(asked: Asked, name: str) -> System:
    if name.startswith(f"{RACK_STORE}:") and len(name) > len(RACK_STORE) + 5:
        raise InputError("is too many for the page", where=SITES, allowed="up to 9999")
    return asked.desk.beginning.system(name)


ROUTES = (
    ("/", job_list, None),
    ("/new", choose_system, None),
    ("/new/{system}", start, begin),
)

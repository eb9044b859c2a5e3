"""The list of jobs, and how a new one begins: everything but the system may be left open."""

from __future__ import annotations

from starlette.responses import RedirectResponse, Response

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import System
from leakinfer.circuit.rack import RACK_STORE
from leakinfer.circuit.reader import load_system, shipped_systems
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import begin_body, begun
from leakinfer.reading import known
from leakinfer.session.given import AIRS, TIERS, read_facts
from leakinfer.web.asked import Asked, Form, NotHere, short
from leakinfer.web.fields import Field, in_words, quantity, typed
from leakinfer.web.pages import job_path, page
from leakinfer.words.units import Units

TITLE_LETTERS = 80
QUANTITIES = (
    ("charge", "mass"),
    ("age", "age"),
    ("outdoor", "temperature"),
    ("indoor", "temperature"),
    ("time_left", "minutes"),
)
LABELS = {
    "charge": "Right charge",
    "age": "Age of the system",
    "lost": "Refrigerant missing",
    "over": "Since when",
    "outdoor": "Outdoors",
    "indoor": "Indoors",
    "time_left": "Time left",
    "sites": "Number of places",
}


def job_list(asked: Asked) -> Response:
    """All jobs, the one that was told last first."""
    return page(asked, "jobs.html", jobs=asked.desk.shelf.jobs())


def choose_system(asked: Asked) -> Response:
    """Which kind of system it is."""
    return page(asked, "systems.html", systems=shipped_systems(), rack=RACK_STORE)


def start(asked: Asked, error: InputError | None = None) -> Response:
    """What is known of a system before any test."""
    name = _system_name(asked)
    system = _system(name)
    catalogue = load_catalogue()
    return page(
        asked,
        "start.html",
        400 if error else 200,
        system=system,
        name=name,
        given=asked.form,
        fields=start_fields(system, asked.units, asked.form),
        seen_there=[(c, catalogue.exposures[c.exposure].signs) for c in system.circumstances],
        tiers=TIERS,
        airs=AIRS,
        error=error,
    )


def start_fields(system: System, units: Units, form: Form) -> dict[str, Field]:
    """The quantities that a new job asks for."""
    usual = units.mass_words(system.charge.typical)
    asked_for: tuple[tuple[str, str, str], ...] = (
        ("age", "age", "empty: not known"),
        ("charge", "mass", f"empty: {usual}"),
        ("lost", "mass", "added, or gone"),
        ("over", "span", "the charge was right"),
        ("outdoor", "temperature", ""),
        ("indoor", "temperature", ""),
        ("time_left", "minutes", ""),
    )
    return {name: quantity(name, LABELS[name], kind, units, form, hint=hint) for name, kind, hint in asked_for}


def begin(asked: Asked) -> Response:
    """Begin the job; on an error the form comes back as it was."""
    try:
        made = _made(asked)
    except InputError as error:
        if isinstance(error, NotHere) or asked.plain:
            raise
        return start(asked, in_words(error, LABELS))
    return RedirectResponse(job_path(made), status_code=303)


def _made(asked: Asked) -> str:
    """The id of the new job."""
    form, system = asked.form, _system(_system_name(asked))
    catalogue = load_catalogue()
    facts = read_facts({}, told_facts(form, asked.units), catalogue)
    body = begin_body(system, facts, catalogue)
    Belief(begun(body, catalogue, "new job"))
    title = short(form, "title", "Name of the job", TITLE_LETTERS) or system.name
    made: str = asked.desk.shelf.create(title, body, asked.who, token=asked.token)
    return made


def told_facts(form: Form, units: Units) -> list[tuple[str, str, str]]:
    """The form's entries as facts: name, text, label."""
    told: list[tuple[str, str, str]] = []
    for name, kind in QUANTITIES:
        text = typed(form, name, kind, units)
        told += [(name, text, LABELS[name])] if text else []
    lost, over = typed(form, "lost", "mass", units), typed(form, "over", "span", units)
    if (lost is None) != (over is None):
        missing = LABELS["over"] if over is None else LABELS["lost"]
        raise InputError("is missing: a loss needs its amount and its time", where=missing)
    told += [("loss", f"{lost}/{over}", LABELS["lost"])] if lost and over else []
    for name, label in (
        ("refrigerant", "Refrigerant"),
        ("consent", "Agreed to"),
        ("air", "Air"),
        ("at", "Where you are"),
    ):
        told += [(name, form.one(name), label)] if form.one(name) else []
    told += [("charge_weighed", "yes", "Charge")] if form.one("charge_weighed") == "yes" else []
    return told + circumstances_told(form)


def circumstances_told(form: Form) -> list[tuple[str, str, str]]:
    """What was seen or looked for in vain, of the entries that begin with ``there:``."""
    answers = {"yes": "seen", "no": "not_there"}
    named = [(name.removeprefix("there:"), text) for name, text in form.pairs if name.startswith("there:")]
    return [(answers[text], name, "What can be seen") for name, text in named if text in answers]


def _system_name(asked: Asked) -> str:
    """The id of a shipped system, with its size where that can be chosen; never a path."""
    name = asked.path["system"]
    try:
        known(name, shipped_systems(), what="system", where="system")
    except InputError as error:
        raise NotHere(error.what, where="system") from error
    size = asked.form.one("sites") or asked.query.one("sites")
    return f"{name}:{size}" if name == RACK_STORE and size else name


def _system(name: str) -> System:
    if name.startswith(f"{RACK_STORE}:") and len(name) > len(RACK_STORE) + 5:
        raise InputError("is too many for the page", where=LABELS["sites"], allowed="up to 9999")
    return load_system(name)


ROUTES = (
    ("/", job_list, None),
    ("/new", choose_system, None),
    ("/new/{system}", start, begin),
)

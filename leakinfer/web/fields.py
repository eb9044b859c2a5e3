"""Quantities as they are typed on the page: a number with its unit beside it, or with a unit in the text itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leakinfer.errors import InputError
from leakinfer.web.asked import Form
from leakinfer.words.units import PLAIN_NUMBER, Units

# By what is typed: the units beside the number, the usual one first where a person chooses none.
OFFERED: Mapping[str, tuple[str, ...]] = {
    "gauge_pressure": ("psig", "bar", "kPa"),
    "absolute_pressure": ("micron", "Pa", "mbar"),
    "temperature": ("F", "C"),
    "mass": ("oz", "lb", "g", "kg"),
    "mass_rate": ("oz/yr", "g/yr"),
    "age": ("years", "months"),
    "span": ("months", "years", "weeks", "days"),
    "hours": ("h", "min", "days"),
    "minutes": ("min", "h"),
    "volume": ("l", "gal"),
    "ppm": ("ppm",),
}

# Facts that are quantities, by the name that 'leakinfer fact' has: label, what is typed. A loss is 'lost' and 'over'.
QUANTITIES: Mapping[str, tuple[str, str]] = {
    "charge": ("Right charge", "mass"),
    "lost": ("Refrigerant missing", "mass"),
    "over": ("Since when", "span"),
    "age": ("Age of the system", "age"),
    "tight_ago": ("All of it last proved tight, how long ago", "age"),
    "rating_high": ("Nameplate, high side", "gauge_pressure"),
    "rating_low": ("Nameplate, low side", "gauge_pressure"),
    "volume": ("Volume inside the whole circuit", "volume"),
    "matters": ("Smallest loss that counts", "mass_rate"),
    "outdoor": ("Outdoors", "temperature"),
    "indoor": ("Indoors", "temperature"),
    "high": ("High-side gauge", "gauge_pressure"),
    "low": ("Low-side gauge", "gauge_pressure"),
    "test": ("Test gas in it", "gauge_pressure"),
    "time_left": ("Time left", "minutes"),
}
LABELS = {name: label for name, (label, _) in QUANTITIES.items()}


@dataclass(frozen=True)
class Field:
    """A quantity to type. ``value`` is what stands in it, ``unit`` the one that is chosen beside it."""

    name: str
    label: str
    offered: tuple[str, ...]
    unit: str
    value: str = ""
    must: bool = False
    hint: str = ""


def quantity(
    name: str,
    label: str,
    kind: str,
    units: Units,
    given: Form | None = None,
    *,
    must: bool = False,
    hint: str = "",
) -> Field:
    """A field for a quantity, with what was typed before where a form comes back."""
    offered = OFFERED[kind]
    usual = units.unit_of(kind)
    unit, value = usual if usual in offered else offered[0], ""
    if given is not None:
        value, told = given.one(name), given.one(f"{name}_unit")
        unit = told if told in offered else unit
    return Field(name, label, offered, unit, value, must, hint)


def typed(form: Form, name: str, kind: str, units: Units) -> str | None:
    """The quantity with its unit, as ``225 psig``; None where nothing was typed. A unit in the text itself wins."""
    text = form.one(name)
    if not text:
        return None
    if not PLAIN_NUMBER.fullmatch(text):
        return text
    told = form.one(f"{name}_unit")
    number = text.replace(",", ".")
    if told in OFFERED[kind]:
        return f"{number} {told}"
    return units.named(number, kind) if units.unit_of(kind) else f"{number} {OFFERED[kind][0]}"


def fact_typed(form: Form, name: str, units: Units) -> str | None:
    """A fact of :data:`QUANTITIES` as it was typed."""
    return typed(form, name, QUANTITIES[name][1], units)


def in_words(error: InputError, labels: Mapping[str, str]) -> InputError:
    """The error with the label of the field in place of an option's name."""
    option = error.where.removeprefix("--").replace("-", "_")
    label = labels.get(option, error.where if not error.where.startswith("--") else option.replace("_", " "))
    return InputError(error.what, where=label, allowed=_without_options(error.allowed, labels))


def _without_options(text: str, labels: Mapping[str, str]) -> str:
    for name in sorted(labels, key=len, reverse=True):
        text = text.replace(f"--{name.replace('_', '-')}", labels[name])
    return text

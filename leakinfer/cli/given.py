"""What a person types about a job, as facts: ``age=11 years``, ``loss=0.5 kg/18 months``, ``air=wind``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeAlias

from leakinfer.catalogue.model import Catalogue
from leakinfer.errors import InputError
from leakinfer.physics.units import YEAR, Dimension, kelvin_to_celsius, kg_s_to_g_per_year, parse_quantity
from leakinfer.reading import known

Given: TypeAlias = Mapping[str, Any]  # facts by name, as plain data
Reader: TypeAlias = Callable[[Given, str, str], dict[str, Any]]  # facts so far, the text, where it stands

STATES = ("running", "standing")
AIRS = ("still", "breeze", "wind")
NOTHING = "none"


def years(text: str, where: str) -> float:
    """A time in years."""
    return parse_quantity(text, "time", where) / YEAR


def celsius(text: str, where: str) -> float:
    """A temperature in C; Kelvin's binary rounding is taken off."""
    return round(kelvin_to_celsius(parse_quantity(text, "temperature", where)), 9)


def loss(text: str, where: str) -> dict[str, float] | None:
    """A loss with its interval, ``0.5 kg/18 months``; ``none`` forgets it."""
    if text == NOTHING:
        return None
    kg, slash, over = text.partition("/")
    if not slash:
        raise InputError(f"cannot read '{text}' as a loss", where=where, allowed="a mass / a time, as 0.5 kg/18 months")
    return {"kg": parse_quantity(kg, "mass", where), "years": years(over, where)}


def _yes(text: str, where: str) -> bool:
    return known(text.lower(), ("on", "off", "yes", "no"), what="answer", where=where) in ("on", "yes")


def _plain(name: str) -> Reader:
    return lambda _, text, where: {name: text}


def _of(name: str, choices: tuple[str, ...]) -> Reader:
    return lambda _, text, where: {name: known(text, choices, what=name, where=where)}


def _quantity(name: str, dimension: Dimension) -> Reader:
    return lambda _, text, where: {name: parse_quantity(text, dimension, where)}


def _circumstance(there: bool | None) -> Reader:
    """A circumstance that is there, is not there, or (None) may be."""

    def read(so_far: Given, text: str, where: str) -> dict[str, Any]:
        kept = {name: value for name, value in so_far.get("circumstances", {}).items() if name != text}
        if there is None:
            known(text, so_far.get("circumstances", {}), what="circumstance told before", where=where)
        return {"circumstances": kept if there is None else {**kept, text: there}}

    return read


def _listed(name: str) -> Reader:
    """One more name in a list of the facts."""
    return lambda so_far, text, where: {name: sorted({*so_far.get(name, ()), text})}


def _unlisted(name: str) -> Reader:
    def read(so_far: Given, text: str, where: str) -> dict[str, Any]:
        known(text, so_far.get(name, ()), what=name.replace("_", " "), where=where)
        return {name: [kept for kept in so_far.get(name, ()) if kept != text]}

    return read


def _matters(_: Given, text: str, where: str) -> dict[str, Any]:
    return {"matters_g_per_year": kg_s_to_g_per_year(parse_quantity(text, "mass_rate", where))}


READERS: dict[str, Reader] = {
    "refrigerant": _plain("refrigerant"),
    "charge": _quantity("charge_kg", "mass"),
    "charge_weighed": lambda _, text, where: {"first_charge_weighed": _yes(text, where)},
    "age": lambda _, text, where: {"age_years": years(text, where)},
    "loss": lambda _, text, where: {"loss": loss(text, where)},
    "tight_ago": lambda _, text, where: {"tight_years_ago": None if text == NOTHING else years(text, where)},
    "seen": _circumstance(True),
    "not_there": _circumstance(False),
    "maybe": _circumstance(None),
    "not_fitted": _listed("not_fitted"),
    "fitted": _unlisted("not_fitted"),
    "state": _of("state", STATES),
    "air": _of("air", AIRS),
    "outdoor": lambda _, text, where: {"outdoor_c": celsius(text, where)},
    "indoor": lambda _, text, where: {"indoor_c": celsius(text, where)},
    "gauges": lambda _, text, where: {"gauges": _yes(text, where)},
    "at": _plain("place"),
    "opened": _listed("opened"),
    "closed": _unlisted("opened"),
    "false_cause": _listed("false_causes"),
    "no_false_cause": _unlisted("false_causes"),
    "matters": _matters,
}


def read_facts(so_far: Given, told: Iterable[tuple[str, str, str]], catalogue: Catalogue) -> dict[str, Any]:
    """The facts that ``told`` (name, text, where) changes, as plain data; each builds on those before it.

    Raises:
        InputError: an unknown fact, a quantity that cannot be read, or a word that is not allowed.
    """
    changed: dict[str, Any] = {}
    for name, text, where in told:
        reader = READERS[known(name.replace("-", "_"), READERS, what="fact", where=where)]
        changed |= reader({**so_far, **changed}, text.strip(), where)
        if name == "false_cause":
            causes = {cause.id for method in catalogue.methods.values() for cause in method.false_causes}
            known(text.strip(), sorted(causes), what="false cause", where=where)
    return changed


def pair(text: str, where: str) -> tuple[str, str, str]:
    """``NAME=VALUE`` as name, value and where it stands."""
    name, equals, value = text.partition("=")
    if not equals or not value.strip():
        allowed = f"NAME=VALUE, NAME: {', '.join(READERS)}"
        raise InputError(f"cannot read '{text}' as a fact", where=where, allowed=allowed)
    return name.strip(), value, f"{where} {name.strip()}"

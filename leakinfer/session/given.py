"""What a person types about a job, as facts: ``age=11 years``, ``loss=0.5 kg/18 months``, ``air=wind``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date
from typing import Any, TypeAlias, get_args

from leakinfer.catalogue.model import Catalogue, Tier
from leakinfer.circuit.conditions import State
from leakinfer.circuit.model import WHOLE
from leakinfer.errors import InputError
from leakinfer.physics.units import YEAR, Dimension, kelvin_to_celsius, kg_s_to_g_per_year, parse_quantity
from leakinfer.reading import known

Given: TypeAlias = Mapping[str, Any]  # facts by name, as plain data
Reader: TypeAlias = Callable[[Given, str, str], dict[str, Any]]  # facts so far, the text, where it stands

STATES: tuple[State, ...] = get_args(State)
AIRS = ("still", "breeze", "wind")
TIERS: tuple[Tier, ...] = get_args(Tier)
NOTHING = "none"
OF_A_STATE = {"test_kpa": 0.0, "test_isolation": None, "high_kpa": None, "low_kpa": None}  # end with it
FIRST = {"state": 0, "heating": 1}  # read before the pressures of the new state


def years(text: str, where: str) -> float:
    """A time in years."""
    return parse_quantity(text, "time", where) / YEAR


def celsius(text: str, where: str) -> float:
    """A temperature in C; Kelvin's binary rounding is taken off."""
    return round(kelvin_to_celsius(parse_quantity(text, "temperature", where)), 9)


def kpa(text: str, where: str) -> float:
    """A gauge pressure in kPa; a definition's binary rounding is taken off."""
    return round(parse_quantity(text, "gauge_pressure", where) / 1000, 9)


def litres(text: str, where: str) -> float:
    """A volume in litres."""
    return round(parse_quantity(text, "volume", where) * 1000, 9)


def minutes(text: str, where: str) -> float:
    """A time in minutes."""
    return parse_quantity(text, "time", where) / 60


def day_of(text: str, where: str) -> date:
    """A day written as 2025-03-01.

    Raises:
        InputError: it is no such day.
    """
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f"'{text}' is no day", where=where, allowed="year-month-day, as 2025-03-01") from None


def dated_mass(text: str, where: str) -> tuple[date, float]:
    """``2025-03-01=10 lb`` as day and kg.

    Raises:
        InputError: a day or a mass that is not usable.
    """
    day, equals, mass = text.partition("=")
    if not equals:
        raise InputError(f"cannot read '{text}'", where=where, allowed="day=mass, as 2025-03-01=10lb")
    return day_of(day, where), parse_quantity(mass, "mass", where)


def loss(text: str, where: str) -> dict[str, float] | None:
    """A loss with its interval, ``0.5 kg/18 months``; ``none`` forgets it."""
    if text == NOTHING:
        return None
    kg, slash, over = text.partition("/")
    if not slash:
        raise InputError(f"cannot read '{text}' as a loss", where=where, allowed="a mass / a time, as 0.5 kg/18 months")
    return {"kg": parse_quantity(kg, "mass", where), "years": years(over, where)}


def yes(text: str, where: str) -> bool:
    """``on`` or ``yes`` as true."""
    return known(text.lower(), ("on", "off", "yes", "no"), what="answer", where=where) in ("on", "yes")


def _plain(name: str) -> Reader:
    return lambda _, text, where: {name: text}


def _of(name: str, choices: tuple[str, ...]) -> Reader:
    return lambda _, text, where: {name: known(text, choices, what=name, where=where)}


def _quantity(name: str, dimension: Dimension) -> Reader:
    return lambda _, text, where: {name: parse_quantity(text, dimension, where)}


def _or_nothing(name: str, read: Callable[[str, str], float], nothing: float | None = None) -> Reader:
    """A number; the word ``none`` forgets it."""
    return lambda _, text, where: {name: nothing if text == NOTHING else read(text, where)}


def _state(so_far: Given, text: str, where: str) -> dict[str, Any]:
    """Another state: gauge readings, test pressure and what it was shut into hold no more."""
    state = known(text, STATES, what="state", where=where)
    if so_far.get("state") in (None, state):
        return {"state": state}
    return {"state": state, "heating": False, **OF_A_STATE}


def _heating(so_far: Given, text: str, where: str) -> dict[str, Any]:
    """Heating or cooling; turned round, the gauges show something else."""
    heats = yes(text, where)
    if heats == so_far.get("heating", False):
        return {"heating": heats}
    return {"heating": heats, "high_kpa": None, "low_kpa": None}


def _isolated(_: Given, text: str, where: str) -> dict[str, Any]:
    return {"test_isolation": None if text in (NOTHING, WHOLE) else text}


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
    "charge_weighed": lambda _, text, where: {"first_charge_weighed": yes(text, where)},
    "age": lambda _, text, where: {"age_years": years(text, where)},
    "loss": lambda _, text, where: {"loss": loss(text, where)},
    "tight_ago": lambda _, text, where: {"tight_years_ago": None if text == NOTHING else years(text, where)},
    "seen": _circumstance(True),
    "not_there": _circumstance(False),
    "maybe": _circumstance(None),
    "not_fitted": _listed("not_fitted"),
    "fitted": _unlisted("not_fitted"),
    "state": _state,
    "heating": _heating,
    "test": _or_nothing("test_kpa", kpa, 0.0),
    "isolated": _isolated,
    "high": _or_nothing("high_kpa", kpa),
    "low": _or_nothing("low_kpa", kpa),
    "air": _of("air", AIRS),
    "outdoor": lambda _, text, where: {"outdoor_c": celsius(text, where)},
    "indoor": lambda _, text, where: {"indoor_c": celsius(text, where)},
    "gauges": lambda _, text, where: {"gauges": yes(text, where)},
    "untried_operator": lambda _, text, where: {"untried_operator": yes(text, where)},
    "at": _plain("place"),
    "opened": _listed("opened"),
    "closed": _unlisted("opened"),
    "false_cause": _listed("false_causes"),
    "no_false_cause": _unlisted("false_causes"),
    "matters": _matters,
    "rating_high": _or_nothing("rating_high_kpa", kpa),
    "rating_low": _or_nothing("rating_low_kpa", kpa),
    "volume": _or_nothing("volume_l", litres),
    "consent": _of("consent", TIERS),
    "time_left": _or_nothing("minutes_left", minutes),
    "not_on_van": _listed("not_on_van"),
    "on_van": _unlisted("not_on_van"),
    "in_place": _listed("aids"),
    "not_in_place": _unlisted("aids"),
    "noticed": _listed("seen"),
    "not_noticed": _unlisted("seen"),
}


def read_facts(so_far: Given, told: Iterable[tuple[str, str, str]], catalogue: Catalogue) -> dict[str, Any]:
    """The facts that ``told`` (name, text, where) changes, as plain data; each builds on those before it, a new state
    first.

    Raises:
        InputError: an unknown fact, a quantity that cannot be read, or a word that is not allowed.
    """
    changed: dict[str, Any] = {}
    for name, text, where in sorted(told, key=lambda fact: FIRST.get(fact[0], len(FIRST))):
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

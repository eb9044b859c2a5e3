"""Which systems people call about, and what a technician knows at the door: ``priors/study.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any

import numpy as np
from msgspec import Meta, structs

from leakinfer.catalogue.checking import by_id
from leakinfer.catalogue.model import Sourced, Value
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import System
from leakinfer.circuit.rack import RACK_STORE
from leakinfer.errors import InputError
from leakinfer.physics.refrigerants import refrigerant
from leakinfer.reading import NotNegative, Probability, Text, known, read_toml, shipped

STUDY = shipped("priors", "study.toml")
SUM = 1e-9  # by which shares may miss 1
AGE_STEPS = 10  # ages and years are told in tenths
CHARGE_STEPS = 20  # charges in twentieths of a kg


class Span(Value, frozen=True):
    """A triangular distribution."""

    least: float
    likely: float
    most: float

    def draw(self, rng: np.random.Generator) -> float:
        """One value."""
        if self.least == self.most:
            return self.least
        return float(rng.triangular(self.least, self.likely, self.most))


class Age(Sourced, frozen=True):
    """Years since installation, of the systems that people call about."""

    years: Span


class ChargeRight(Sourced, frozen=True):
    """Years since the charge was last known to be right: all of the age, or since a top-up."""

    never_topped_up: Probability
    years: Span


class FirstCharge(Sourced, frozen=True):
    """Share of first charges that were weighed in."""

    weighed: Probability


class Refrigerants(Sourced, frozen=True):
    """Shares of the refrigerants."""

    shares: dict[str, NotNegative]


class Weather(Sourced, frozen=True):
    """Shares of the air at outdoor places, and temperatures, C."""

    still: Probability
    breeze: Probability
    wind: Probability
    outdoor_c: Span
    indoor_c: Span


class Seen(Sourced, frozen=True):
    """Exposures that can be known at the door, and the share of jobs in which each of their circumstances is."""

    exposures: tuple[Text, ...]
    share: Probability


class Consent(Sourced, frozen=True):
    """Shares of the tiers that customers agree to."""

    quick: Probability
    standard: Probability
    intrusive: Probability


class Van(Sourced, frozen=True):
    """By tool, the chance that it is not on the van."""

    missing: dict[str, Probability]


class Call(Sourced, frozen=True):
    """The customer calls when the loss as it was read is at least this share of the charge."""

    least_share: Annotated[float, Meta(gt=0, lt=1)]


class Population(Value, frozen=True):
    """The systems of one type that people call about."""

    age: Age
    charge_right: ChargeRight
    first_charge: FirstCharge
    refrigerant: Refrigerants
    weather: Weather
    seen: Seen
    consent: Consent
    van: Van
    call: Call


class Differs(Value, frozen=True):
    """What differs for one type of system."""

    id: Text
    age: Age | None = None
    charge_right: ChargeRight | None = None
    first_charge: FirstCharge | None = None
    refrigerant: Refrigerants | None = None
    weather: Weather | None = None
    seen: Seen | None = None
    consent: Consent | None = None
    van: Van | None = None
    call: Call | None = None


class Readings(Sourced, frozen=True):
    """How the technician of a study reads holds and gatherings.

    ``middle_share``: of the time of a vacuum's rise, when it is read once more; ``hold_change_k``: standard deviation
    of the change of the pipe's temperature over a hold; ``room_ppm``: refrigerant in the air before it is wrapped.
    """

    middle_share: Probability
    hold_change_k: NotNegative
    room_ppm: NotNegative


class StudyFile(Value, frozen=True):
    """``study.toml``. ``truth``: read by :mod:`leakinfer.study.world.truths`."""

    population: Population
    reading: Readings
    truth: tuple[dict[str, Any], ...]
    system: tuple[Differs, ...] = ()


@cache
def load_study() -> StudyFile:
    """The shipped file, read once.

    Raises:
        InputError: naming the file, the key and what is allowed.
    """
    file = read_toml(STUDY, StudyFile)
    for name in ("", *by_id(file.system, f"{STUDY}: system")):
        check_population(_of(file, name), f"{STUDY}: {name or 'population'}")
    return file


def population_of(system_id: str) -> Population:
    """The population of a type of system."""
    return _of(load_study(), RACK_STORE if system_id.startswith(RACK_STORE) else system_id)


def _of(file: StudyFile, system_id: str) -> Population:
    for differs in file.system:
        if differs.id == system_id:
            own = {name: value for name, value in structs.asdict(differs).items() if name != "id" and value is not None}
            return structs.replace(file.population, **own)
    return file.population


def check_population(population: Population, where: str) -> None:
    """Refuse spans that are out of order, shares that do not sum to 1, and names that the shipped files do not have.

    Raises:
        InputError: naming ``where``, the key and what is allowed.
    """
    weather, consent = population.weather, population.consent
    spans = {
        "age: years": (population.age.years, 0.0),
        "charge_right: years": (population.charge_right.years, 0.01),
        "weather: outdoor_c": (weather.outdoor_c, -40.0),
        "weather: indoor_c": (weather.indoor_c, -40.0),
    }
    for key, (span, least) in spans.items():
        if not least <= span.least <= span.likely <= span.most < np.inf:
            what = f"{span.least:g}, {span.likely:g}, {span.most:g}"
            raise InputError(what, where=f"{where}: {key}", allowed=f"{least:g} <= least <= likely <= most")
    catalogue = load_catalogue()
    for exposure in population.seen.exposures:
        known(exposure, catalogue.exposures, what="exposure", where=f"{where}: seen: exposures")
    for tool in population.van.missing:
        known(tool, catalogue.tools, what="tool", where=f"{where}: van: missing")
    for name in population.refrigerant.shares:
        refrigerant(name, where=f"{where}: refrigerant: shares")
    shares = {
        "refrigerant: shares": population.refrigerant.shares.values(),
        "weather": (weather.still, weather.breeze, weather.wind),
        "consent": (consent.quick, consent.standard, consent.intrusive),
    }
    for key, values in shares.items():
        if abs(sum(values) - 1) > SUM:
            raise InputError(f"shares sum to {sum(values):g}", where=f"{where}: {key}", allowed="1")


def draw_facts(population: Population, system: System, rng: np.random.Generator) -> dict[str, Any]:
    """What is known at the door of one job, but for circumstances; ``loss`` without its amount."""
    weather, consent = population.weather, population.consent
    age = max(round(population.age.years.draw(rng) * AGE_STEPS), 1) / AGE_STEPS
    topped_up = rng.random() >= population.charge_right.never_topped_up
    since = min(round(population.charge_right.years.draw(rng), 2), age)
    charge = Span(system.charge.low, system.charge.typical, system.charge.high).draw(rng)
    usual = {name: share for name, share in population.refrigerant.shares.items() if name in system.refrigerants}
    return {
        "age_years": age,
        "loss": {"kg": 0.0, "years": since if topped_up else age},
        "charge_kg": max(round(charge * CHARGE_STEPS), 1) / CHARGE_STEPS,
        "first_charge_weighed": bool(rng.random() < population.first_charge.weighed),
        "refrigerant": _pick(usual or {system.refrigerants[0]: 1.0}, rng),
        "air": _pick({name: getattr(weather, name) for name in ("still", "breeze", "wind")}, rng),
        "outdoor_c": round(weather.outdoor_c.draw(rng)),
        "indoor_c": round(weather.indoor_c.draw(rng)),
        "consent": _pick({name: getattr(consent, name) for name in ("quick", "standard", "intrusive")}, rng),
        "not_on_van": tuple(tool for tool, share in population.van.missing.items() if rng.random() < share),
    }


def _pick(shares: Mapping[str, float], rng: np.random.Generator) -> str:
    """One name by its share."""
    names, weights = list(shares), np.array(list(shares.values()))
    return names[int(np.searchsorted(np.cumsum(weights), rng.random() * weights.sum(), side="right"))]

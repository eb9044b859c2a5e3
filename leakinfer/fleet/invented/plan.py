"""What an invented fleet looks like, apart from how it leaks: ``data_demo/fleet/invented.toml``."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta

from leakinfer.catalogue.model import Catalogue, Sourced, Value
from leakinfer.circuit.model import System
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.reading import NotNegative, Positive, Probability, Text, known, read_toml, shipped

Few = Annotated[int, Meta(ge=0, le=100_000)]


class Plan(Sourced, frozen=True):
    """The systems, their visits and what is written down. Times in years; the comments of the file say what each is.

    ``classes``: only sites of these component classes, empty for all but ``without``. ``backlog``: what leaks when the
    record of a system that was taken over begins has ``grown`` by the rates since it was built, or is ``drawn`` from
    the truth's backlog, as a fit supposes.
    """

    systems: Annotated[int, Meta(ge=1)]
    types: dict[str, Positive]
    usual_refrigerant: Probability
    refrigerant_unsaid: Probability
    end: date
    record_years: tuple[Positive, Positive]
    taken_over: Probability
    older_years: tuple[Positive, Positive]
    tight_then: Probability
    backlog: Literal["grown", "drawn"]
    until_said: Probability
    visit_years: Positive
    visit_log_sd: NotNegative
    visit_shape: Positive
    searched: Probability
    unsaid: Probability
    installers: Few
    installer_weight: Positive
    installer_unsaid: Probability
    technicians: Annotated[int, Meta(ge=1, le=1000)]
    looked: Probability
    together: bool
    dated: tuple[Text, ...]
    changes: Probability
    mended: Probability
    renewed: Probability
    exchanged: Probability
    small_leaks_stop: bool
    fails: NotNegative
    held_said: Probability
    class_only: Probability
    writes: Probability
    tested: Probability
    tested_leaking: Probability
    methods: dict[str, Probability]
    again: Probability
    opened: tuple[Probability, Probability]
    classes: tuple[Text, ...] = ()
    without: tuple[Text, ...] = ()


class MildComponent(Value, frozen=True):
    """A class that differs: factors on its shipped rate and size."""

    id: Text
    why: Text
    rate: Positive = 1.0
    size: Positive = 1.0


class MildExposure(Value, frozen=True):
    """A circumstance that differs: a factor on its hazard ratio, and its prevalence."""

    id: Text
    why: Text
    ratio: Positive = 1.0
    prevalence: Probability | None = None


class MildType(Value, frozen=True):
    """A type of system that differs."""

    id: Text
    why: Text
    factor: Positive


class MildInstaller(Value, frozen=True):
    """An installer who differs: his factor."""

    id: Text
    why: Text
    factor: Positive


class MildMethod(Value, frozen=True):
    """A method that differs: factors on its shipped numbers."""

    id: Text
    why: Text
    rate50: Positive = 1.0
    lapse: Positive = 1.0


class Mild(Sourced, frozen=True):
    """How the fleet of the demonstration differs from the shipped numbers: a little everywhere, and here and there."""

    rate_log_sd: NotNegative
    weibull_log_sd: NotNegative
    size_median_log_sd: NotNegative
    ratio_log_sd: NotNegative
    found: Probability
    found_logit_sd: NotNegative
    installer_log_sd: NotNegative
    workmanship_log_sd: NotNegative
    unknown_visit: Probability
    placed: Probability
    before_written: Probability
    measured: Probability
    component: tuple[MildComponent, ...] = ()
    exposure: tuple[MildExposure, ...] = ()
    type: tuple[MildType, ...] = ()
    installer: tuple[MildInstaller, ...] = ()
    method: tuple[MildMethod, ...] = ()


class InventedFile(Value, frozen=True):
    """The whole file."""

    plan: Plan
    mild: Mild


@cache
def load_invented(path: Path | None = None) -> InventedFile:
    """The plan and the mild differences of a file, or the shipped ones.

    Raises:
        InputError: naming the file and the key.
    """
    where = path or shipped("data_demo", "fleet", "invented.toml")
    read = read_toml(where, InventedFile)
    if read.plan.searched + read.plan.unsaid > 1:
        raise InputError("searched and unsaid are more than 1 together", where=f"{where}: plan", allowed="at most 1")
    return read


def systems_of(plan: Plan) -> tuple[System, ...]:
    """The system files of the plan's types, in order of id.

    Raises:
        InputError: no such type.
    """
    return tuple(load_system(name) for name in sorted(plan.types))


def takes(plan: Plan, component: str) -> bool:
    """Whether the plan's tables list sites of a component class."""
    return component in plan.classes if plan.classes else component not in plan.without


def scope_of(plan: Plan, catalogue: Catalogue) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Component classes, circumstances and types of system that can occur, each sorted.

    Raises:
        InputError: a class, circumstance or method that the catalogue does not have.
    """
    for names, choices, what in (
        ((*plan.classes, *plan.without), catalogue.components, "component"),
        (plan.dated, catalogue.exposures, "exposure"),
        (tuple(plan.methods), catalogue.methods, "method"),
    ):
        for name in names:
            known(name, choices, what=what, where="plan")
    classes: set[str] = set()
    exposures: set[str] = set()
    for system in systems_of(plan):
        sites = {site.id: site for site in system.sites if takes(plan, site.component)}
        classes |= {site.component for site in sites.values()}
        exposures |= {name for site in sites.values() for name in site.exposures}
        exposures |= {each.exposure for each in system.circumstances if any(site in sites for site in each.sites)}
    return tuple(sorted(classes)), tuple(sorted(exposures)), tuple(sorted(plan.types))

"""Checks of what was read from a ``priors/`` folder: names that exist, grades in order, states that can be reached."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Protocol, TypeVar

from leakinfer.catalogue.model import Advice, Catalogue, Method, Repair, SetUp, SharedUnknown, SizeGrid
from leakinfer.errors import InputError
from leakinfer.reading import known

ID = re.compile(r"[a-z][a-z0-9_]*")


class HasId(Protocol):
    """Anything with an id."""

    @property
    def id(self) -> str:
        """The id."""
        ...


H = TypeVar("H", bound=HasId)


def by_id(parts: Iterable[H], where: str) -> dict[str, H]:
    """Parts by id.

    Raises:
        InputError: an id that is used twice or is no plain word.
    """
    found: dict[str, H] = {}
    for part in parts:
        if not ID.fullmatch(part.id):
            allowed = "small letters, digits and _, a letter first"
            raise InputError(f"id {part.id!r} is not usable", where=where, allowed=allowed)
        if part.id in found:
            raise InputError(f"id '{part.id}' is used twice", where=where, allowed="each id once")
        found[part.id] = part
    return found


def by_component(repairs: Sequence[Repair], where: str) -> dict[str, Repair]:
    """Repairs by component class.

    Raises:
        InputError: two for one class.
    """
    _check_unique([repair.component for repair in repairs], where)
    return {repair.component: repair for repair in repairs}


def check_finite(value: Any, file: str, key: str = "") -> None:
    """Refuse ``inf`` and ``nan``, which TOML knows: no number of a catalogue may be either."""
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError(f"{value} is not a usable number", where=f"{file}: {key}", allowed="a finite number")
    if isinstance(value, dict):
        for name, part in value.items():
            check_finite(part, file, f"{key}.{name}" if key else name)
    elif isinstance(value, (list, tuple)):
        for place, part in enumerate(value):
            check_finite(part, file, f"{key}[{place}]")


def check_catalogue(catalogue: Catalogue, folder: Path) -> None:
    """Refuse a catalogue whose parts do not fit together; ``folder`` names its files in the error.

    Raises:
        InputError: naming the file, the key and what was expected.
    """
    file = {name: str(folder / f"{name}.toml") for name in ("settings", "shared", "methods", "setups", "repairs")}
    _check_sizes(catalogue.sizes, f"{file['settings']}: sizes")
    for unknown in catalogue.shared.values():
        _check_names(unknown.classes, catalogue.components, "component class", f"{_at(file, unknown)}.classes")
    for setup in catalogue.setups.values():
        _check_setup(setup, catalogue, _at(file, setup))
    for method in catalogue.methods.values():
        _check_method(method, catalogue, _at(file, method))
    _check_repairs(catalogue, file["repairs"])
    for advice in catalogue.advice.values():
        _check_advice(advice, catalogue, f"{folder / 'advice.toml'}: {advice.id}")


def _at(file: dict[str, str], part: SharedUnknown | SetUp | Method) -> str:
    kinds = {SharedUnknown: "shared", SetUp: "setups", Method: "methods"}
    return f"{file[kinds[type(part)]]}: {part.id}"


def _check_unique(names: Sequence[str], where: str) -> None:
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"'{name}' is used twice", where=where, allowed="each name once")


def _check_names(names: Sequence[str], choices: Iterable[str], what: str, where: str) -> None:
    """Each name once, and each one of ``choices``."""
    _check_unique(names, where)
    choices = list(choices)
    for name in names:
        known(name, choices, what=what, where=where)


def _check_sizes(sizes: SizeGrid, where: str) -> None:
    if sizes.greatest <= sizes.least:
        raise InputError(f"greatest {sizes.greatest:g}", where=where, allowed=f"above least, {sizes.least:g}")


def _check_setup(setup: SetUp, catalogue: Catalogue, where: str) -> None:
    """A change of state says from where and to where; an aid leaves the state as it is."""
    _check_names(setup.tools, catalogue.tools, "tool", f"{where}.tools")
    _check_unique(setup.from_states, f"{where}.from_states")
    if (setup.to is None) != (not setup.from_states):
        given = "to" if setup.to else "from_states"
        raise InputError(f"only {given} given", where=where, allowed="both from_states and to, or, for an aid, neither")
    if setup.to in setup.from_states:
        raise InputError(f"leads from {setup.to} to itself", where=f"{where}.from_states", allowed="another state")
    if setup.empties and setup.to is None:
        raise InputError("an aid that empties the system", where=where, allowed="empties only with from_states and to")


def _check_method(method: Method, catalogue: Catalogue, where: str) -> None:
    _check_grades(method, where)
    _check_air(method, where)
    _check_states(method, where)
    _check_setups(method, catalogue, where)
    if method.kind == "total" and method.relative_error == method.absolute_error_g == 0:
        raise InputError("a total without error", where=where, allowed="relative_error or absolute_error_g above 0")
    if method.reach_of:
        known(method.reach_of, catalogue.methods, what="method", where=f"{where}.reach_of")
    _check_false_causes(method, where)
    for name, technique in method.techniques.items():
        spot = f"{where}.techniques.{name}"
        known(name, catalogue.components, what="component class", where=spot)
        if not technique.possible and not technique.spoils:
            raise InputError("possible = false without a reason", where=spot, allowed="spoils that says why")


def _check_states(method: Method, where: str) -> None:
    """At least one state, each once; a hold is made under pressure of a test gas or under vacuum, not both."""
    _check_unique(method.states, f"{where}.states")
    if not method.states:
        raise InputError("no state given", where=f"{where}.states", allowed="running, standing")
    if method.kind == "hold" and not (set(method.states) <= {"nitrogen", "tracer"} or method.states == ("vacuum",)):
        raise InputError(
            f"a hold in {', '.join(method.states)}", where=f"{where}.states", allowed="nitrogen and tracer, or vacuum"
        )


def _check_setups(method: Method, catalogue: Catalogue, where: str) -> None:
    """Tools exist; what a method needs or is aided by is a set-up that leaves the state as it is."""
    _check_names(method.tools, catalogue.tools, "tool", f"{where}.tools")
    aids = [name for name, setup in catalogue.setups.items() if setup.to is None]
    _check_names(method.needs, aids, "aid", f"{where}.needs")
    _check_names(method.aided_by, aids, "aid", f"{where}.aided_by")


def _grades_wanted(method: Method) -> int | None:
    """How many grades a kind must have; None where it is free."""
    return 1 if method.kind in ("exposure", "hold", "gather") else None


def _check_grades(method: Method, where: str) -> None:
    """Grades run from the weakest to the strongest: ever larger leaks, and ever fewer false alarms.

    Slopes are equal: curves of different slope cross, and a stronger outcome would be likelier than a weaker one.
    """
    if not method.grades:
        raise InputError("no grade given", where=f"{where}.grades", allowed="one or more")
    wanted, given = _grades_wanted(method), len(method.grades)
    if wanted is not None and given != wanted:
        raise InputError(f"{given} grades", where=f"{where}.grades", allowed=f"{wanted}, for kind {method.kind}")
    _check_unique([method.silent, *(grade.outcome for grade in method.grades)], f"{where}.grades")
    for weak, strong in pairwise(method.grades):
        spot = f"{where}.grades.{strong.outcome}"
        if strong.rate50 <= weak.rate50:
            raise InputError(f"rate50 {strong.rate50:g}", where=spot, allowed=f"above {weak.rate50:g}")
        if strong.false_alarm > weak.false_alarm:
            raise InputError(f"false_alarm {strong.false_alarm:g}", where=spot, allowed=f"up to {weak.false_alarm:g}")
        if strong.slope != weak.slope:
            raise InputError(f"slope {strong.slope:g}", where=spot, allowed=f"{weak.slope:g}, as of the weaker grade")


def _check_air(method: Method, where: str) -> None:
    """Either air does not matter, or all three kinds of air are given, relative to still air."""
    if not method.air:
        return
    spot = f"{where}.air"
    if len(method.air) != 3:
        raise InputError(f"only {', '.join(method.air)}", where=spot, allowed="still, breeze and wind, or none")
    if not method.air["still"] == 1.0 <= method.air["breeze"] <= method.air["wind"]:
        raise InputError("dividers do not rise from 1", where=spot, allowed="still = 1 <= breeze <= wind")


def _check_false_causes(method: Method, where: str) -> None:
    by_id(method.false_causes, f"{where}.false_causes")
    least = method.grades[0].false_alarm
    for cause in method.false_causes:
        if cause.false_alarm < least:
            spot = f"{where}.false_causes.{cause.id}"
            allowed = f"{least:g} to 1, no less than without the cause"
            raise InputError(f"false_alarm {cause.false_alarm:g}", where=spot, allowed=allowed)


def _check_repairs(catalogue: Catalogue, where: str) -> None:
    """One repair for every component class, each with a caution."""
    for name, repair in catalogue.repairs.items():
        known(name, catalogue.components, what="component class", where=where)
        if not repair.cautions:
            raise InputError("no caution given", where=f"{where}: {name}.cautions", allowed="one or more")
    for name in catalogue.components:
        if name not in catalogue.repairs:
            raise InputError(f"no repair for '{name}'", where=where, allowed="one for every component class")


def _check_advice(advice: Advice, catalogue: Catalogue, where: str) -> None:
    """It must be able to apply, and name what exists."""
    _check_names(advice.exposures, catalogue.exposures, "exposure", f"{where}.exposures")
    _check_names(advice.components, catalogue.components, "component class", f"{where}.components")
    if not (advice.exposures or advice.components or advice.told):
        raise InputError("would never apply", where=where, allowed="exposures, components, or told = true")

"""Reads a ``priors/`` folder as one checked :class:`Catalogue`."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterable, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Protocol, TypeVar

import msgspec
from msgspec import Meta

from leakinfer.catalogue.model import Catalogue, ComponentClass, Exposure, Method, SharedUnknown, SizeGrid, Value
from leakinfer.errors import InputError
from leakinfer.reading import Known, Text, known, read_toml, shipped

T = TypeVar("T", bound=Value)

ID = re.compile(r"[a-z][a-z0-9_]*")


class HasId(Protocol):
    """Anything with an id."""

    @property
    def id(self) -> str:
        """The id."""
        ...


H = TypeVar("H", bound=HasId)


class Number(Value, frozen=True):
    """One setting."""

    id: Text
    value: float
    unit: Text
    source: Text
    known: Known
    note: str = ""


class ComponentFile(Value, frozen=True):
    """``components.toml``."""

    component: Annotated[tuple[ComponentClass, ...], Meta(min_length=1)]


class ExposureFile(Value, frozen=True):
    """``exposures.toml``."""

    exposure: tuple[Exposure, ...] = ()


class SharedFile(Value, frozen=True):
    """``shared.toml``."""

    shared: tuple[SharedUnknown, ...] = ()


class MethodFile(Value, frozen=True):
    """``methods.toml``."""

    method: Annotated[tuple[Method, ...], Meta(min_length=1)]


class SettingsFile(Value, frozen=True):
    """``settings.toml``."""

    sizes: SizeGrid
    number: tuple[Number, ...] = ()


def load_catalogue(folder: Path | None = None) -> Catalogue:
    """The catalogue of a folder with the five files; without one, the shipped catalogue, read once.

    Raises:
        InputError: naming the file, the key and what was expected.
    """
    return _shipped() if folder is None else _load(folder)


@cache
def _shipped() -> Catalogue:
    return _load(shipped("priors"))


def _load(folder: Path) -> Catalogue:
    part = {name: folder / f"{name}.toml" for name in ("components", "exposures", "shared", "methods", "settings")}
    components = _by_id(_read(part["components"], ComponentFile).component, str(part["components"]))
    exposures = _by_id(_read(part["exposures"], ExposureFile).exposure, str(part["exposures"]))
    shared = _by_id(_read(part["shared"], SharedFile).shared, str(part["shared"]))
    methods = _by_id(_read(part["methods"], MethodFile).method, str(part["methods"]))
    settings = _read(part["settings"], SettingsFile)
    numbers = _by_id(settings.number, str(part["settings"]))
    _check_sizes(settings.sizes, f"{part['settings']}: sizes")
    for unknown in shared.values():
        _check_shared(unknown, components, f"{part['shared']}: {unknown.id}.classes")
    for method in methods.values():
        _check_method(method, components, f"{part['methods']}: {method.id}")
    digest = _digest([settings.sizes, components, exposures, shared, methods, numbers])
    values = {name: number.value for name, number in numbers.items()}
    return Catalogue(settings.sizes, components, exposures, shared, methods, values, digest)


def _digest(content: Sequence[Any]) -> str:
    """SHA-256 of the content, whatever the order of its tables and keys, without comments and layout."""
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()


def _read(path: Path, kind: type[T]) -> T:
    value = read_toml(path, kind)
    _check_finite(msgspec.to_builtins(value), str(path), "")
    return value


def _check_finite(value: Any, file: str, key: str) -> None:
    """TOML knows ``inf`` and ``nan``; no number of a catalogue may be either."""
    if isinstance(value, float) and not math.isfinite(value):
        raise InputError(f"{value} is not a usable number", where=f"{file}: {key}", allowed="a finite number")
    if isinstance(value, dict):
        for name, part in value.items():
            _check_finite(part, file, f"{key}.{name}" if key else name)
    elif isinstance(value, (list, tuple)):
        for place, part in enumerate(value):
            _check_finite(part, file, f"{key}[{place}]")


def _by_id(parts: Iterable[H], where: str) -> dict[str, H]:
    found: dict[str, H] = {}
    for part in parts:
        if not ID.fullmatch(part.id):
            allowed = "small letters, digits and _, a letter first"
            raise InputError(f"id {part.id!r} is not usable", where=where, allowed=allowed)
        if part.id in found:
            raise InputError(f"id '{part.id}' is used twice", where=where, allowed="each id once")
        found[part.id] = part
    return found


def _check_unique(names: Sequence[str], where: str) -> None:
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"'{name}' is used twice", where=where, allowed="each name once")


def _check_sizes(sizes: SizeGrid, where: str) -> None:
    if sizes.greatest <= sizes.least:
        raise InputError(f"greatest {sizes.greatest:g}", where=where, allowed=f"above least, {sizes.least:g}")


def _check_shared(unknown: SharedUnknown, components: dict[str, ComponentClass], where: str) -> None:
    _check_unique(unknown.classes, where)
    for name in unknown.classes:
        known(name, components, what="component class", where=where)


def _check_method(method: Method, components: dict[str, ComponentClass], where: str) -> None:
    _check_grades(method, where)
    _check_air(method, where)
    _check_unique(method.states, f"{where}.states")
    if not method.states:
        raise InputError("no state given", where=f"{where}.states", allowed="running, standing")
    if method.kind == "total" and method.relative_error == method.absolute_error_g == 0:
        raise InputError("a total without error", where=where, allowed="relative_error or absolute_error_g above 0")
    _check_false_causes(method, where)
    for name, technique in method.techniques.items():
        spot = f"{where}.techniques.{name}"
        known(name, components, what="component class", where=spot)
        if not technique.possible and not technique.spoils:
            raise InputError("possible = false without a reason", where=spot, allowed="spoils that says why")


def _check_grades(method: Method, where: str) -> None:
    """Grades run from the weakest to the strongest: ever larger leaks, and ever fewer false alarms.

    Slopes are equal: curves of different slope cross, and a stronger outcome would be likelier than a weaker one.
    """
    if not method.grades:
        raise InputError("no grade given", where=f"{where}.grades", allowed="one or more")
    if method.kind == "exposure" and len(method.grades) != 1:
        raise InputError(f"{len(method.grades)} grades", where=f"{where}.grades", allowed="one, for kind exposure")
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
    _by_id(method.false_causes, f"{where}.false_causes")
    least = method.grades[0].false_alarm
    for cause in method.false_causes:
        if cause.false_alarm < least:
            spot = f"{where}.false_causes.{cause.id}"
            allowed = f"{least:g} to 1, no less than without the cause"
            raise InputError(f"false_alarm {cause.false_alarm:g}", where=spot, allowed=allowed)

"""Reads a ``priors/`` folder as one checked :class:`Catalogue`."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec
from msgspec import Meta

from leakinfer.catalogue.checking import by_component, by_id, check_catalogue, check_finite
from leakinfer.catalogue.model import (
    Advice,
    Catalogue,
    ComponentClass,
    Exposure,
    Method,
    Repair,
    SetUp,
    SharedUnknown,
    SizeGrid,
    Tool,
    Value,
)
from leakinfer.reading import Known, Text, read_toml, shipped

T = TypeVar("T", bound=Value)


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


class SetUpFile(Value, frozen=True):
    """``setups.toml``."""

    tool: tuple[Tool, ...] = ()
    setup: tuple[SetUp, ...] = ()


class RepairFile(Value, frozen=True):
    """``repairs.toml``."""

    repair: Annotated[tuple[Repair, ...], Meta(min_length=1)]


class AdviceFile(Value, frozen=True):
    """``advice.toml``."""

    advice: tuple[Advice, ...] = ()


class SettingsFile(Value, frozen=True):
    """``settings.toml``."""

    sizes: SizeGrid
    number: tuple[Number, ...] = ()


def load_catalogue(folder: Path | None = None) -> Catalogue:
    """The catalogue of a folder with the eight files; without one, the shipped catalogue, read once.

    Raises:
        InputError: naming the file, the key and what was expected.

    Example:
        >>> from leakinfer import load_catalogue
        >>> catalogue = load_catalogue()
        >>> catalogue.methods["bubbles"].silent
        'none'
        >>> flare = catalogue.components["flare"].hazard
        >>> flare.unit, flare.known
        ('1/component-year', 'judgement')
    """
    return _shipped() if folder is None else _load(folder)


@cache
def _shipped() -> Catalogue:
    return _load(shipped("priors"))


def _load(folder: Path) -> Catalogue:
    setups = _read(folder, "setups", SetUpFile)
    settings = _read(folder, "settings", SettingsFile)
    numbers = by_id(settings.number, str(folder / "settings.toml"))
    parts: dict[str, Any] = {
        "sizes": settings.sizes,
        "components": by_id(_read(folder, "components", ComponentFile).component, str(folder / "components.toml")),
        "exposures": by_id(_read(folder, "exposures", ExposureFile).exposure, str(folder / "exposures.toml")),
        "shared": by_id(_read(folder, "shared", SharedFile).shared, str(folder / "shared.toml")),
        "methods": by_id(_read(folder, "methods", MethodFile).method, str(folder / "methods.toml")),
        "tools": by_id(setups.tool, f"{folder / 'setups.toml'}: tool"),
        "setups": by_id(setups.setup, f"{folder / 'setups.toml'}: setup"),
        "repairs": by_component(_read(folder, "repairs", RepairFile).repair, str(folder / "repairs.toml")),
        "advice": by_id(_read(folder, "advice", AdviceFile).advice, str(folder / "advice.toml")),
    }
    values = {name: number.value for name, number in numbers.items()}
    catalogue = Catalogue(**parts, numbers=values, digest=_digest([*parts.values(), numbers]))
    check_catalogue(catalogue, folder)
    return catalogue


def _digest(content: Sequence[Any]) -> str:
    """SHA-256 of the content, whatever the order of its tables and keys, without comments and layout."""
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()


def _read(folder: Path, name: str, kind: type[T]) -> T:
    path = folder / f"{name}.toml"
    value = read_toml(path, kind)
    check_finite(msgspec.to_builtins(value), str(path))
    return value

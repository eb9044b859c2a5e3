"""Refrigerants and test gases as listed in ``priors/refrigerants.toml``: names, safety class, GWP, composition."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Annotated, Literal

from msgspec import Meta, Struct

from leakinfer.reading import Known, Positive, Text, known, read_toml, shipped

Fraction = Annotated[float, Meta(gt=0, lt=1)]
SafetyClass = Literal["A1", "A2L", "A2", "A3", "B1", "B2L", "B2", "B3"]


class Listed(Struct, frozen=True, forbid_unknown_fields=True):
    """An entry of the file; refuses keys it does not know."""


class Viscosity(Listed, frozen=True):
    """A fluid's own viscosity correlations, Pa s over K, where the property library's are known to be wrong.

    ``vapour``: polynomial, constant first. ``liquid``: A, B, C, D, E of E exp(A x^(1/3) + B x^(4/3)),
    x = (C - T)/(T - D).
    """

    vapour: tuple[float, ...]
    liquid: tuple[float, float, float, float, float]
    source: Text
    known: Known


class Refrigerant(Listed, frozen=True):
    """A refrigerant. ``composition``: property-library name -> parts of mass; empty for a single substance.

    ``gwp_ar4``, ``gwp_ar5``: kg CO2 a kg, 100 years. Viscosity errors: relative standard deviation.
    """

    name: Text
    coolprop: Text
    safety_class: SafetyClass
    gwp_ar4: Positive
    gwp_ar5: Positive
    vapour_viscosity_error: Fraction
    liquid_viscosity_error: Fraction
    aliases: tuple[Text, ...] = ()
    composition: dict[str, Positive] = {}
    viscosity: Viscosity | None = None

    @property
    def flammable(self) -> bool:
        """True for ASHRAE 34 flammability classes 2L, 2 and 3."""
        return self.safety_class[1:] != "1"


class Gas(Listed, frozen=True):
    """A gas used for testing. ``composition``: property-library name -> parts of volume."""

    name: Text
    composition: dict[str, Positive]
    viscosity_error: Fraction
    aliases: tuple[Text, ...] = ()


class RefrigerantSources(Listed, frozen=True):
    """Where the file's columns come from."""

    safety_class: Text
    composition: Text
    gwp: Text
    viscosity_error: Text
    known: Known


class RefrigerantFile(Listed, frozen=True):
    """The whole file."""

    sources: RefrigerantSources
    refrigerant: tuple[Refrigerant, ...]
    gas: tuple[Gas, ...]


@lru_cache(maxsize=1)
def load_refrigerants() -> RefrigerantFile:
    """The shipped list of refrigerants and test gases.

    Raises:
        InputError: the file is missing or wrong.
    """
    return read_toml(shipped("priors", "refrigerants.toml"), RefrigerantFile)


@lru_cache(maxsize=256)
def refrigerant(name: str, where: str = "refrigerant") -> Refrigerant:
    """The listed refrigerant of that name, in any spelling (``R-410A``, ``r410a``).

    Raises:
        InputError: unknown name; lists the refrigerants.
    """
    listed = {entry.name: entry for entry in load_refrigerants().refrigerant}
    return listed[proper_name(name, {key: entry.aliases for key, entry in listed.items()}, where)]


def bare(name: str) -> str:
    """A name without case, spaces and punctuation, for comparison."""
    return "".join(letter for letter in name.casefold() if letter.isalnum())


def proper_name(name: str, aliases: Mapping[str, tuple[str, ...]], where: str) -> str:
    """The proper name behind any spelling of it or of one of its ``aliases`` (proper name -> aliases).

    Raises:
        InputError: unknown name; lists the proper names.
    """
    spellings = {bare(spelling): proper for proper, spelling in _spellings(aliases)}
    return spellings.get(bare(name)) or known(name, list(aliases), what="fluid", where=where)


def _spellings(aliases: Mapping[str, tuple[str, ...]]) -> Iterable[tuple[str, str]]:
    return ((proper, spelling) for proper, others in aliases.items() for spelling in (proper, *others))

"""Reads ``priors/rules.toml``: the texts of the rules, their numbers, and what they need of refrigerants."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import date
from functools import cache
from pathlib import Path
from typing import Annotated, Literal, TypeAlias, TypeVar

from msgspec import Meta, Struct

from leakinfer.errors import InputError
from leakinfer.physics.refrigerants import Refrigerant, bare, load_refrigerants, proper_name
from leakinfer.physics.units import kg_to_pound, pound_to_kg
from leakinfer.reading import Known, NotNegative, Positive, Text, read_toml, shipped

SubstanceKind: TypeAlias = Literal["hfc", "hfo", "ozone", "other"]
ROUNDING = 1e-9  # relative; an amount typed in pounds or ounces still reaches the limit it equals


class Record(Struct, frozen=True, forbid_unknown_fields=True):
    """Any value of this package; refuses keys it does not know."""


class RuleText(Record, frozen=True):
    """A rule: where to read it, the day of its text, and the first day on which it applies."""

    id: Text
    title: Text
    where: Text
    dated: date
    applies_from: date
    source: Text
    known: Known
    note: str = ""

    @property
    def verify(self) -> str:
        """What a person must still do."""
        return f"verify: read {self.where} as in force today; this is taken from the text of {self.dated}"


class RuleNumber(Record, frozen=True):
    """One number of a rule; ``dated``: day of the text it was taken from."""

    id: Text
    value: NotNegative
    unit: Text
    source: Text
    known: Known
    dated: date
    note: str = ""


class Substance(Record, frozen=True):
    """A pure substance: the list it is in, and its GWP (kg CO2 a kg, 100 years)."""

    name: Text
    kind: SubstanceKind
    gwp: NotNegative
    source: Text
    known: Known
    aliases: tuple[Text, ...] = ()


class Mixture(Record, frozen=True):
    """A refrigerant that the list of refrigerants does not have; ``composition``: substance -> parts of mass."""

    name: Text
    composition: Annotated[dict[str, Positive], Meta(min_length=1)]
    source: Text
    known: Known
    aliases: tuple[Text, ...] = ()


class RuleFile(Record, frozen=True):
    """``priors/rules.toml``."""

    text: tuple[RuleText, ...]
    number: tuple[RuleNumber, ...]
    substance: tuple[Substance, ...]
    mixture: tuple[Mixture, ...] = ()


class Fluid(Record, frozen=True):
    """A refrigerant as the rules see it: mass share of each kind of substance, and GWP.

    ``gwp``: of the whole, kg CO2 a kg, 100 years. ``annex_gwp``: what its HFCs bring to it.
    """

    name: str
    shares: Mapping[SubstanceKind, float]
    gwp: float
    annex_gwp: float

    def share(self, *kinds: SubstanceKind) -> float:
        """Mass share of these kinds of substance, 0 to 1."""
        return math.fsum(self.shares.get(kind, 0.0) for kind in kinds)


class Book(Record, frozen=True):
    """The file by id."""

    texts: Mapping[str, RuleText]
    numbers: Mapping[str, RuleNumber]
    substances: Mapping[str, Substance]
    mixtures: Mapping[str, Mixture]

    def value(self, name: str) -> float:
        """A number in its own unit.

        Raises:
            InputError: it is missing.
        """
        if name not in self.numbers:
            raise InputError(f"number '{name}' is missing", where="rules", allowed="a number")
        return self.numbers[name].value

    def mass_kg(self, name: str) -> float:
        """A mass in kg, of a number in lb or kg.

        Raises:
            InputError: it is missing, or no mass.
        """
        value, unit = self.value(name), self.numbers[name].unit
        if unit not in ("lb", "kg"):
            raise InputError(f"number '{name}' is in {unit}", where="rules", allowed="lb, kg")
        return pound_to_kg(value) if unit == "lb" else value

    def text(self, name: str) -> RuleText:
        """A rule by id.

        Raises:
            InputError: it is missing.
        """
        if name not in self.texts:
            raise InputError(f"text '{name}' is missing", where="rules", allowed="a text")
        return self.texts[name]

    def fluid(self, name: str) -> Fluid:
        """The refrigerant of that name in any spelling, of the list of refrigerants or of this file.

        Raises:
            InputError: unknown name, or a component of which the rules' list is not known.
        """
        listed = {entry.name: entry for entry in load_refrigerants().refrigerant}
        entries: dict[str, Refrigerant | Substance | Mixture] = {**self.substances, **self.mixtures, **listed}
        aliases = {key: entry.aliases for key, entry in entries.items()}
        proper = proper_name(name, aliases, "refrigerant")
        if proper in listed:
            return self._listed(listed[proper])
        parts = self.mixtures[proper].composition if proper in self.mixtures else {proper: 1.0}
        return self._mixed(proper, parts, None)

    def _listed(self, entry: Refrigerant) -> Fluid:
        return self._mixed(entry.name, entry.composition or {entry.name: 1.0}, entry.gwp_ar4)

    def _mixed(self, name: str, parts: Mapping[str, float], gwp: float | None) -> Fluid:
        """A mixture by parts of mass; ``gwp``: its listed value, which wins over the mean of its parts."""
        total = math.fsum(parts.values())
        found = [(self._substance(part, name), amount / total) for part, amount in parts.items()]
        kinds = {substance.kind for substance, _ in found}
        shares = {kind: math.fsum(share for part, share in found if part.kind == kind) for kind in kinds}
        mean = math.fsum(part.gwp * share for part, share in found)
        whole = mean if gwp is None else gwp
        hfcs = math.fsum(part.gwp * share for part, share in found if part.kind == "hfc")
        return Fluid(name, shares, whole, whole if kinds == {"hfc"} else hfcs)

    def _substance(self, part: str, of: str) -> Substance:
        for substance in self.substances.values():
            if bare(substance.name) == bare(part):
                return substance
        raise InputError(f"'{part}' in {of} is in no list of the rules", where="rules", allowed="a listed substance")


class Cited(Record, frozen=True):
    """The words that every answer carries: which rule, where to read it, its date, and what to verify."""

    rule: str
    title: str
    where: str
    dated: date
    verify: str


T = TypeVar("T")


def load_rules(path: Path | None = None) -> Book:
    """The rules of a file; without one the shipped ones, read once.

    Raises:
        InputError: naming the file and the key.
    """
    return _shipped() if path is None else _load(path)


@cache
def _shipped() -> Book:
    return _load(shipped("priors", "rules.toml"))


def _load(path: Path) -> Book:
    file = read_toml(path, RuleFile)
    _check_finite(file, str(path))
    return Book(
        _once(((text.id, text) for text in file.text), f"{path}: text"),
        _once(((number.id, number) for number in file.number), f"{path}: number"),
        _once(((part.name, part) for part in file.substance), f"{path}: substance"),
        _once(((mixture.name, mixture) for mixture in file.mixture), f"{path}: mixture"),
    )


def _once(pairs: Iterable[tuple[str, T]], where: str) -> dict[str, T]:
    found: dict[str, T] = {}
    for key, value in pairs:
        if key in found:
            raise InputError(f"'{key}' is there twice", where=where, allowed="each once")
        found[key] = value
    return found


def _check_finite(file: RuleFile, where: str) -> None:
    """Refuse ``inf`` and ``nan``, which TOML knows."""
    values = {number.id: number.value for number in file.number} | {part.name: part.gwp for part in file.substance}
    for mixture in file.mixture:
        values |= {f"{mixture.name}: {part}": amount for part, amount in mixture.composition.items()}
    for key, value in values.items():
        if not math.isfinite(value):
            raise InputError(f"{value}", where=f"{where}: {key}", allowed="a finite number")


def reaches(value: float, limit: float) -> bool:
    """Whether a value is at a limit or above, rounding errors aside."""
    return value >= limit * (1 - ROUNDING)


def exceeds(value: float, limit: float) -> bool:
    """Whether a value is above a limit, rounding errors aside."""
    return value > limit * (1 + ROUNDING)


def amount(kg: float) -> str:
    """A mass for people: ``22.68 kg (50 lb)``."""
    return f"{kg:.2f} kg ({kg_to_pound(kg):.4g} lb)"

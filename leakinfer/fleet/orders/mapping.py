"""The mapping of a firm's work orders: which column is what, and which words mean what. A TOML file that people edit.

A file of ours, made by ``leakinfer fleet orders FILE --begin --mapping MAP``; each key is described below and in the
file itself. Names in ``columns`` are those in the firm's file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Annotated, Literal, TypeAlias

from msgspec import Meta, Struct

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.model import ELSEWHERE, System
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.reading import Text, known, read_toml

Meaning: TypeAlias = Literal[
    "found",
    "none_found",
    "searched",
    "not_searched",
    "repaired",
    "exchanged",
    "topped_up",
    "tight",
    "suspected",
    "named",
    "nothing",
]
Pattern: TypeAlias = re.Pattern[str]
MassUnit: TypeAlias = Literal["kg", "g", "lb", "oz"]


class Part(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """Any piece of a mapping; refuses keys it does not know."""


class FileForm(Part, frozen=True, omit_defaults=False):
    """How the firm's file is written.

    ``delimiter`` and ``encoding`` of a CSV file. ``dates``: forms of a day as Python's strptime takes them, the first
    that fits counts; days written 2026-03-14 are always read. ``decimal``: what parts the whole from the rest.
    ``nothing``: fields that mean the same as an empty one.
    """

    delimiter: Annotated[str, Meta(min_length=1, max_length=1)] = ","
    encoding: Text = "utf-8-sig"
    dates: tuple[Text, ...] = ()
    decimal: Literal[".", ","] = "."
    nothing: tuple[str, ...] = ("-", "n/a", "none", "?")


class Columns(Part, frozen=True, omit_defaults=False):
    """The firm's column for each of these; empty: there is none.

    ``order``: number of the work order; rows of one system and order, or of one day, are one visit. ``text``: free
    text, any number of columns. ``place``: what it names leaks, without a word that says so. ``searched``: whether a
    search was made, as ``words.yes`` and ``words.no`` say it. ``added``, ``recovered``: refrigerant put in, taken out.
    """

    system: Text
    date: Text
    order: str = ""
    type: str = ""
    commissioned: str = ""
    installer: str = ""
    refrigerant: str = ""
    charge: str = ""
    technician: str = ""
    searched: str = ""
    text: tuple[Text, ...] = ()
    place: str = ""
    added: str = ""
    recovered: str = ""


class Units(Part, frozen=True, omit_defaults=False):
    """The unit of masses that are written without one; None: such a mass is refused."""

    charge: MassUnit | None = None
    added: MassUnit | None = None
    recovered: MassUnit | None = None


class Split(Part, frozen=True, omit_defaults=False):
    """What parts sentences, each with its own word on what was done, and what parts the places in one sentence."""

    sentences: tuple[Text, ...] = (";", ". ", "|")
    places: tuple[Text, ...] = (",", " and ", "&", "+")


class Words(Part, frozen=True, omit_defaults=False):
    """What a column of yes and no holds, and which meanings make a place that is named a leak."""

    yes: tuple[Text, ...] = ("yes", "y", "x", "true", "1")
    no: tuple[Text, ...] = ("no", "n", "false", "0")
    leak_if: tuple[Meaning, ...] = ("found", "repaired")


class Record(Part, frozen=True, omit_defaults=False):
    """Since when and until when the file holds every visit of its systems; None: from a system's own first row to its
    last."""

    since: date | None = None
    until: date | None = None


class SystemType(Part, frozen=True):
    """A kind of system: the firm's ``words`` for it, and the system file that says which sites it has.

    Without words: all that no other type fits. ``not_fitted``: sites of the file that these systems lack.
    ``commissioned``: taken for those of which nobody wrote it down.
    """

    system: Text
    words: tuple[Text, ...] = ()
    not_fitted: tuple[Text, ...] = ()
    commissioned: date | None = None


class Phrase(Part, frozen=True):
    """Words of the firm and what they mean. Earlier phrases take their words first.

    ``words``: whole words, in either case; or ``regex``, whose group ``amount`` is refrigerant put in. What they name:
    the first of ``site`` or of ``unit`` (repair units) that the system has, else a ``component`` class. What they
    ``say``: see ``MEANINGS``.
    """

    words: tuple[Text, ...] = ()
    regex: str = ""
    site: tuple[Text, ...] = ()
    unit: tuple[Text, ...] = ()
    component: str = ""
    say: Meaning | Literal[""] = ""

    @property
    def names(self) -> bool:
        """Whether it names a place."""
        return bool(self.site or self.unit or self.component)


MEANINGS: dict[Meaning, str] = {
    "found": "a leak was found; where no place is named, the place is unknown",
    "none_found": "all of it was searched and nothing was found; of a place that is named, only that place",
    "searched": "all of it was searched; of a place that is named, only that place",
    "not_searched": "no search was made",
    "repaired": "what is named was repaired",
    "exchanged": "what is named was exchanged for a new one",
    "topped_up": "refrigerant was put in",
    "tight": "what is named was opened up or taken for a leak, and was tight",
    "suspected": "a leak was only suspected: what is named is none, whatever else is said of it",
    "named": "what is named was only looked at or spoken of",
    "nothing": "of no use here: the words are taken as understood",
}


class Mapping(Part, frozen=True, omit_defaults=False):
    """The whole file."""

    columns: Columns
    type: Annotated[tuple[SystemType, ...], Meta(min_length=1)]
    file: FileForm = FileForm()
    units: Units = Units()
    split: Split = Split()
    words: Words = Words()
    record: Record = Record()
    phrase: tuple[Phrase, ...] = ()


class Kind:
    """A type of system, ready for use: its fitted sites by id, and which of its repair units holds which."""

    def __init__(self, given: SystemType, where: str) -> None:
        self.given = given
        self.system: System = load_system(given.system)
        ids = [site.id for site in self.system.sites if site.component != ELSEWHERE]
        for name in given.not_fitted:
            known(name, ids, what="site", where=f"{where}: not_fitted")
        self.sites = {site.id: site for site in self.system.sites if site.id not in given.not_fitted}
        self.sides = {section.id: section.side for section in self.system.sections}

    @cached_property
    def units(self) -> dict[str, tuple[str, ...]]:
        """By repair unit, its sites."""
        units: dict[str, tuple[str, ...]] = {}
        for site in self.sites.values():
            units[site.unit] = (*units.get(site.unit, ()), site.id)
        return units

    @cached_property
    def of_class(self) -> dict[str, tuple[str, ...]]:
        """By component class, its sites."""
        classes: dict[str, tuple[str, ...]] = {}
        for site in self.sites.values():
            classes[site.component] = (*classes.get(site.component, ()), site.id)
        return classes

    @cached_property
    def exposures(self) -> dict[str, tuple[str, ...]]:
        """By site, the circumstances that can touch it, sorted."""
        touching: dict[str, set[str]] = {name: set(site.exposures) for name, site in self.sites.items()}
        for circumstance in self.system.circumstances:
            for name in circumstance.sites:
                touching.get(name, set()).add(circumstance.exposure)
        return {name: tuple(sorted(exposures)) for name, exposures in touching.items()}


class Dictionary:
    """A mapping ready for use: types of systems loaded, phrases compiled and checked.

    Raises:
        InputError: with the file and the key.
    """

    def __init__(self, mapping: Mapping, catalogue: Catalogue, where: str) -> None:
        self.mapping, self.where = mapping, where
        self.kinds = tuple(Kind(one, f"{where}: type {n}") for n, one in enumerate(mapping.type, start=1))
        self._types = [[worded(text) for text in one.words] for one in mapping.type]
        if sum(not one.words for one in mapping.type) > 1:
            raise InputError("two types without words", where=f"{where}: type", allowed="one, for all the others")
        self.patterns = tuple(
            self._compiled(phrase, f"{where}: phrase {n}", catalogue) for n, phrase in enumerate(mapping.phrase, 1)
        )
        self.sentences = _splitter(mapping.split.sentences)
        self.places = _splitter(mapping.split.places)

    def kind_of(self, text: str) -> Kind | None:
        """The type that a firm's word means: the first whose words are in it, else the one without words."""
        for kind, patterns in zip(self.kinds, self._types, strict=True):
            if any(pattern.search(text) for pattern in patterns):
                return kind
        return next((kind for kind in self.kinds if not kind.given.words), None)

    def _compiled(self, phrase: Phrase, where: str, catalogue: Catalogue) -> tuple[Pattern, ...]:
        if bool(phrase.words) == bool(phrase.regex):
            raise InputError("needs words or a regex", where=where, allowed="one of the two")
        if not phrase.names and not phrase.say:
            raise InputError("means nothing", where=where, allowed="site, unit, component or say")
        if phrase.component:
            known(phrase.component, catalogue.components, what="component class", where=f"{where}: component")
        for name in phrase.site:
            known(name, {site for kind in self.kinds for site in kind.sites}, what="site", where=f"{where}: site")
        for name in phrase.unit:
            known(name, {unit for kind in self.kinds for unit in kind.units}, what="unit", where=f"{where}: unit")
        if not phrase.regex:
            return tuple(worded(text) for text in phrase.words)
        try:
            return (re.compile(phrase.regex, re.IGNORECASE),)
        except re.error as error:
            raise InputError(str(error), where=f"{where}: regex", allowed="a regular expression") from error


def load_mapping(path: Path, catalogue: Catalogue) -> Dictionary:
    """A mapping file, checked.

    Raises:
        InputError: with the file and the key.
    """
    return Dictionary(read_toml(path, Mapping), catalogue, str(path))


def worded(text: str) -> Pattern:
    """Whole words in either case, any blanks between them."""
    inside = r"\s+".join(re.escape(word) for word in text.split())
    return re.compile(rf"(?<!\w){inside}(?!\w)", re.IGNORECASE)


def _splitter(marks: Sequence[str]) -> Pattern | None:
    """What parts a text; line breaks always part sentences."""
    longest = sorted(marks, key=len, reverse=True)
    return re.compile("|".join(re.escape(mark) for mark in longest), re.IGNORECASE) if marks else None


def columns_of(columns: Columns) -> Iterator[tuple[str, str]]:
    """Each of our names with the firm's column, of those that there are."""
    for name in Columns.__struct_fields__:
        given = getattr(columns, name)
        for column in given if isinstance(given, tuple) else (given,):
            if column:
                yield name, column

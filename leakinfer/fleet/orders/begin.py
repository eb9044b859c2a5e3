"""A first mapping for a file of work orders, from a look at its columns; an analyst goes on from there."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from leakinfer.catalogue.toml_text import toml_text
from leakinfer.errors import InputError
from leakinfer.fleet.orders.file import day_of, header_of, read_orders
from leakinfer.fleet.orders.mapping import (
    MEANINGS,
    Columns,
    FileForm,
    Kind,
    MassUnit,
    Phrase,
    SystemType,
    Units,
    worded,
)
from leakinfer.fleet.orders.mapping import Mapping as OrderMapping
from leakinfer.reading import read_toml, shipped

LOOKED_AT = 2000  # rows
HEAD_BYTES = 1 << 16
DELIMITERS = ",;\t|"
OTHER_ENCODING = "cp1252"
UNIT_WORDS: dict[MassUnit, str] = {"kg": r"kgs?|kilos?", "g": r"g|grams?", "lb": r"lbs?|pounds?", "oz": r"oz|ounces?"}
MASS_COLUMNS = ("charge", "added", "recovered")
HEAD = (
    "How to read a firm's work orders. Change it until 'leakinfer fleet orders FILE --mapping THIS --try' says what is",
    "meant, then write the history with --out FOLDER instead of --try.",
)


class First(Struct, frozen=True, forbid_unknown_fields=True):
    """What a first mapping is made of: ``priors/orders.toml``."""

    dates: tuple[str, ...]
    columns: dict[str, tuple[str, ...]]
    type: tuple[SystemType, ...]
    phrase: tuple[Phrase, ...]


@dataclass(frozen=True)
class Begun:
    """A first mapping, and what a person should look at."""

    mapping: OrderMapping
    doubts: tuple[str, ...]

    @property
    def text(self) -> str:
        """The mapping as a file."""
        plain = msgspec.to_builtins(self.mapping)
        return toml_text(plain, COMMENTS, (*HEAD, *(f"Look at this: {doubt}" for doubt in self.doubts)))


def begin_mapping(path: Path) -> Begun:
    """Guess a mapping from the names of the columns and from the first rows.

    Raises:
        InputError: the file cannot be read, or nothing in it looks like a system or a day.
    """
    first = read_toml(shipped("priors", "orders.toml"), First)
    form = _form(path)
    fields = _columns(header_of(path, form), first)
    values = _values(path, form)
    doubts: list[str] = []
    for name in ("system", "date"):
        if name not in fields:
            raise InputError(f"no column looks like a {name}", where=str(path), allowed=", ".join(first.columns[name]))
    days = [text for name in ("date", "commissioned") if name in fields for text in values[fields[name]]]
    form = replace(form, dates=_dates(days, first.dates, doubts), decimal=_decimal(fields, values))
    types = _types(values[fields["type"]] if "type" in fields else {}, first.type, doubts)
    text = tuple(name for key, name in fields.items() if key.startswith("text"))
    columns = Columns(**{key: name for key, name in fields.items() if not key.startswith("text")}, text=text)
    units = Units(**{name: _unit(fields[name], values, doubts) for name in MASS_COLUMNS if name in fields})
    doubts += _missing(columns)
    mapping = OrderMapping(columns, types, form, units, phrase=_phrases(first.phrase, types))
    return Begun(mapping, tuple(doubts))


def _form(path: Path) -> FileForm:
    """Delimiter and encoding of a CSV file."""
    if path.suffix == ".parquet":
        return FileForm()
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    encoding = "utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = head.decode(encoding, "strict" if len(head) < HEAD_BYTES else "ignore")
        path.read_text(encoding)
    except UnicodeDecodeError:
        encoding = OTHER_ENCODING
        text = head.decode(encoding, "replace")
    line = text.splitlines()[0] if text else ""
    widths = {mark: len(next(csv.reader([line], delimiter=mark), [])) for mark in DELIMITERS}
    return FileForm(delimiter=max(DELIMITERS, key=lambda mark: widths[mark]), encoding=encoding)


def _columns(names: Sequence[str], first: First) -> dict[str, str]:
    """By our name the firm's column; further columns of text as text2, text3 ..."""
    free = {name: " ".join(re.findall(r"\w+", name.casefold())) for name in names if name}
    fields: dict[str, str] = {}
    for ours, likely in first.columns.items():
        found = [name for word in likely for name in _called(free, word)]
        for number, name in enumerate(dict.fromkeys(found), start=1):
            if number == 1 or ours == "text":
                fields[ours if number == 1 else f"{ours}{number}"] = name
                del free[name]
    return fields


def _called(free: Mapping[str, str], word: str) -> list[str]:
    """Columns of that name, then those whose name holds it."""
    exact = [name for name, plain in free.items() if plain == word]
    return exact + [name for name, plain in free.items() if worded(word).search(plain) and name not in exact]


def _values(path: Path, form: FileForm) -> dict[str, Counter[str]]:
    """By column, how often each text stands in the first rows."""
    values = {name: Counter[str]() for name in header_of(path, form)}
    for number, order in enumerate(read_orders(path, form, lambda _: None)):
        if number == LOOKED_AT:
            break
        for name, text in order.fields.items():
            values[name].update([text] if text else [])
    return values


def _dates(values: Iterable[str], forms: Iterable[str], doubts: list[str]) -> tuple[str, ...]:
    """The form that most days fit, then those that the rest fit."""
    left = {text for text in values if day_of(text, FileForm()) is None}
    chosen: list[str] = []
    while left:
        fits = {form: {text for text in left if day_of(text, FileForm(dates=(form,)))} for form in forms}
        most = max(len(fit) for fit in fits.values())
        if most == 0:
            doubts.append(f"days that no form fits, as '{sorted(left)[0]}': file.dates")
            break
        best = [form for form, fit in fits.items() if len(fit) == most]
        if not chosen and len(best) > 1:
            doubts.append(f"days fit {best[0]} and {best[1]} alike: file.dates")
        chosen.append(best[0])
        left -= fits[best[0]]
    if len(chosen) > 1:
        doubts.append(f"days are written in {len(chosen)} forms, the first that fits counts: file.dates")
    return tuple(chosen)


def _decimal(fields: Mapping[str, str], values: Mapping[str, Counter[str]]) -> str:
    masses = [text for name in MASS_COLUMNS if name in fields for text in values[fields[name]]]
    commas = sum(bool(re.search(r"\d,\d{1,2}(?!\d)", text)) for text in masses)
    return "," if commas > sum("." in text for text in masses) else "."


def _types(values: Iterable[str], known_types: Sequence[SystemType], doubts: list[str]) -> tuple[SystemType, ...]:
    """A type for each system file that the firm's words mean, with these words."""
    words: dict[str, list[str]] = {}
    for text in values:
        guess = next((one.system for one in known_types if any(worded(word).search(text) for word in one.words)), None)
        if guess is None:
            doubts.append(f"what '{text}' is: type")
        else:
            words.setdefault(guess, []).append(text)
    if not words:
        doubts.append("all systems are taken for ducted splits: type")
        return (SystemType("ducted_split"),)
    order = [one.system for one in known_types]
    longest = {name: tuple(sorted(found, key=len, reverse=True)) for name, found in words.items()}
    return tuple(SystemType(name, words=longest[name]) for name in sorted(longest, key=order.index))


def _unit(column: str, values: Mapping[str, Counter[str]], doubts: list[str]) -> MassUnit | None:
    """The unit that a column's name tells, for masses without one."""
    for unit, words in UNIT_WORDS.items():
        if re.search(rf"(?<![^\W_])({words})(?![^\W_])", column, re.IGNORECASE):
            return unit
    if any(re.fullmatch(r"[\d.,]+", text) for text in values[column]):
        units = ", ".join(get_args(MassUnit))
        doubts.append(f"masses without a unit in '{column}': units, one of {units}")
    return None


def _phrases(phrases: Sequence[Phrase], types: Sequence[SystemType]) -> tuple[Phrase, ...]:
    """The phrases, with those places that the types have."""
    kinds = [Kind(one, "type") for one in types]
    sites = {name for kind in kinds for name in kind.sites}
    units = {name for kind in kinds for name in kind.units}
    fitted = (
        replace(one, site=tuple(n for n in one.site if n in sites), unit=tuple(n for n in one.unit if n in units))
        for one in phrases
    )
    return tuple(one for one in fitted if one.names or one.say)


def _missing(columns: Columns) -> list[str]:
    doubts = []
    if not columns.text and not columns.place:
        doubts.append("no column looks like free text: columns.text")
    if not columns.commissioned:
        doubts.append("no column says when a system was built: columns.commissioned, or commissioned of each type")
    return doubts


COMMENTS = {
    "columns": (
        "The firm's column for each of ours; empty: there is none. Rows of one system and order (else day) are one\n"
        "visit. text: free text, any number of columns. place: what it names leaks. searched: a column of yes and no.\n"
        "added, recovered: refrigerant put in and taken out."
    ),
    "file": (
        "dates: forms of a day as Python's strptime takes them, the first that fits counts; 2026-03-14 is always\n"
        "read. decimal: what parts the whole of a number from the rest. nothing: fields that mean the same as an\n"
        "empty one."
    ),
    "units": "Units of masses written without one: charge, added, recovered = kg, g, lb or oz. Left out: refused.",
    "split": (
        "sentences: what parts sentences, each with its own word on what was done. places: what parts the places in\n"
        "one sentence; one that says nothing takes over what its neighbour says ('replaced core and cap')."
    ),
    "words": "What a column of yes and no holds; leak_if: what makes a place that is named in a text a leak.",
    "record": (
        "since = 2019-01-01 and until = 2025-12-31, if the file holds every visit of its systems in that time; left\n"
        "out: from a system's own first row to its last."
    ),
    "type": (
        "Kinds of systems: the firm's words, and the system file that says which sites they have ('leakinfer\n"
        "systems'). not_fitted = [sites that they lack]; commissioned = 2012-06-01, for those of which nobody wrote\n"
        "it down."
    ),
    "phrase": (
        "What words mean; earlier phrases take their words first. words: whole words in either case; or regex, a\n"
        "regular expression, whose group 'amount' is refrigerant put in. What they name: the first of site or unit\n"
        "that a system has, else component, a component class; where a piece of text names several, the phrase\n"
        "that stands first names the place and the others only say where it is. What they say:\n"
        + "\n".join(f"  {meaning:13} {words}" for meaning, words in MEANINGS.items())
    ),
}

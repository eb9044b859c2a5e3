"""Work orders as a firm has them, read row by row with a mapping: what was understood, and which row cannot be used."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.fleet.cells.sizes import listed
from leakinfer.fleet.history.badrows import BadRow, Log, OnBad
from leakinfer.fleet.orders.file import MASSES, Order, day_of, header_of, mass_of, read_orders
from leakinfer.fleet.orders.mapping import Dictionary, Kind, MassUnit, columns_of
from leakinfer.fleet.orders.text import Piece, Said, pieces_of, said_of, searched_by
from leakinfer.reading import known


@dataclass
class SystemFacts:
    """What the rows of a system say of it: the first that is written down counts. ``charge_kg``: its full charge."""

    kind: Kind | None = None
    commissioned: date | None = None
    installer: str = ""
    refrigerant: str = ""
    charge_kg: float | None = None
    type_text: str = ""


@dataclass(frozen=True)
class Understood:
    """A row that can be used. ``added_kg`` and ``recovered_kg``: refrigerant put in and taken out, None if not said."""

    order: Order
    system: str
    visit: str
    day: date
    technician: str
    kind: Kind
    pieces: tuple[Piece, ...]
    said: Said
    added_kg: float | None
    recovered_kg: float | None

    @property
    def left_over(self) -> tuple[str, ...]:
        """Words that no phrase took."""
        return tuple(word for piece in self.pieces for word in piece.left_over)


@dataclass(frozen=True)
class Book:
    """All rows that can be used, in the order of the file, and what is known of each system."""

    systems: dict[str, SystemFacts]
    rows: tuple[Understood, ...]

    def words_left_over(self) -> Counter[str]:
        """How many rows hold each word that no phrase took."""
        return Counter(word for row in self.rows for word in {word.casefold() for word in row.left_over})


@dataclass
class _Reader:
    """Reads the fields of rows; what cannot be read goes to the log."""

    dictionary: Dictionary
    log: Log
    systems: dict[str, SystemFacts] = field(default_factory=dict)
    remarked: set[tuple[str, str, str]] = field(default_factory=set)

    def text(self, order: Order, name: str) -> str:
        """The field of one of our names; empty where the firm has no such column."""
        column = getattr(self.dictionary.mapping.columns, name)
        return order.fields[column] if column else ""

    def fault(self, order: Order, name: str, what: str, allowed: str, reason: str) -> None:
        """Leave a row out."""
        column = getattr(self.dictionary.mapping.columns, name) or name
        self.log.leave_out(f"orders, {name}: {reason}", 1)
        self.log.say(order.bad(column, what, allowed, reason))

    def remark(self, order: Order, name: str, what: str, allowed: str) -> None:
        """Say that a field is not used; the row is. The same of one system is said once."""
        key = (self.text(order, "system"), name, what)
        if key in self.remarked:
            return
        self.remarked.add(key)
        self.log.say(order.bad(getattr(self.dictionary.mapping.columns, name) or name, what, allowed, ""))

    def day(self, order: Order, name: str) -> date | None:
        """The day in a field."""
        return day_of(self.text(order, name), self.dictionary.mapping.file)

    @property
    def days_allowed(self) -> str:
        """How days may be written."""
        return ", ".join(("a day as 2026-03-14", *self.dictionary.mapping.file.dates))

    def mass(self, order: Order, name: str, text: str = "") -> float | None:
        """The mass in a field, or in a ``text`` instead, in kg; nothing where nothing is written."""
        text = self.text(order, name) or text
        unit: MassUnit | None = getattr(self.dictionary.mapping.units, name)
        kg = mass_of(text, unit, self.dictionary.mapping.file) if text else None
        if text and kg is None:
            hint = MASSES if unit else f"{MASSES}, or units.{name} in the mapping"
            self.remark(order, name, f"'{text}' is not a mass", hint)
        return kg

    def learn(self, order: Order) -> None:
        """Take down what a row says of its system."""
        facts = self.systems.setdefault(self.text(order, "system"), SystemFacts())
        facts.type_text = facts.type_text or self.text(order, "type")
        self._first(order, facts, "installer", self.text(order, "installer") or None)
        name = self.text(order, "refrigerant")
        fluid = listed(name) if name else None
        self._first(order, facts, "refrigerant", fluid.name if fluid else name or None)
        self._first(order, facts, "charge_kg", self.mass(order, "charge"), "charge")
        built = self.day(order, "commissioned")
        if built is None and self.text(order, "commissioned"):
            what = f"'{self.text(order, 'commissioned')}' is not a day"
            self.remark(order, "commissioned", what, self.days_allowed)
        self._first(order, facts, "commissioned", built)

    def _first(self, order: Order, facts: SystemFacts, name: str, value: object, column: str = "") -> None:
        held = getattr(facts, name)
        if value is None or held == value:
            return
        if not held:
            setattr(facts, name, value)
            return
        self.remark(order, column or name, f"'{value}', an earlier row says '{held}'", "the same for one system")

    def settle(self) -> None:
        """Find the type of each system, and when it was built if nobody wrote it down."""
        for facts in self.systems.values():
            facts.kind = self.dictionary.kind_of(facts.type_text)
            if facts.kind is not None and facts.commissioned is None:
                facts.commissioned = facts.kind.given.commissioned

    def understood(self, order: Order) -> Understood | None:
        """A row with its meaning; None if it cannot be used."""
        system = self.text(order, "system")
        facts, day = self.systems[system], self.day(order, "date")
        if facts.kind is None:
            allowed = ", ".join(word for one in self.dictionary.mapping.type for word in one.words)
            self.fault(order, "type", f"unknown type '{facts.type_text}'", allowed, "unknown type")
        elif day is None:
            what = f"'{self.text(order, 'date')}' is not a day"
            self.fault(order, "date", what, self.days_allowed, "not a day")
        elif facts.commissioned is None:
            what = f"nobody wrote down when '{system}' was built"
            allowed = "a day in a row of this system, or commissioned of its type in the mapping"
            self.fault(order, "commissioned", what, allowed, "not written down")
        elif day < facts.commissioned:
            what = f"{day} is before '{system}' was built"
            self.fault(order, "date", what, f"{facts.commissioned} or later", "before it was built")
        else:
            return self._meaning(order, facts.kind, system, day)
        return None

    def _meaning(self, order: Order, kind: Kind, system: str, day: date) -> Understood:
        columns = self.dictionary.mapping.columns
        pieces = [piece for name in columns.text for piece in pieces_of(order.fields[name], self.dictionary, kind)]
        pieces += pieces_of(self.text(order, "place"), self.dictionary, kind, place_column=True)
        said = said_of(pieces, self.dictionary)
        searched = searched_by(self.text(order, "searched"), self.dictionary)
        if searched is None:
            words = self.dictionary.mapping.words
            allowed = ", ".join((*words.yes, *words.no))
            self.remark(order, "searched", f"'{self.text(order, 'searched')}' is neither yes nor no", allowed)
        said.searched |= searched or set()
        added = self.mass(order, "added", said.amount)
        return Understood(
            order=order,
            system=system,
            visit=self.text(order, "order") or day.isoformat(),
            day=day,
            technician=self.text(order, "technician"),
            kind=kind,
            pieces=tuple(pieces),
            said=said,
            added_kg=added,
            recovered_kg=self.mass(order, "recovered"),
        )


def understand(path: Path, dictionary: Dictionary, log: Log) -> Book:
    """Read a file of work orders with a mapping. Rows that cannot be used go to ``log`` and are left out; so are rows
    that repeat an earlier one word for word.

    Raises:
        InputError: the file cannot be read, or lacks a column that the mapping names.
    """
    _check_columns(path, dictionary)
    reader = _Reader(dictionary, log)
    orders = _usable(reader, read_orders(path, dictionary.mapping.file, _ragged(log)))
    for order in orders:
        reader.learn(order)
    reader.settle()
    rows = [row for order in orders if (row := reader.understood(order)) is not None]
    return Book(reader.systems, tuple(rows))


def _check_columns(path: Path, dictionary: Dictionary) -> None:
    names = header_of(path, dictionary.mapping.file)
    for name, column in columns_of(dictionary.mapping.columns):
        try:
            known(column, names, what="column", where=f"{dictionary.where}: columns: {name}")
        except InputError as error:
            what = f"{error.what}, {path} has it not"
            raise InputError(what, where=error.where, allowed=error.allowed) from error


def _ragged(log: Log) -> OnBad:
    """Counts and says a row with another number of fields than the header."""

    def take(bad: BadRow) -> None:
        log.rows += 1
        log.leave_out(f"orders: {bad.reason}", 1)
        log.say(bad)

    return take


def _usable(reader: _Reader, orders: Iterable[Order]) -> Sequence[Order]:
    """Rows that name a system, each once."""
    seen: set[tuple[str, ...]] = set()
    kept = []
    for order in orders:
        reader.log.rows += 1
        content = tuple(order.fields.values())
        if content in seen:
            reader.log.leave_out("orders: the same as an earlier row, word for word", 1)
        elif not reader.text(order, "system"):
            reader.fault(order, "system", "is empty", "the name of a system", "empty")
        else:
            kept.append(order)
        seen.add(content)
    return kept

"""The history format: seven plain tables, column by column. One folder holds them as CSV (also .csv.gz) or Parquet.

``NAME.csv``, ``NAME.csv.gz``, ``NAME.parquet``, or a folder ``NAME/`` with any number of such parts. Dates are ISO
(2026-03-14), several values in one field are parted by ``;``. An empty field means: nobody wrote it down, so unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "date", "whole", "number", "word", "words"]


@dataclass(frozen=True)
class Column:
    """One column.

    ``kind``: ``text``; ``date``; ``whole`` number >= 1; ``number`` >= 0 in ``unit``; ``word``: one of ``words``;
    ``words``: several texts parted by ``;``. ``needed``: a row without it is left out.
    """

    name: str
    kind: Kind
    says: str
    needed: bool = False
    unit: str = ""
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class TableFormat:
    """A table: its columns, and which of them name a row. ``needed``: a history without it cannot be read."""

    name: str
    says: str
    columns: tuple[Column, ...]
    needed: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its columns."""
        return tuple(column.name for column in self.columns)


YES_NO = ("yes", "no")
_SYSTEM = Column("system", "text", "the system, as in the table of systems", needed=True)
_SITE = Column("site", "text", "the site, as in the table of sites; empty where nobody wrote the place down")

TABLES = (
    TableFormat(
        "systems",
        "one row for each cooling system that was looked after",
        (
            Column("system", "text", "a name of your own, once in the table", needed=True),
            Column("type", "text", "what kind of system, as ducted_split or your own word", needed=True),
            Column("commissioned", "date", "when it was built and proved tight: its parts' age counts from here", True),
            Column("installer", "text", "the firm or crew that built it"),
            Column("refrigerant", "text", "as R-410A"),
            Column("charge_kg", "number", "its full charge", unit="kg"),
            Column("followed_from", "date", "since when its visits are on record; empty: since it was commissioned"),
            Column("followed_until", "date", "until when they are; empty: until its last visit"),
            Column("tight_then", "word", "whether it was proved tight when the record began", words=YES_NO),
        ),
        needed=True,
    ),
    TableFormat(
        "sites",
        "one row for each place that can leak, or for a number of equal ones; a new part is a new row with dates",
        (
            _SYSTEM,
            Column("site", "text", "a name of your own, once in its system (a new part takes a new name)", needed=True),
            Column("component", "text", "component class, as valve_core", needed=True),
            Column("count", "whole", "equal ones in this row; empty: one"),
            Column("side", "word", "side of the circuit while cooling", words=("high", "low")),
            Column("present", "words", "circumstances that were looked for and are there"),
            Column("absent", "words", "circumstances that were looked for and are not there"),
            Column("unknown", "words", "circumstances that can be there and that nobody looked for"),
            Column("fitted", "date", "when this part was fitted; empty: with the system"),
            Column("removed", "date", "when it was taken out; empty: it is still there"),
        ),
        needed=True,
    ),
    TableFormat(
        "exposures",
        "one row for each circumstance that came or went at a site; it overrides the columns of the table of sites",
        (
            _SYSTEM,
            Column("site", "text", "the site", needed=True),
            Column("exposure", "text", "the circumstance, as cap_missing", needed=True),
            Column("since", "date", "there since; empty: from the beginning"),
            Column("until", "date", "there until; empty: to the end"),
        ),
    ),
    TableFormat(
        "visits",
        "one row for each visit",
        (
            _SYSTEM,
            Column("visit", "text", "a name of your own, once in its system", needed=True),
            Column("date", "date", "the day", needed=True),
            Column("searched", "word", "whether all of it was searched for leaks; empty: unknown", words=YES_NO),
            Column("technician", "text", "who; a number or a short sign will do"),
        ),
        needed=True,
    ),
    TableFormat(
        "findings",
        "one row for each test that was written down; a test that is not written down is unknown, not silent",
        (
            _SYSTEM,
            Column("visit", "text", "the visit", needed=True),
            Column("site", "text", "the site", needed=True),
            Column("method", "text", "way of testing, as probe_point", needed=True),
            Column("outcome", "text", "as the method names it, as silent or response", needed=True),
        ),
    ),
    TableFormat(
        "leaks",
        "one row for each leak that was found and confirmed (or that turned out to be none)",
        (
            _SYSTEM,
            Column("visit", "text", "the visit at which it was found", needed=True),
            _SITE,
            Column("component", "text", "component class, where the site is not named; both empty: place unknown"),
            Column("confirmed", "word", "no: opened up, and it was tight; empty: yes", words=YES_NO),
            Column("there_before", "word", "it leaked already at the search before; empty: unknown", words=YES_NO),
            Column("loss_g_per_year", "number", "what it lost, measured, and this leak alone", unit="g/yr"),
        ),
    ),
    TableFormat(
        "repairs",
        "one row for each repair",
        (
            _SYSTEM,
            Column("visit", "text", "the visit", needed=True),
            Column("site", "text", "the site", needed=True),
            Column("exchanged", "word", "the part was exchanged for a new one", words=YES_NO),
            Column("held", "word", "the same leak did not come back; empty: unknown", words=YES_NO),
        ),
    ),
)
BY_NAME = {table.name: table for table in TABLES}

"""Work orders of invented firms for tests: a mapping, its rows, and the history that comes of them."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.history.badrows import BadRow, Log
from leakinfer.fleet.history.writing import Tables, write_history
from leakinfer.fleet.orders.book import Book, understand
from leakinfer.fleet.orders.mapping import (
    Columns,
    Dictionary,
    Mapping,
    Phrase,
    SystemType,
)
from leakinfer.fleet.orders.tables import order_tables
from leakinfer.fleet.orders.text import Said, pieces_of, said_of
from leakinfer.fleet.settings import load_settings
from leakinfer.reading import shipped
from tests.job.small import CATALOGUE

POUND, OUNCE = 0.45359237, 0.028349523125  # kg; international yard and pound agreement 1959
DEMO = shipped("data_demo", "orders")

PHRASES = (
    Phrase(words=("no leak search",), say="not_searched"),
    Phrase(words=("no leak found", "none found"), say="none_found"),
    Phrase(words=("leak search",), say="searched"),
    Phrase(regex=r"\btopped\s+up\b(\s+with)?(\s+(?P<amount>[\d.]+\s*(kg|g|lb|oz)))?", say="topped_up"),
    Phrase(words=("replaced", "new"), say="exchanged"),
    Phrase(words=("tightened", "brazed"), say="repaired"),
    Phrase(words=("was tight",), say="tight"),
    Phrase(words=("suspected",), say="suspected"),
    Phrase(words=("leak", "leaking"), say="found"),
    Phrase(words=("checked",), say="named"),
    Phrase(words=("suction core",), site=("suction_port_core", "gas_port_core")),
    Phrase(words=("core",), component="valve_core"),
    Phrase(words=("drier",), component="drier_suction"),
    Phrase(words=("nut",), component="flare"),
    Phrase(words=("bend", "bends"), component="return_bend"),
    Phrase(words=("indoor coil",), unit=("indoor_coil",)),
    Phrase(words=("at", "the", "of", "and", "gas and go"), say="nothing"),
)
COLUMNS = Columns(
    system="Unit",
    date="Day",
    order="WO",
    type="Kind",
    commissioned="Built",
    charge="Charge",
    refrigerant="Gas",
    searched="Search",
    text=("Text", "More"),
    place="Where",
    added="In",
    recovered="Out",
)
TYPES = (SystemType("ducted_split", words=("split",)), SystemType("ductless_split", words=("wall unit",)))
MAPPING = Mapping(COLUMNS, TYPES, phrase=PHRASES)
NAMES = ("Unit", "Day", "WO", "Kind", "Built", "Charge", "Gas", "Search", "Text", "More", "Where", "In", "Out")


def dictionary(mapping: Mapping = MAPPING) -> Dictionary:
    return Dictionary(mapping, CATALOGUE, "map.toml")


def said(text: str, place: str = "", kind: str = "split") -> Said:
    words = dictionary()
    chosen = words.kind_of(kind)
    assert chosen is not None
    return said_of([*pieces_of(text, words, chosen), *pieces_of(place, words, chosen, place_column=True)], words)


def write(path: Path, rows: Sequence[dict[str, str]], delimiter: str = ",", encoding: str = "utf-8") -> Path:
    with path.open("w", newline="", encoding=encoding) as file:
        writer = csv.DictWriter(file, NAMES, restval="", delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)
    return path


def order(day: str, text: str = "", **more: str) -> dict[str, str]:
    return {"Unit": "U1", "Day": day, "Kind": "split", "Built": "2015-01-10", "Gas": "R410A", "Text": text, **more}


def read(path: Path, mapping: Mapping = MAPPING) -> tuple[Book, Log, list[BadRow]]:
    bad: list[BadRow] = []
    log = Log(bad.append)
    return understand(path, dictionary(mapping), log), log, bad


def history(rows: Sequence[dict[str, str]], tmp_path: Path, mapping: Mapping = MAPPING) -> Tables:
    """The tables of these rows, which must all be in order, also for the reader of histories."""
    book, _, bad = read(write(tmp_path / "orders.csv", rows), mapping)
    assert [one.line() for one in bad] == []
    tables, _ = order_tables(book, mapping.record, CATALOGUE)
    folder = tmp_path / "history"
    write_history(tables, folder)
    cells = reduce_history([folder], CATALOGUE, load_settings(), on_bad=bad.append)
    assert [one.line() for one in bad] == []
    assert cells.counts.rows == sum(map(len, tables.values()))
    return tables


def short(found: Said) -> dict[str, Any]:
    """What a text says, in few words; what it does not say is left out."""
    told = {
        "leaks": [leak.words for leak in found.leaks],
        "tight": [place.words for place in found.tight],
        "new": [place.words for place, new in found.repaired.items() if new],
        "mended": [place.words for place, new in found.repaired.items() if not new],
        "searched": found.searched_word,
        "topped_up": found.topped_up,
        "amount": found.amount,
    }
    return {name: value for name, value in told.items() if value}


CORE = "suction_port_core"

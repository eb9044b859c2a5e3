"""A firm's file of work orders, CSV or Parquet, row by row as text, each with its line."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.fleet.history.badrows import BadRow
from leakinfer.fleet.history.files import column_names, raw_chunks
from leakinfer.fleet.orders.mapping import FileForm, MassUnit
from leakinfer.physics.units import parse_quantity

OnBad = Callable[[BadRow], None]
CHUNK_ROWS = 50_000
ISO = re.compile(r"(\d{4}-\d\d-\d\d)(?:[T ].*)?", re.ASCII)
PLAIN = re.compile(r"[+-]?\d+(?:\.\d*)?|[+-]?\.\d+", re.ASCII)
THOUSANDS = {".": re.compile(r"(?<=\d),(?=\d{3}(?!\d))"), ",": re.compile(r"(?<=\d)\.(?=\d{3}(?!\d))")}
MASSES = "a mass as 2 lb 3 oz, 14 oz, 0.8 kg, 350 g"


@dataclass(frozen=True)
class Order:
    """A row: its fields by the firm's column, blanks taken off, and where it stands."""

    file: str
    spot: str
    fields: dict[str, str]

    def bad(self, column: str, what: str, allowed: str, reason: str) -> BadRow:
        """A fault of this row; without a ``reason`` the row is kept."""
        return BadRow("orders", self.file, self.spot, column, what, allowed, reason)


def header_of(path: Path, form: FileForm) -> list[str]:
    """The names of the columns.

    Raises:
        InputError: the file cannot be read, is empty, or names a column twice.
    """
    if path.suffix == ".parquet":
        return column_names(path)
    with path.open(encoding=_encoding(path, form), newline="") as file:
        try:
            names = [name.strip() for name in next(csv.reader(file, delimiter=form.delimiter), [])]
        except (UnicodeDecodeError, csv.Error) as error:
            raise _unreadable(path, form, error) from error
    if not any(names):
        raise InputError("is empty", where=str(path), allowed="a line with the names of the columns")
    twice = next((name for name in names if name and names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"column '{twice}' is there twice", where=str(path), allowed="each column once")
    return names


def read_orders(path: Path, form: FileForm, on_bad: OnBad) -> Iterator[Order]:
    """The rows that are not blank; those with another number of fields than the header go to ``on_bad``.

    Raises:
        InputError: the file cannot be read.
    """
    names = header_of(path, form)
    rows = _parquet_rows(path, names) if path.suffix == ".parquet" else _csv_rows(path, form)
    for spot, texts in rows:
        texts = [text.strip() for text in texts]
        if not any(texts):
            continue
        fields = {name: "" if text.casefold() in form.nothing else text for name, text in zip(names, texts)}  # noqa: B905 - checked below
        order = Order(str(path), spot, fields)
        if len(texts) == len(names):
            yield order
            continue
        allowed = f"{len(names)}, as many as there are columns"
        on_bad(order.bad(names[0], f"{len(texts)} fields", allowed, "wrong number of fields"))


def _csv_rows(path: Path, form: FileForm) -> Iterator[tuple[str, list[str]]]:
    with path.open(encoding=_encoding(path, form), newline="") as file:
        reader = csv.reader(file, delimiter=form.delimiter)
        try:
            next(reader, None)
            line = reader.line_num + 1
            for texts in reader:
                yield f"line {line}", texts
                line = reader.line_num + 1
        except (UnicodeDecodeError, csv.Error) as error:
            raise _unreadable(path, form, error) from error


def _parquet_rows(path: Path, names: Sequence[str]) -> Iterator[tuple[str, list[str]]]:
    for raw in raw_chunks(path, names, CHUNK_ROWS):
        columns = [raw.columns[name].to_pylist() for name in names]
        for line, texts in zip(raw.line.tolist(), zip(*columns, strict=True), strict=True):
            yield f"row {line}", list(texts)


def _encoding(path: Path, form: FileForm) -> str:
    try:
        "".encode(form.encoding)
    except LookupError as error:
        allowed = "utf-8-sig, cp1252, utf-16 and others that Python knows"
        raise InputError(f"unknown encoding '{form.encoding}'", where=str(path), allowed=allowed) from error
    return form.encoding


def _unreadable(path: Path, form: FileForm, error: Exception) -> InputError:
    if isinstance(error, UnicodeDecodeError):
        allowed = "another encoding in the mapping, as cp1252"
        return InputError(f"is not {form.encoding} text", where=str(path), allowed=allowed)
    return InputError(f"cannot be read as CSV ({error})", where=str(path), allowed="a CSV file")


def day_of(text: str, form: FileForm) -> date | None:
    """A day as the firm writes it; None if it is none."""
    iso = ISO.fullmatch(text)
    if iso is not None:
        try:
            return date.fromisoformat(iso[1])
        except ValueError:
            return None
    for each in form.dates:
        try:
            return datetime.strptime(text, each).date()
        except ValueError:
            continue
    return None


def mass_of(text: str, unit: MassUnit | None, form: FileForm) -> float | None:
    """A mass as the firm writes it, in kg; None if it is none. ``unit``: of a number without one."""
    plain = THOUSANDS[form.decimal].sub("", text).replace(form.decimal, ".")
    plain = re.sub(r"(?<=[a-z])\.", "", plain.replace("#", " lb "), flags=re.IGNORECASE)
    if PLAIN.fullmatch(plain.strip()):
        if unit is None:
            return None
        plain = f"{plain} {unit}"
    try:
        kg = parse_quantity(plain, "mass", "")
    except InputError:
        return None
    return kg if math.isfinite(kg) else None

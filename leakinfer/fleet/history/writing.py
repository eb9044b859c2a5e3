"""Tables of a history as rows of text, and the folder of CSV files that they are written into."""

from __future__ import annotations

import csv
import io
import os
import secrets
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TypeAlias

from leakinfer.errors import InputError
from leakinfer.fleet.history.files import column_names, find_parts
from leakinfer.fleet.history.tables import BY_NAME, TABLES

Row: TypeAlias = dict[str, str]
Tables: TypeAlias = dict[str, list[Row]]
YES, NO, NOT_WRITTEN_DOWN = "yes", "no", ""


def no_rows() -> Tables:
    """All tables of a history, without rows."""
    return {table.name: [] for table in TABLES}


def row_of(table: str, **given: str) -> Row:
    """A row of a table; what is not given is empty.

    Raises:
        KeyError: the table has no such column.
    """
    row = dict.fromkeys(BY_NAME[table].names, NOT_WRITTEN_DOWN)
    for name, text in given.items():
        if name not in row:
            raise KeyError(f"{table}: {name}")
        row[name] = text
    return row


def together(parts: Iterable[Mapping[str, Sequence[Row]]]) -> Tables:
    """The rows of several histories, one after the other."""
    tables = no_rows()
    for part in parts:
        for name, rows in part.items():
            tables[name].extend(rows)
    return tables


def number_text(number: float) -> str:
    """A number as a table holds it: six figures, no exponent."""
    text = f"{float(f'{number:.6g}'):.9f}".rstrip("0").rstrip(".")
    return text or "0"


def systems_in(folder: Path) -> tuple[str, ...]:
    """The systems in the folder of a history that rows can be added to; none where there is no such folder yet.

    Raises:
        InputError: the folder holds a history in another form than :func:`write_history` writes.
    """
    if not folder.exists():
        return ()
    for table in TABLES:
        _check_form(folder, table.name)
    path = folder / "systems.csv"
    if not path.exists():
        return ()
    with path.open(encoding="utf-8", newline="") as file:
        return tuple(row["system"] for row in csv.DictReader(file))


def refuse_taken(folder: Path) -> None:
    """Refuse a folder that holds a history already.

    Raises:
        InputError: it does, or it is a file.
    """
    if not folder.exists():
        return
    for table in TABLES:
        if find_parts([folder], table.name):
            allowed = "a new folder, or --add"
            raise InputError(f"holds a table of {table.name} already", where=str(folder), allowed=allowed)


def write_history(tables: Mapping[str, Sequence[Row]], folder: Path) -> None:
    """Write all tables as CSV, behind the rows that are there. Files are replaced when all of them are written.

    Call :func:`refuse_taken` or :func:`systems_in` before.

    Raises:
        OSError: the folder or a file cannot be written; then the tables are as before.
    """
    folder.mkdir(parents=True, exist_ok=True)
    mark = secrets.token_hex(4)
    drafts = {folder / f"{table.name}.csv": folder / f".{table.name}.{mark}.new" for table in TABLES}
    try:
        for path, draft in drafts.items():
            draft.write_bytes(_before(path) + _as_csv(path.stem, tables[path.stem], head=not path.exists()))
        for path, draft in drafts.items():
            os.replace(draft, path)
    finally:
        for draft in drafts.values():
            with suppress(OSError):
                draft.unlink()


def _before(path: Path) -> bytes:
    """What a file holds, its last line ended."""
    held = path.read_bytes() if path.exists() else b""
    return held if not held or held.endswith(b"\n") else held + b"\n"


def _as_csv(table: str, rows: Sequence[Row], *, head: bool) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, BY_NAME[table].names, lineterminator="\n")
    if head:
        writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


def _check_form(folder: Path, table: str) -> None:
    parts = find_parts([folder], table)
    path = folder / f"{table}.csv"
    other = next((part for part in parts if part != path), None)
    if other is not None:
        raise InputError("cannot be added to", where=str(other), allowed=f"{table}.csv")
    if parts and column_names(path) != list(BY_NAME[table].names):
        allowed = ", ".join(BY_NAME[table].names)
        raise InputError("has other columns, so nothing can be added", where=str(path), allowed=allowed)

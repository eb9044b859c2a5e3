"""A job file of an older format becomes one of today's, in place and in one transaction; a copy of the old one is kept.

The file keeps its name and its inode: whoever else has it open goes on with it, since SQLite tells of the new table. A
new file under the old name would share the log with those who still have the old one open, and events would be lost.
"""

from __future__ import annotations

import sqlite3
from itertools import count
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.store import file, making
from leakinfer.store.event import Row


def migrate(path: Path) -> Path | None:
    """Bring a job file to today's format; returns where the old file is kept, None if it had that format already.

    Every event keeps its number, moment and checksum. A program that is stopped midway leaves the old file as it was.

    Raises:
        InputError: the file is no sound job file, is in use, or it or its folder cannot be written. It was not changed.
    """
    held = file.open_checked(path)
    try:
        with file.refusing(path), file.writing(held.connection):
            return bring_to_today(held.connection, path) if file.is_old(held.connection) else None
    finally:
        file.close(held)


def bring_to_today(connection: sqlite3.Connection, path: Path) -> Path:
    """Within a transaction that can write: keep a copy of the file, then make its table anew. Returns the copy's name.

    Raises:
        InputError: the folder cannot be written.
        BrokenChain: the events are not as they were written.
    """
    if not file.can_write(path):
        raise InputError("cannot be written", where=str(path), allowed=file.WRITABLE)
    rows = file.read_rows(connection)
    kept = _keep(path.resolve(), file.version(connection), rows)
    connection.execute("DROP TABLE event")
    making.make_table(connection, rows)
    return kept


def _keep(path: Path, version: int, rows: tuple[Row, ...]) -> Path:
    """A copy of the old file beside it, numbered if another file has the name; one of a stopped attempt is taken."""
    name = f"{path.name}.format{version}"
    for number in count(1):
        kept = path.with_name(name if number == 1 else f"{name}-{number}")
        if not kept.exists():
            _copy(path, kept)
        if _holds(kept, rows):
            break
    return kept


def _copy(path: Path, kept: Path) -> None:
    """By another connection: what is open for a transaction that writes cannot be copied."""
    held = file.open_checked(path)
    try:
        making.copy_job(held.connection, path, kept)
    finally:
        file.close(held)


def _holds(path: Path, rows: tuple[Row, ...]) -> bool:
    try:
        return file.read_checked(path) == rows
    except InputError:
        return False  # something else that has this name

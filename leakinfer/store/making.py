"""New files: each is made under another name in its folder and appears only when it is whole, never over another."""

from __future__ import annotations

import os
import secrets
import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.store import file
from leakinfer.store.event import Row

INSERT = f"INSERT INTO event ({file.COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)"
COMPANIONS = ("wal", "shm", "journal")


class Taken(InputError):
    """The name of a new file is in use."""

    def __init__(self, path: Path) -> None:
        super().__init__("exists already", where=str(path), allowed="a new name")


def make_job(path: Path, rows: Iterable[Row]) -> None:
    """A new job file of those rows.

    Raises:
        InputError: ``path`` exists or cannot be written. Nothing is left behind.
    """
    refuse_taken(path)
    with file.refusing(path), drafted(path) as draft:
        write_rows(draft, rows)
        publish(draft, path)


def make_text(path: Path, text: str) -> None:
    """A new file of that text, as UTF-8.

    Raises:
        InputError: ``path`` exists or cannot be written. Nothing is left behind.
    """
    refuse_taken(path)
    with file.refusing(path), drafted(path) as draft:
        with draft.open("w", encoding="utf-8", newline="\n") as writing:
            writing.write(text)
            writing.flush()
            os.fsync(writing.fileno())
        publish(draft, path)


@contextmanager
def drafted(path: Path) -> Iterator[Path]:
    """A hidden name beside ``path`` to make a file under; what is left there in the end is removed."""
    draft = path.parent / f".{secrets.token_hex(8)}.new"
    try:
        yield draft
    finally:
        for leftover in (draft, *(file.companion(draft, ending) for ending in COMPANIONS)):
            with suppress(OSError):
                leftover.unlink()


def write_rows(draft: Path, rows: Iterable[Row]) -> None:
    """A job file in today's format under the name of a draft; it is on the disk when this returns."""
    with closing(file.connect(draft, "mode=rwc")) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        with file.writing(connection):
            make_table(connection, rows)


def make_table(connection: sqlite3.Connection, rows: Iterable[Row]) -> None:
    """Today's table with those rows, within a transaction."""
    connection.execute(f"PRAGMA application_id={file.APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version={file.FORMAT_VERSION}")
    connection.execute(file.TABLES[file.FORMAT_VERSION])
    connection.executemany(INSERT, rows)


def copy_job(connection: sqlite3.Connection, path: Path, copy: Path) -> int:
    """A copy of the job file ``path``, open by ``connection``, as it is at one moment; returns its number of events.

    Others may have it open. The copy is on the disk when this returns, and was read again.

    Raises:
        BrokenChain: the events are not as they were written.
        InputError: ``copy`` exists or cannot be written. Nothing is left behind.
    """
    before = len(file.read_rows(connection))
    with file.refusing(copy), drafted(copy) as draft:
        with closing(sqlite3.connect(draft, isolation_level=None)) as target:
            connection.backup(target)
        with suppress(OSError):  # not every system knows rights
            shutil.copymode(path, draft)
        rows = file.read_checked(draft)
        if len(rows) < before or rows != file.read_rows(connection)[: len(rows)]:
            raise file.damaged(copy, "it is not what was told")
        publish(draft, copy)
    return len(rows)


def publish(draft: Path, path: Path) -> None:
    """Give the finished draft its name, without ever replacing a file."""
    try:
        try:
            os.link(draft, path)
        except FileExistsError:
            raise
        except OSError:  # no hard links on this file system, as on a memory stick: take the name first, then move
            path.touch(exist_ok=False)
            os.replace(draft, path)
    except FileExistsError as error:
        raise Taken(path) from error
    flush(path.parent)


def flush(folder: Path) -> None:
    """Names in the folder are on the disk when this returns; not every system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def refuse_taken(path: Path) -> None:
    """Refuse a name that is in use, and one beside which the log of a lost job lies.

    Raises:
        InputError: one of these.
    """
    with file.refusing(path):
        remains = [found for ending in COMPANIONS if (found := file.companion(path, ending)).exists()]
        if path.exists() or path.is_symlink():  # looked for last: a job that was just made has a log, too
            raise Taken(path)
        if remains:  # SQLite would play a lost job's log into the new one
            what = f"cannot be created beside {remains[0].name}, the remains of another job"
            raise InputError(what, where=str(path), allowed="another name, or moving the remains away")

"""A job's journal: created once, then only added to."""

from __future__ import annotations

import os
import secrets
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from leakinfer.errors import InputError
from leakinfer.store import file
from leakinfer.store.event import UNDO, Event, Row, live, row

INSERT = f"INSERT INTO event ({file.COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)"
LAST = f"SELECT {file.COLUMNS} FROM event ORDER BY number DESC LIMIT 1"
COMPANIONS = ("wal", "shm", "journal")


class Journal:
    """The open journal of one job; a context manager that closes it.

    Several programs may have the same journal open; what each appends is kept. Use it in the thread that opened it.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, identity: tuple[int, int]) -> None:
        self.path = path
        self._connection = connection
        self._identity = identity
        self._closed = False

    @classmethod
    def open(cls, path: Path) -> Self:
        """The journal in ``path``. In a folder that cannot be written it can still be read.

        Raises:
            InputError: the file is missing, of another kind, newer, damaged or in use; nothing was changed.
        """
        return cls(path, *file.open_checked(path))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close; the last one to close leaves one file. Closing again does nothing."""
        if not self._closed:
            self._closed = True
            file.close(self._connection, self._identity)

    def events(self) -> tuple[Event, ...]:
        """All events so far, in order, undone ones and undo events included.

        Raises:
            InputError: the file has been damaged since it was opened, or cannot be read.
        """
        with file.refusing(self.path):
            return tuple(found.event() for found in file.read_rows(self._connection))

    def append(self, kind: str, body: Mapping[str, Any], *, who: str, expected_last: int | None) -> Event:
        """Add an event; it is on the disk when this returns.

        ``expected_last`` is the number of the last event that the caller has seen; None appends whatever came between.

        Raises:
            InputError: the body is not a JSON object, ``kind`` is reserved, others have written since
                ``expected_last``, or the file cannot be written. Nothing was added.
        """
        _refuse_reserved(kind)
        with self._writing() as last:
            if expected_last is not None and expected_last != last.number:
                what = f"has moved on to event {last.number} from event {expected_last}"
                raise InputError(what, where=str(self.path), allowed="reading it again before adding to it")
            return self._add(row(last, kind, body, _now(), who))

    def undo_last(self, who: str) -> Event:
        """Undo the last event that still holds, never the first: adds an event of kind ``undo`` that names it.

        Undoing again takes back the event before; an undo itself cannot be undone, tell the event again instead.

        Raises:
            InputError: nothing is left to undo, or the file cannot be written. Nothing was added.
        """
        with self._writing() as last:
            holding = live(found.event() for found in file.read_rows(self._connection))
            if len(holding) < 2:
                raise InputError("has nothing left to undo", where=str(self.path))
            return self._add(row(last, UNDO, {"number": holding[-1].number}, _now(), who))

    @contextmanager
    def _writing(self) -> Iterator[Row]:
        """A transaction that no one else can write in, from the last row so far."""
        with file.refusing(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield Row(*self._connection.execute(LAST).fetchone())
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def _add(self, new: Row) -> Event:
        self._connection.execute(INSERT, new)
        return new.event()


def create(path: Path, first: Mapping[str, Any], *, kind: str = "begin", who: str = "") -> Journal:
    """A new journal with its first event, which can never be undone.

    It is made under another name in the same folder and appears under ``path`` only when whole.

    Raises:
        InputError: ``path`` exists, cannot be written, or ``first`` is not a JSON object. Nothing is left behind.
    """
    _refuse_reserved(kind)
    _refuse_taken(path)
    start = row(None, kind, first, _now(), who)
    draft = path.parent / f".{secrets.token_hex(8)}.new"
    try:
        with file.refusing(path):
            _write_draft(draft, start)
            _publish(draft, path)
    finally:
        for leftover in (draft, *(file.companion(draft, ending) for ending in COMPANIONS)):
            with suppress(OSError):
                leftover.unlink()
    return Journal.open(path)


def _write_draft(draft: Path, start: Row) -> None:
    with closing(file.connect(draft, "mode=rwc")) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(f"PRAGMA application_id={file.APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version={file.FORMAT_VERSION}")
        connection.execute(file.TABLE)
        connection.execute(INSERT, start)
        connection.execute("COMMIT")


def _publish(draft: Path, path: Path) -> None:
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
        raise _taken(path) from error
    with suppress(OSError):  # not every system can flush a folder
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _refuse_taken(path: Path) -> None:
    with file.refusing(path):
        if path.exists() or path.is_symlink():
            raise _taken(path)
        for ending in COMPANIONS:
            remains = file.companion(path, ending)
            if remains.exists():  # SQLite would play a lost job's log into the new one
                what = f"cannot be created beside {remains.name}, the remains of another job"
                raise InputError(what, where=str(path), allowed="another name, or moving the remains away")


def _taken(path: Path) -> InputError:
    return InputError("exists already", where=str(path), allowed="a new name")


def _refuse_reserved(kind: str) -> None:
    if kind == UNDO:
        raise InputError(f"'{UNDO}' is not told as an event", allowed="undoing the last event")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

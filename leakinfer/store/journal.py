"""A job's journal: created once, then only added to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from leakinfer.errors import InputError
from leakinfer.store import file, making
from leakinfer.store.event import UNDO, Event, Row, checked_token, live, row
from leakinfer.store.migrating import bring_to_today

LAST = f"SELECT {file.COLUMNS} FROM event ORDER BY number DESC LIMIT 1"
WITH_TOKEN = f"SELECT {file.COLUMNS} FROM event WHERE token = ?"


class Moved(InputError):
    """Others have written since the caller looked. ``last``: the number of the last event that is there now."""

    def __init__(self, what: str, path: Path, last: int) -> None:
        self.last = last
        super().__init__(what, where=str(path), allowed="reading it again before adding to it")


class Journal:
    """The open journal of one job; a context manager that closes it.

    Several programs may have the same journal open; what each appends is kept. Use it in the thread that opened it.
    """

    def __init__(self, path: Path, held: file.Held) -> None:
        self.path = path
        self._held = held
        self._closed = False

    @classmethod
    def open(cls, path: Path) -> Self:
        """The journal in ``path``. In a folder that cannot be written it can still be read.

        A file of an older format is read as it is and brought to today's by the first event that is added.

        Raises:
            InputError: the file is missing, of another kind, newer, damaged or in use; nothing was changed.
        """
        return cls(path, file.open_checked(path))

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
            file.close(self._held)

    def rows(self) -> tuple[Row, ...]:
        """All rows so far, as they are stored, verified.

        Raises:
            InputError: the file has been damaged since it was opened, or cannot be read.
        """
        with file.refusing(self.path):
            return file.read_rows(self._held.connection)

    def events(self) -> tuple[Event, ...]:
        """All events so far, in order, undone ones and undo events included.

        Raises:
            InputError: the file has been damaged since it was opened, or cannot be read.
        """
        return tuple(found.event() for found in self.rows())

    def append(
        self, kind: str, body: Mapping[str, Any], *, who: str, expected_last: int | None, token: str | None = None
    ) -> Event:
        """Add an event; it is on the disk when this returns.

        ``expected_last`` is the number of the last event that the caller has seen; None appends whatever came between.
        ``token`` is a word of the caller's own for this telling: told again, as after an answer that was lost on its
        way, the event that is there is returned and none is added, whatever came after it.

        Raises:
            Moved: others have written since ``expected_last``, or ``token`` told of something else.
            InputError: the body is not a JSON object, ``kind`` is reserved, or the file cannot be written.
                In all these cases nothing was added.
        """
        _refuse_reserved(kind)
        with self._writing() as last:
            new = row(last, kind, body, _now(), who, token)
            there = self._with_token(token)
            if there is None:
                self._refuse_old_view(last, expected_last)
                return self._add(new)
            if (there.kind, there.body, there.who) != (new.kind, new.body, new.who):
                raise Moved(f"was told something else from this view, as event {there.number}", self.path, last.number)
            return there.event()

    def undo_last(self, who: str, *, expected_last: int | None = None, token: str | None = None) -> Event:
        """Undo the last event that still holds, never the first: adds an event of kind ``undo`` that names it.

        Undoing again takes back the event before; an undo itself cannot be undone, tell the event again instead.
        ``expected_last`` and ``token`` as in :meth:`append`: with a token, asking twice undoes once.

        Raises:
            Moved: others have written since ``expected_last``, or ``token`` told of something else.
            InputError: nothing is left to undo, or the file cannot be written. Nothing was added.
        """
        with self._writing() as last:
            there = self._with_token(token)
            if there is not None:
                if (there.kind, there.who) != (UNDO, who):
                    what = f"was told something else from this view, as event {there.number}"
                    raise Moved(what, self.path, last.number)
                return there.event()
            self._refuse_old_view(last, expected_last)
            holding = live(self.events())
            if len(holding) < 2:
                raise InputError("has nothing left to undo", where=str(self.path))
            return self._add(row(last, UNDO, {"number": holding[-1].number}, _now(), who, token))

    @contextmanager
    def _writing(self) -> Iterator[Row]:
        """A transaction that no one else can write in, from the last row so far."""
        connection = self._held.connection
        with file.refusing(self.path), file.writing(connection):
            if file.is_old(connection):
                bring_to_today(connection, self.path)
            yield Row(*connection.execute(LAST).fetchone())

    def _with_token(self, token: str | None) -> Row | None:
        """The row that was told under that token, None if none was."""
        if token is None:
            return None
        found = self._held.connection.execute(WITH_TOKEN, (checked_token(token),)).fetchone()
        return None if found is None else Row(*found)

    def _refuse_old_view(self, last: Row, expected_last: int | None) -> None:
        if expected_last is not None and expected_last != last.number:
            raise Moved(f"has moved on to event {last.number} from event {expected_last}", self.path, last.number)

    def _add(self, new: Row) -> Event:
        self._held.connection.execute(making.INSERT, new)
        return new.event()


def create(
    path: Path, first: Mapping[str, Any], *, kind: str = "begin", who: str = "", token: str | None = None
) -> Journal:
    """A new journal with its first event, which can never be undone.

    It is made under another name in the same folder and appears under ``path`` only when whole.

    Raises:
        InputError: ``path`` exists, cannot be written, or ``first`` is not a JSON object. Nothing is left behind.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import begin_body, create_job, load_catalogue, load_system
        >>> body = begin_body(load_system("ductless_split"), {"age_years": 6}, load_catalogue())
        >>> with create_job(Path("attic.job"), body, who="Ada") as journal:
        ...     [event.kind for event in journal.events()]
        ['begin']
    """
    _refuse_reserved(kind)
    making.make_job(path, (row(None, kind, first, _now(), who, token),))
    return Journal.open(path)


def _refuse_reserved(kind: str) -> None:
    if kind == UNDO:
        raise InputError(f"'{UNDO}' is not told as an event", allowed="undoing the last event")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

"""The journal's file format and its checks: SQLite, marked with an application id and a format version.

A file is checked before it is opened for writing, and the check writes nothing. Formats and file header: "Database File
Format", sqlite.org/fileformat2.html, sections 1.3 and 4.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.store.event import BrokenChain, Row, checked_rows

APPLICATION_ID = int.from_bytes(b"LkIn", "big")
FORMAT_VERSION = 2
WITHOUT_LOCKS = "mode=ro&immutable=1"  # of the URI of a file: read as if nobody could write it
BUSY_SECONDS = 5.0
SETTLE_SECONDS = 0.05

MAGIC = b"SQLite format 3\x00"
HEADER_BYTES = 100
WAL_MODE = b"\x02\x02"

# By format: its table, and how a row of today's shape is read from it. Format 2 added the token.
_TABLE = (
    "CREATE TABLE event (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL, moment TEXT NOT NULL, "
    "who TEXT NOT NULL, {token}checksum BLOB NOT NULL)"
)
TABLES = {1: _TABLE.format(token=""), 2: _TABLE.format(token="token TEXT, ")}
COLUMNS = "number, kind, body, moment, who, token, checksum"
SELECTED = {1: COLUMNS.replace("token", "NULL"), 2: COLUMNS}
# A commit is on the disk when it returns (on macOS only with fullfsync). Copying every commit back at once keeps the
# main file complete, for the person who copies it alone after a crash.
SETTINGS = ("synchronous=FULL", "fullfsync=1", "wal_autocheckpoint=1")

JOB_FILE = "a job file written by leakinfer"
WRITABLE = "a file and a folder that can be written, on a disk with free space"
REASONS = {
    sqlite3.SQLITE_BUSY: ("is in use by another program", "trying again in a moment"),
    sqlite3.SQLITE_CANTOPEN: ("cannot be opened or written", WRITABLE),
    sqlite3.SQLITE_FULL: ("cannot be written, the disk is full", "a disk with free space"),
    sqlite3.SQLITE_IOERR: ("cannot be read or written, the disk fails or is full", "a sound disk with free space"),
    sqlite3.SQLITE_NOTADB: ("is damaged", JOB_FILE),
    sqlite3.SQLITE_PERM: ("cannot be written", WRITABLE),
    sqlite3.SQLITE_READONLY: ("cannot be written", WRITABLE),
    sqlite3.SQLITE_TOOBIG: ("cannot take an event of this size", "a shorter event"),
}
# With these SQLite says that it could not make the log and its index beside the file: no rights, or no space.
NO_LOG = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)

# Closing any handle on a file drops all POSIX locks that this process holds on it (fcntl(2)), and with them SQLite's
# own. So a file that is open here with locks is not looked at from outside SQLite, nor opened without locks, and the
# other way round.
_opening = threading.Lock()
_locked_here: Counter[tuple[int, int]] = Counter()
_unlocked_here: Counter[tuple[int, int]] = Counter()


@dataclass(frozen=True)
class Held:
    """An open file; ``locked``: with locks, so that it can be written. ``identity`` tells it from all other files."""

    connection: sqlite3.Connection
    identity: tuple[int, int]
    locked: bool


def companion(path: Path, ending: str) -> Path:
    """The file that SQLite keeps beside ``path`` while it is open: ``ending`` is wal, shm or journal."""
    real = path.resolve()
    return real.with_name(f"{real.name}-{ending}")


@contextmanager
def refusing(path: Path) -> Iterator[None]:
    """Errors of the disk, of SQLite and of the chain inside the block become one line that names ``path``."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise  # a mistake of the caller, as using a closed journal
    except BrokenChain as error:
        raise damaged(path, str(error)) from error
    except sqlite3.Error as error:
        raise _refusal(path, error) from error
    except UnicodeDecodeError as error:  # SQLite's message repeats a name out of the file, and the module decodes it
        raise damaged(path, "a text in it is not Unicode") from error
    except OSError as error:
        raise InputError(f"cannot be used ({error.strerror})", where=str(path), allowed=WRITABLE) from error


def damaged(path: Path, why: str) -> InputError:
    """The error for a job file that is not as it was written."""
    return InputError(f"is damaged ({why})", where=str(path), allowed="the undamaged file, as from a backup")


def _refusal(path: Path, error: sqlite3.Error) -> InputError:
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:  # raised by the Python module, whose message would repeat the stored text
        return damaged(path, "a text in it is not Unicode")
    primary = code & 0xFF  # the low byte; the rest says more exactly where
    if primary not in REASONS:
        return damaged(path, str(error))
    what, allowed = REASONS[primary]
    return InputError(what, where=str(path), allowed=allowed)


def connect(path: Path, options: str) -> sqlite3.Connection:
    """A connection to ``path``, ``options`` being those of an SQLite URI; a statement commits unless after a BEGIN."""
    connection = sqlite3.connect(
        f"{path.resolve().as_uri()}?{options}", uri=True, timeout=BUSY_SECONDS, isolation_level=None
    )
    try:
        for setting in SETTINGS:  # the first of them also looks into the file
            connection.execute(f"PRAGMA {setting}")
    except BaseException:
        connection.close()
        raise
    return connection


def open_checked(path: Path) -> Held:
    """A job file that passed the check, open until :func:`close`.

    Raises:
        InputError: the file is missing, of another kind, newer, damaged or in use; nothing was changed.
    """
    with refusing(path), _opening:
        while True:
            identity = _identity(path)
            if not _locked_here[identity]:
                _check(path)
            held = _held(path, identity)
            if _identity(path) == identity:
                (_locked_here if held.locked else _unlocked_here)[identity] += 1
                return held
            held.connection.close()  # another file has taken the name meanwhile, as one from a backup


def read_checked(path: Path) -> tuple[Row, ...]:
    """All rows of a job file of any known format, verified. Nothing is written, not even beside it.

    Raises:
        InputError: the file is missing, of another kind, newer, damaged or in use.
    """
    with refusing(path), _opening:
        if not _locked_here[_identity(path)]:
            return _check(path)
        with closing(connect(path, "mode=ro")) as connection:
            return read_rows(connection)


def version_of(path: Path) -> int | None:
    """The format of a job file, by its header alone; None for any other file.

    Raises:
        InputError: the file is missing or cannot be read.
    """
    with refusing(path), _opening:
        if _locked_here[_identity(path)]:
            with closing(connect(path, "mode=ro")) as connection:
                return version(connection)
        head = _head(path)
        return _number(head, 60) if _is_job(head) else None


def can_write(path: Path) -> bool:
    """Whether this program may write the file and make others beside it."""
    effective = os.access in os.supports_effective_ids
    return all(os.access(found, os.W_OK, effective_ids=effective) for found in (path, path.resolve().parent))


def is_old(connection: sqlite3.Connection) -> bool:
    """Whether the file is of an older format, so that it can be read but must be migrated before it is written."""
    return version(connection) != FORMAT_VERSION


def version(connection: sqlite3.Connection) -> int:
    """The format of an open file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """A transaction in which nobody else writes; it is on the disk after the block, or undone if that is left by an
    error."""
    connection.execute("BEGIN IMMEDIATE")
    with _ended(connection):
        yield


@contextmanager
def _one_state(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is read in the block is of one moment."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    with _ended(connection):
        yield


@contextmanager
def _ended(connection: sqlite3.Connection) -> Iterator[None]:
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def close(held: Held) -> None:
    """Close; the last one to close leaves one file."""
    with _opening:
        held.connection.close()
        (_locked_here if held.locked else _unlocked_here)[held.identity] -= 1


def read_rows(connection: sqlite3.Connection) -> tuple[Row, ...]:
    """All rows, verified.

    Raises:
        BrokenChain: the rows are not as they were written.
    """
    with _one_state(connection):
        found = version(connection)
        if found not in SELECTED:
            raise BrokenChain("its format changed")
        return checked_rows(connection.execute(f"SELECT {SELECTED[found]} FROM event ORDER BY number"))


def _identity(path: Path) -> tuple[int, int]:
    """What tells a file from all others, under whatever name it is opened."""
    if not path.is_file():
        what = "is not a file" if path.exists() else "does not exist"
        raise InputError(what, where=str(path), allowed=JOB_FILE)
    status = os.stat(path)
    return status.st_dev, status.st_ino


def _held(path: Path, identity: tuple[int, int]) -> Held:
    """The file open for writing or, where no log can be kept beside it, only for reading and without locks."""
    if not _unlocked_here[identity]:
        try:
            return Held(connect(path, "mode=rw"), identity, locked=True)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in NO_LOG or _locked_here[identity] or not _no_log(path):
                raise
    return Held(connect(path, WITHOUT_LOCKS), identity, locked=False)


def _no_log(path: Path) -> bool:
    """Whether the file alone holds all: a log that is empty comes from a program that has not written yet."""
    try:
        return companion(path, "wal").stat().st_size == 0
    except FileNotFoundError:
        return True


def _check(path: Path) -> tuple[Row, ...]:
    """The rows of a file that is not open here, checked from the header to the last event."""
    try:
        return _check_whole(path)
    except (sqlite3.DatabaseError, BrokenChain):
        time.sleep(SETTLE_SECONDS)  # another program may have written while this one read without locks
        return _check_whole(path)


def _check_whole(path: Path) -> tuple[Row, ...]:
    _check_header(path)
    return _check_content(path)


def _check_header(path: Path) -> None:
    """Refuse by the first bytes, without SQLite, what is not a job file of a known format."""
    head, where = _head(path), str(path)
    if not head:
        raise InputError("is empty", where=where, allowed=JOB_FILE)
    if not _is_job(head):
        raise InputError("is not a job file", where=where, allowed=JOB_FILE)
    found = _number(head, 60)
    if found not in TABLES:
        allowed = f"format {min(TABLES)} to {FORMAT_VERSION}, or a newer leakinfer"
        raise InputError(f"has format {found}", where=where, allowed=allowed)
    if head[18:20] != WAL_MODE:
        raise damaged(path, "its header is wrong")


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(HEADER_BYTES)


def _is_job(head: bytes) -> bool:
    return len(head) == HEADER_BYTES and head.startswith(MAGIC) and _number(head, 68) == APPLICATION_ID


def _check_content(path: Path) -> tuple[Row, ...]:
    """Read everything once. Without a log beside it nobody writes into the file: it is read without locks or traces."""
    with closing(connect(path, WITHOUT_LOCKS if _no_log(path) else "mode=ro")) as connection, _one_state(connection):
        verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if verdict != "ok":
            raise BrokenChain(str(verdict))
        table = TABLES.get(version(connection))
        if connection.execute("SELECT sql FROM sqlite_master").fetchall() != [(table,)]:
            raise BrokenChain("its table is wrong")
        return read_rows(connection)


def _number(head: bytes, offset: int) -> int:
    """The big-endian 4-byte number at ``offset`` of the header."""
    return int.from_bytes(head[offset : offset + 4], "big")

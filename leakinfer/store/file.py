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
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.store.event import BrokenChain, Row, checked_rows

APPLICATION_ID = int.from_bytes(b"LkIn", "big")
FORMAT_VERSION = 1
BUSY_SECONDS = 5.0
SETTLE_SECONDS = 0.05

MAGIC = b"SQLite format 3\x00"
HEADER_BYTES = 100
WAL_MODE = b"\x02\x02"

TABLE = (
    "CREATE TABLE event (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL, moment TEXT NOT NULL, "
    "who TEXT NOT NULL, checksum BLOB NOT NULL)"
)
COLUMNS = "number, kind, body, moment, who, checksum"
# A commit is on the disk when it returns (on macOS only with fullfsync). Copying every commit back at once keeps the
# main file complete, for the person who copies it alone after a crash.
SETTINGS = ("synchronous=FULL", "fullfsync=1", "wal_autocheckpoint=1")

JOB_FILE = "a job file written by leakinfer"
WRITABLE = "a file and a folder that can be written"
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

# Closing any handle on a file drops all POSIX locks that this process holds on it (fcntl(2)), and with them SQLite's
# own. So a file that is open here already is not looked at again from outside SQLite.
_opening = threading.Lock()
_open_here: Counter[tuple[int, int]] = Counter()


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


def open_checked(path: Path) -> tuple[sqlite3.Connection, tuple[int, int]]:
    """A connection to a job file that passed the check, and the file's identity for :func:`close`.

    Raises:
        InputError: the file is missing, of another kind, newer, damaged or in use; nothing was changed.
    """
    with refusing(path), _opening:
        if not path.is_file():
            what = "is not a file" if path.exists() else "does not exist"
            raise InputError(what, where=str(path), allowed=JOB_FILE)
        status = os.stat(path)
        identity = (status.st_dev, status.st_ino)
        if not _open_here[identity]:
            _check(path)
        connection = _for_writing(path)
        _open_here[identity] += 1
        return connection, identity


def close(connection: sqlite3.Connection, identity: tuple[int, int]) -> None:
    """Close; the last one to close leaves one file."""
    with _opening:
        connection.close()
        _open_here[identity] -= 1


def read_rows(connection: sqlite3.Connection) -> tuple[Row, ...]:
    """All rows, verified.

    Raises:
        BrokenChain: the rows are not as they were written.
    """
    return checked_rows(connection.execute(f"SELECT {COLUMNS} FROM event ORDER BY number"))


def _for_writing(path: Path) -> sqlite3.Connection:
    """A connection that writes or, where no log can be kept beside the file, one that only reads."""
    try:
        return connect(path, "mode=rw")
    except sqlite3.OperationalError as error:
        no_rights = error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
        if not no_rights or companion(path, "wal").exists():
            raise
    return connect(path, "mode=ro&immutable=1")


def _check(path: Path) -> None:
    _check_header(path)
    try:
        _check_content(path)
    except (sqlite3.DatabaseError, BrokenChain):
        time.sleep(SETTLE_SECONDS)  # another program may have written while this one read without locks
        _check_content(path)


def _check_header(path: Path) -> None:
    """Refuse by the first bytes, without SQLite, what is not a job file of a known format."""
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    where = str(path)
    if not head:
        raise InputError("is empty", where=where, allowed=JOB_FILE)
    if len(head) < HEADER_BYTES or not head.startswith(MAGIC) or _number(head, 68) != APPLICATION_ID:
        raise InputError("is not a job file", where=where, allowed=JOB_FILE)
    version = _number(head, 60)
    if version != FORMAT_VERSION:
        raise InputError(f"has format {version}", where=where, allowed=f"format {FORMAT_VERSION}, or a newer leakinfer")
    if head[18:20] != WAL_MODE:
        raise damaged(path, "its header is wrong")


def _check_content(path: Path) -> None:
    """Read everything once. Without a log beside it nobody has the file open: it is read without locks or traces."""
    lonely = not companion(path, "wal").exists()
    with closing(connect(path, "mode=ro&immutable=1" if lonely else "mode=ro")) as connection:
        verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if verdict != "ok":
            raise BrokenChain(str(verdict))
        if connection.execute("SELECT sql FROM sqlite_master").fetchall() != [(TABLE,)]:
            raise BrokenChain("its table is wrong")
        read_rows(connection)


def _number(head: bytes, offset: int) -> int:
    """The big-endian 4-byte number at ``offset`` of the header."""
    return int.from_bytes(head[offset : offset + 4], "big")

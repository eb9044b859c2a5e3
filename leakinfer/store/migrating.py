"""A job file of an older format becomes one of today's: on a copy that takes its name at once, the old one kept."""

from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from itertools import count
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.store import file, making

_here = threading.Lock()  # one thread at a time, since opening the lock file a second time here would end its lock


def migrate(path: Path) -> Path | None:
    """Bring a job file to today's format; returns where the old file is kept, None if it had that format already.

    Every event keeps its number, moment and checksum. Until the new file is whole and checked the old one keeps its
    name; a program that is stopped midway leaves it so. An older leakinfer must not have the file open meanwhile.

    Raises:
        InputError: the file is no sound job file, is in use, or its folder cannot be written. It was not changed.
    """
    if path.exists() and not file.can_write(path):
        raise InputError("cannot be written", where=str(path), allowed=file.WRITABLE)
    real = path.resolve()
    with file.refusing(path), _alone(real):
        version = file.version_of(path)
        if version == file.FORMAT_VERSION:
            return None  # another program was faster
        rows = file.read_settled(path)
        with making.drafted(real) as draft:
            making.write_rows(draft, rows)
            _take_after(draft, real)
            kept = _keep(real, f"{real.name}.format{version}")
            if not file.read_checked(draft) == file.read_checked(path) == rows:
                raise file.in_use(path)
            os.replace(draft, real)
            making.flush(real.parent)
    return kept


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Only one program at a time is inside for this file; the lock is SQLite's, which ends with its program."""
    lock = path.with_name(f".{path.name}.migrating")
    with _here:
        while True:
            lock.touch()
            seen = [_identity(lock)]
            with closing(sqlite3.connect(lock, timeout=file.BUSY_SECONDS, isolation_level=None)) as connection:
                seen.append(_identity(lock))
                connection.execute("PRAGMA journal_mode=MEMORY")  # no file beside the lock
                connection.execute("BEGIN EXCLUSIVE")
                seen.append(_identity(lock))
                if None in seen or len(set(seen)) > 1:
                    continue  # the program before has removed the file that this lock is on
                try:
                    yield
                finally:
                    with suppress(OSError):
                        lock.unlink()
                return


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except FileNotFoundError:
        return None
    return status.st_dev, status.st_ino


def _take_after(draft: Path, path: Path) -> None:
    """Rights and, where that is allowed, the owner of the file whose name the draft will take."""
    shutil.copymode(path, draft)
    with suppress(OSError, AttributeError):
        os.chown(draft, path.stat().st_uid, path.stat().st_gid)


def _keep(path: Path, name: str) -> Path:
    """A second name for the old file beside it: ``name``, numbered if another file has that."""
    for number in count(1):
        kept = path.with_name(name if number == 1 else f"{name}-{number}")
        if not kept.exists():
            _name_again(path, kept)
        if kept.samefile(path) or kept.read_bytes() == path.read_bytes():
            break  # also one of an attempt that was stopped
    return kept


def _name_again(path: Path, kept: Path) -> None:
    """The same file under both names or, where a file cannot have two, a copy."""
    try:
        os.link(path, kept)
    except OSError:
        with making.drafted(kept) as copy:
            shutil.copy2(path, copy)
            with copy.open("rb+") as copied:
                os.fsync(copied.fileno())
            making.publish(copy, kept)

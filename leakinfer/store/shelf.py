"""A shelf: many jobs in one folder, each in a file of its own that is named after the job's id."""

from __future__ import annotations

import re
import time
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from hashlib import sha256
from itertools import count
from pathlib import Path
from typing import Any, Self

from leakinfer.errors import InputError
from leakinfer.store import file
from leakinfer.store.event import Row
from leakinfer.store.journal import create
from leakinfer.store.making import Taken, make_job

ENDING = ".job"
ID_ALPHABET = "at most 64 of a-z, 0-9 and -"
ID = re.compile("[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")
DEVICE = re.compile("con|prn|aux|nul|com[0-9]|lpt[0-9]")  # names that Windows keeps for itself
SLUG_LENGTH = 40
COARSE_SECONDS = 3.0  # file systems count the time of writing in steps of up to 2 s (FAT)
TITLE_LENGTH = 200


@dataclass(frozen=True)
class Shelved:
    """A job of the shelf in one line.

    ``events`` is their number, ``moment`` when the last was told (ISO 8601, UTC). ``error`` is empty for a sound file;
    else it says in one line what is wrong, ``id`` is the file's name and ``moment`` the time when it was written.
    """

    id: str
    title: str
    system: str
    events: int
    moment: str
    error: str = ""


@dataclass(frozen=True)
class Shelf:
    """A folder of job files."""

    folder: Path

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The shelf in a folder that is there.

        Raises:
            InputError: it is missing, is no folder or cannot be listed.
        """
        with file.refusing(folder):
            if not folder.is_dir():
                what = "is not a folder" if folder.exists() else "does not exist"
                raise InputError(what, where=str(folder), allowed="a folder for job files")
            shelf = cls(folder)
            shelf._files()
        return shelf

    def jobs(self) -> tuple[Shelved, ...]:
        """All jobs, the one that was told last first; files that cannot be used are among them with what is wrong.

        Raises:
            InputError: the folder cannot be listed.
        """
        with file.refusing(self.folder):
            files = self._files()
        return tuple(sorted(map(_shelved, files), key=lambda one: (one.moment, one.id), reverse=True))

    def path(self, job_id: str) -> Path:
        """The file of a job.

        Raises:
            InputError: there is no such job. An id is never read as a path.
        """
        if not ID.fullmatch(job_id):
            raise InputError("unknown job", where="job", allowed=ID_ALPHABET)
        path = self.folder / f"{job_id}{ENDING}"
        with file.refusing(path):
            if not path.is_file():
                raise InputError(f"unknown job '{job_id}'", where="job", allowed="a job of this shelf")
        return path

    def create(self, title: str, first: Mapping[str, Any], who: str = "", *, token: str | None = None) -> str:
        """A new job with its first event; returns its id, which comes from the title.

        ``token`` is a word of the caller's own: asked again with the same title and token, the job that was made then
        is returned and no other is made.

        Raises:
            InputError: the title is blank or too long, ``first`` is not a JSON object, or the folder cannot be written.
        """
        told = " ".join(title.split())
        if not 0 < len(told) <= TITLE_LENGTH:
            raise InputError(f"a title of {len(told)} characters", where="title", allowed=f"1 to {TITLE_LENGTH}")
        body = {**first, "title": told}
        if token is None:
            return self._numbered(told, lambda path: create(path, body, who=who).close())
        job_id = f"{_slug(told)}-{sha256(token.encode('utf-8', 'replace')).hexdigest()[:12]}"
        path = self.folder / f"{job_id}{ENDING}"
        try:
            create(path, body, who=who, token=token).close()
        except Taken:
            if file.read_checked(path)[0].token != token:
                raise
        return job_id

    def place(self, rows: Sequence[Row], *, once: bool = False) -> str:
        """A new job of rows that are there already; returns its id. ``once``: where a job of that title holds the
        very same rows, its id instead of another job.

        Raises:
            InputError: the folder cannot be written.
        """
        title, _ = _labels(rows[0], "job")
        return self._numbered(title, lambda path: (_make_or_find if once else make_job)(path, tuple(rows)))

    def _files(self) -> list[Path]:
        return sorted(path for path in self.folder.iterdir() if path.name.endswith(ENDING) and path.is_file())

    def _numbered(self, title: str, make: Callable[[Path], None]) -> str:
        """Make a job under the title's id or, where that is in use, the first one with a number that is free."""
        slug = _slug(title)
        for number in count(1):
            job_id = slug if number == 1 else f"{slug}-{number}"
            try:
                make(self.folder / f"{job_id}{ENDING}")
            except Taken:
                continue
            break
        return job_id


def _make_or_find(path: Path, rows: tuple[Row, ...]) -> None:
    """A new job file, or the one that holds just these rows.

    Raises:
        Taken: another job has the name.
    """
    try:
        make_job(path, rows)
    except Taken as taken:
        with suppress(InputError):  # a file that cannot be read is another one
            if file.read_checked(path) == rows:
                return
        raise taken


def _shelved(path: Path) -> Shelved:
    try:
        if not ID.fullmatch(path.name.removesuffix(ENDING)):
            raise InputError("has a name that a shelf cannot use", allowed=f"{ID_ALPHABET}, then {ENDING}")
        stamp = _stamp(path)
        return _read(path) if stamp is None else _read_once(path, stamp)
    except InputError as error:
        tail = f"; allowed: {error.allowed}" if error.allowed else ""
        return Shelved(path.name, path.name, "", 0, _written(path), f"{error.what}{tail}")


def _read(path: Path) -> Shelved:
    rows = file.read_checked(path)
    job_id = path.name.removesuffix(ENDING)
    return Shelved(job_id, *_labels(rows[0], job_id), len(rows), rows[-1].moment)


@lru_cache(maxsize=10_000)
def _read_once(path: Path, stamp: tuple[int, ...]) -> Shelved:
    """A file that nobody has written since it was read need not be read again to list it; opening it checks it anew."""
    return _read(path)


def _stamp(path: Path) -> tuple[int, ...] | None:
    """What changes when a file is written; None while it may be written without a change that can be seen."""
    with file.refusing(path):
        status = path.stat()
        just_now = abs(time.time() - status.st_mtime) < COARSE_SECONDS
        if just_now or file.companion(path, "wal").exists():
            return None
        return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns


def _labels(first: Row, otherwise: str) -> tuple[str, str]:
    """Title and name of the system, as far as the first event tells them as texts; ``otherwise`` is the title then."""
    body = first.event().body
    system = body.get("system")
    name = system.get("name") if isinstance(system, Mapping) else None
    title = body.get("title")
    return title if isinstance(title, str) else otherwise, name if isinstance(name, str) else ""


def _written(path: Path) -> str:
    """When the file was last written; empty if it is gone."""
    try:
        moment = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except OSError:
        return ""
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _slug(title: str) -> str:
    """A title as an id: its letters without their accents and its digits, in small, other characters as one hyphen."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode("ascii").lower()
    slug = re.sub("[^a-z0-9]+", "-", plain)[:SLUG_LENGTH].strip("-") or "job"
    return f"job-{slug}" if DEVICE.fullmatch(slug) else slug

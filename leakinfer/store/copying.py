"""Copies of job files into a dated folder, also while others write, each one checked before the folder appears."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.store import file, making
from leakinfer.store.shelf import ENDING, Shelf


@dataclass(frozen=True)
class Saved:
    """A job file and its copy, which holds the first ``events`` events of it: all that were told when it was made."""

    source: Path
    copy: Path
    events: int


@dataclass(frozen=True)
class Backup:
    """The dated folder, the copies in it, and the errors of the job files that are damaged and so were left out."""

    folder: Path
    saved: tuple[Saved, ...]
    damaged: tuple[InputError, ...]


def backup(source: Path | Shelf, target: Path) -> Backup:
    """Copy a job file, or all of a folder or shelf, into a new folder in ``target`` that is named after the time (UTC).

    Others may write meanwhile. A copy is a job file like any other: to restore it, copy it back.

    Raises:
        InputError: the one file is damaged, the folder holds no job file or none that is sound, or ``target`` is
            missing, full or cannot be written. No folder appears then.
    """
    path = source.folder if isinstance(source, Shelf) else source
    with file.refusing(path):
        many = path.is_dir()
        found = _job_files(path) if many else [path]
    if not found:
        raise InputError("holds no job file", where=str(path), allowed="a job file, or a folder of them")
    moment = datetime.now(UTC)
    with file.refusing(target), _drafted(target) as draft:
        results = [_tried(one, draft / one.name) for one in found]
        saved = [result for result in results if isinstance(result, Saved)]
        damaged = tuple(result for result in results if isinstance(result, InputError))
        if not saved:
            raise damaged[0]
        making.flush(draft)
        folder = _publish(draft, target, f"{moment:%Y-%m-%d-%H%M%S}")
    return Backup(folder, tuple(Saved(one.source, folder / one.copy.name, one.events) for one in saved), damaged)


def _job_files(folder: Path) -> list[Path]:
    """Files of a shelf, and others that say by their first bytes that they are job files."""
    return sorted(path for path in folder.iterdir() if path.is_file() and _is_job(path))


def _is_job(path: Path) -> bool:
    if path.name.startswith("."):
        return False  # half made
    try:
        return path.name.endswith(ENDING) or file.version_of(path) is not None
    except InputError:
        return False


@contextmanager
def _drafted(target: Path) -> Iterator[Path]:
    """A hidden folder in ``target`` to copy into; what is left of it in the end is removed."""
    if not target.is_dir():
        what = "is not a folder" if target.exists() else "does not exist"
        raise InputError(what, where=str(target), allowed="a folder that is there")
    draft = target / f".{secrets.token_hex(8)}.new"
    draft.mkdir()
    try:
        yield draft
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _publish(draft: Path, target: Path, name: str) -> Path:
    """Give the folder its name; a second backup in the same second gets a number."""
    for number in count(1):
        folder = target / (name if number == 1 else f"{name}-{number}")
        if folder.exists():
            continue
        os.rename(draft, folder)
        break
    making.flush(target)
    return folder


def _tried(source: Path, copy: Path) -> Saved | InputError:
    """The copy of a job file, or what is wrong with the file; failures on the side of the copy are raised."""
    try:
        held = file.open_checked(source)
    except InputError as error:
        return error
    try:
        with file.refusing(source):
            return Saved(source, copy, making.copy_job(held.connection, source, copy))
    finally:
        file.close(held)

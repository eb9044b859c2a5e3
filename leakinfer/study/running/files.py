"""Files that are there whole or not at all, also after a kill or a power cut; folders that one run has to itself."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from leakinfer.errors import InputError

UNFINISHED = ".part"


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A file to fill in the block; at its end it is on the disk and takes the name ``path``, unless something failed.

    The order is that of rename(2): content to the disk, then the name, then the folder.
    """
    unfinished = path.with_name(f"{path.name}.{secrets.token_hex(4)}{UNFINISHED}")
    try:
        yield unfinished
        _to_disk(unfinished)
        os.replace(unfinished, path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    _folder_to_disk(path.parent)


def write_whole(path: Path, data: bytes) -> None:
    """Write ``data`` under the name ``path``, whole or not at all."""
    with replacing(path) as unfinished:
        unfinished.write_bytes(data)


@contextmanager
def held(folder: Path, allowed: str) -> Iterator[None]:
    """A folder that no other run may use inside the block; made if it is not there. The end of a process lets go of it.

    Raises:
        InputError: it is a file, or another run has it.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError("is a file", where=str(folder), allowed=allowed)
    folder.mkdir(parents=True, exist_ok=True)
    if os.name != "posix":  # elsewhere folders cannot be opened
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        _lock(handle, folder)
        yield
    finally:
        os.close(handle)


def _lock(handle: int, folder: Path) -> None:
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        allowed = "waiting until that has ended"
        raise InputError("another run is at work there", where=str(folder), allowed=allowed) from error


def _to_disk(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _folder_to_disk(folder: Path) -> None:
    if os.name != "posix":  # elsewhere folders cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

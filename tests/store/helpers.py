"""Journals to try things on, and ways to take rights and space away."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import leakinfer
from leakinfer.errors import InputError
from leakinfer.store import Journal, create

NOBODY = 65534


def filled(path: Path, count: int) -> Path:
    """A closed journal of ``count`` events whose bodies can be found in the file's bytes."""
    with create(path, {"note": marker(1)}, who="Ada") as journal:
        for number in range(2, count + 1):
            journal.append("note", {"note": marker(number)}, who="Ada", expected_last=number - 1)
    return path


def marker(number: int) -> str:
    return f"marked body of event {number:04d} " + "oil on the flare nut " * 5


def refusal(path: Path) -> str:
    """The one line with which opening ``path`` is refused; nothing in its folder may change."""
    before = contents(path.parent)
    try:
        Journal.open(path).close()
    except InputError as error:
        line = str(error)
    else:
        raise AssertionError(f"{path} was opened")
    assert "\n" not in line
    assert str(path) in line
    assert contents(path.parent) == before
    return line


def contents(folder: Path) -> dict[str, bytes]:
    return {found.name: found.read_bytes() for found in folder.iterdir() if found.is_file()}


def child(script: str, *arguments: str | Path) -> subprocess.Popen[str]:
    """A Python process of its own that runs ``script``."""
    environment = os.environ | {"PYTHONPATH": str(Path(leakinfer.__file__).parent.parent)}
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)], stdout=subprocess.PIPE, text=True, env=environment
    )


@contextmanager
def without_root() -> Iterator[None]:
    """Root may write everywhere, so act as nobody meanwhile."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@contextmanager
def folder_for_all() -> Iterator[Path]:
    """A folder that every user can reach, other than those of pytest."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        yield folder
        folder.chmod(0o777)


@contextmanager
def quick_folder() -> Iterator[Path]:
    """A folder in memory if there is one, where flushing to the disk takes no time."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as name:
        yield Path(name)


@contextmanager
def files_limited_to(size: int) -> Iterator[None]:
    """No file can be written beyond ``size`` bytes meanwhile, as on a disk that is full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

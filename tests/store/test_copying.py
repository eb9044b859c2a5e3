"""Backups: checked copies in a dated folder, made while others write, and nothing half made."""

from __future__ import annotations

import os
import re
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from leakinfer.errors import InputError
from leakinfer.store import Journal, Shelf, backup, create, file

from .first_format import first_format, version
from .helpers import child, contents, filled, folder_for_all, quick_folder, without_root

APPEND_UNTIL_TOLD = """
import sys, pathlib, time
from leakinfer.store import Journal
with Journal.open(pathlib.Path(sys.argv[1])) as journal:
    for n in range(5000):
        journal.append("note", {"n": n, "fill": "x" * (n % 900)}, who=sys.argv[2], expected_last=None)
        print(n, flush=True)
        time.sleep(0.003)  # all of it is read for each copy
"""


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as quick:
        (quick / "copies").mkdir()
        (quick / "shelf").mkdir()
        yield quick


def rows(path: Path) -> tuple[Any, ...]:
    with Journal.open(path) as journal:
        return journal.rows()


def test_one_job_is_copied_into_a_folder_named_after_the_time(folder: Path) -> None:
    path = filled(folder / "a.job", 5)
    made = backup(path, folder / "copies")
    assert re.fullmatch(r"\d{4}-\d\d-\d\d-\d{6}", made.folder.name)
    assert [(one.source, one.copy, one.events) for one in made.saved] == [(path, made.folder / "a.job", 5)]
    assert list(folder.rglob("copies/**/*.*")) == [made.folder / "a.job"]
    assert made.damaged == ()
    assert rows(made.folder / "a.job") == rows(path)


def test_a_second_backup_replaces_nothing(folder: Path) -> None:
    filled(folder / "a.job", 2)
    made = [backup(folder / "a.job", folder / "copies").folder for _ in range(4)]
    assert len(set(made)) == 4
    assert sorted(folder.joinpath("copies").iterdir()) == sorted(made)


def test_a_shelf_is_copied_with_all_that_are_job_files(folder: Path) -> None:
    """Also those that end otherwise; a file that is damaged is told of and keeps no other from being copied."""
    shelf = Shelf.open(folder / "shelf")
    names = [shelf.create(title, {}, "Ada") for title in ("Loft", "Yard")]
    filled(folder / "shelf" / "by hand", 3)
    first_format(folder / "shelf" / "old.job")
    (folder / "shelf" / "bad.job").write_text("oil on the flare nut")
    (folder / "shelf" / "notes.txt").write_text("oil on the flare nut")
    (folder / "shelf" / "more").mkdir()
    for source in (shelf, shelf.folder):
        made = backup(source, folder / "copies")
        assert {one.copy.name: one.events for one in made.saved} == {
            **{f"{name}.job": 1 for name in names},
            "by hand": 3,
            "old.job": 4,
        }
        assert [str(error) for error in made.damaged] == [
            f"{shelf.folder / 'bad.job'}: is not a job file; allowed: a job file written by leakinfer"
        ]
        assert sorted(contents(made.folder)) == ["by hand", "loft.job", "old.job", "yard.job"]
        assert version(made.folder / "old.job") == 1
        assert rows(made.folder / "yard.job") == rows(shelf.path("yard"))


def test_a_copy_goes_on_where_the_job_was(folder: Path) -> None:
    """To restore is to copy back."""
    path = filled(folder / "a.job", 3)
    made = backup(path, folder / "copies")
    path.unlink()
    shutil.copy(made.saved[0].copy, path)
    with Journal.open(path) as journal:
        assert journal.append("note", {}, who="Ada", expected_last=3).number == 4


def test_copies_made_while_two_programs_write_are_sound_and_a_beginning(folder: Path) -> None:
    """Each copy holds all that was told before it was begun, and nothing but a beginning of the whole."""
    path = filled(folder / "shelf" / "a.job", 1)
    programs = [child(APPEND_UNTIL_TOLD, path, who) for who in ("Ada", "Bo")]
    copies, told = [], []
    try:
        for program in programs:
            assert program.stdout is not None
            program.stdout.readline()
        for number in range(15):
            if number % 3 == 0:  # also with the file open in this program
                with Journal.open(path) as journal:
                    told.append(len(journal.events()))
                    copies.append(backup(path, folder / "copies").saved[0])
            else:
                told.append(len(rows(path)))
                copies.append(backup(folder / "shelf", folder / "copies").saved[0])
    finally:
        for program in programs:
            program.kill()
            program.communicate()
    whole = rows(path)
    for one, before in zip(copies, told, strict=True):
        kept = rows(one.copy)
        assert len(kept) == one.events >= before
        assert kept == whole[: len(kept)]
    assert copies[-1].events > copies[0].events


def test_threads_that_write_here_are_not_kept_from_it(folder: Path) -> None:
    path = filled(folder / "a.job", 1)
    done = threading.Event()
    numbers: list[int] = []

    def tell() -> None:
        with Journal.open(path) as journal:
            while not done.is_set():
                numbers.append(journal.append("note", {}, who="Ada", expected_last=None).number)

    writer = threading.Thread(target=tell)
    writer.start()
    try:
        copies = [backup(path, folder / "copies").saved[0] for _ in range(10)]
    finally:
        done.set()
        writer.join()
    whole = rows(path)
    assert numbers == list(range(2, len(whole) + 1))
    for one in copies:
        assert rows(one.copy) == whole[: one.events]


def test_a_copy_that_is_not_what_was_told_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a stick that keeps something else than it was given."""
    path = filled(folder / "a.job", 3)
    other = filled(folder / "b.job", 3)
    read_checked = file.read_checked

    def swapped(copy: Path) -> Any:
        shutil.copy(other, copy)
        return read_checked(copy)

    monkeypatch.setattr(file, "read_checked", swapped)
    with pytest.raises(InputError, match=r"a\.job: is damaged \(it is not what was told\)"):
        backup(path, folder / "copies")
    assert list((folder / "copies").iterdir()) == []


def test_half_made_files_and_files_of_others_are_left_out() -> None:
    with folder_for_all() as folder:
        filled(folder / "a.job", 2)
        filled(folder / ".0123456789abcdef.new", 2)
        (folder / "secret").write_text("of another user")
        (folder / "secret").chmod(0o000)
        (folder / "copies").mkdir()
        (folder / "copies").chmod(0o777)
        with without_root():
            made = backup(folder, folder / "copies")
        assert [one.copy.name for one in made.saved] == ["a.job"]
        assert made.damaged == ()


def test_an_open_job_is_known_as_one_by_its_content(folder: Path) -> None:
    with create(folder / "shelf" / "by hand", {}):
        assert [one.copy.name for one in backup(folder / "shelf", folder / "copies").saved] == ["by hand"]


@pytest.mark.parametrize(
    ("source", "target", "line"),
    [
        ("nowhere.job", "copies", r"nowhere\.job: does not exist; allowed: a job file"),
        ("copies", "copies", r"copies: holds no job file; allowed: a job file, or a folder of them"),
        ("notes.txt", "copies", r"notes\.txt: is not a job file"),
        ("a.job", "nowhere", r"nowhere: does not exist; allowed: a folder that is there"),
        ("a.job", "a.job", r"a\.job: is not a folder; allowed: a folder that is there"),
    ],
)
def test_what_cannot_be_copied_is_refused(folder: Path, source: str, target: str, line: str) -> None:
    create(folder / "a.job", {}).close()
    (folder / "notes.txt").write_text("oil on the flare nut " * 20)
    with pytest.raises(InputError, match=line):
        backup(folder / source, folder / target)
    assert list((folder / "copies").iterdir()) == []


def test_nothing_appears_when_the_last_step_fails(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(source: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    filled(folder / "a.job", 2)
    monkeypatch.setattr(os, "rename", fails)
    with pytest.raises(InputError, match=r"copies: cannot be used \(No space left on device\)"):
        backup(folder / "a.job", folder / "copies")
    assert list((folder / "copies").iterdir()) == []

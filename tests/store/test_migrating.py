"""A file of the first format, written by hand in ``first_format.py``, becomes one of today's without any loss."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from leakinfer.errors import InputError
from leakinfer.store import Journal, export_json, file, import_json, making, migrate
from leakinfer.store.event import Row

from .first_format import TOLD, first_format, last_checksum, version
from .helpers import contents, files_limited_to, folder_for_all, without_root


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "loft.job"


def told(journal: Journal) -> list[Any]:
    return [(event.kind, event.body, event.when, event.who) for event in journal.events()]


def test_all_events_are_kept_with_their_checksums(path: Path) -> None:
    old = first_format(path).read_bytes()
    checksum = last_checksum(path)
    assert migrate(path) == path.with_name("loft.job.format1")
    assert contents(path.parent) == {"loft.job": path.read_bytes(), "loft.job.format1": old}
    assert version(path) == file.FORMAT_VERSION == 2
    assert last_checksum(path) == checksum
    with Journal.open(path) as journal:
        assert told(journal) == list(TOLD)
        assert {row.token for row in journal.rows()} == {None}


def test_an_old_file_is_read_as_it_is(path: Path) -> None:
    before = contents(first_format(path).parent)
    with Journal.open(path) as journal:
        assert told(journal) == list(TOLD)
    assert contents(path.parent) == before


def test_the_first_event_that_is_added_brings_an_old_file_to_todays_format(path: Path) -> None:
    old = first_format(path).read_bytes()
    with Journal.open(path) as journal:
        event = journal.append("note", {}, who="Ada", expected_last=len(TOLD), token="tap")
        assert journal.append("note", {}, who="Ada", expected_last=None, token="tap") == event
        assert told(journal)[:-1] == list(TOLD)
    assert sorted(contents(path.parent)) == ["loft.job", "loft.job.format1"]
    assert contents(path.parent)["loft.job.format1"] == old
    assert version(path) == 2
    assert migrate(path) is None


def test_undo_brings_an_old_file_to_todays_format(path: Path) -> None:
    with Journal.open(first_format(path)) as journal:
        assert journal.undo_last("Ada", token="tap").body == {"number": 4}
    assert version(path) == 2


def test_a_kept_file_opens_like_any_other(path: Path) -> None:
    migrate(first_format(path))
    with Journal.open(path.with_name("loft.job.format1")) as journal:
        assert told(journal) == list(TOLD)


def test_kept_files_are_never_replaced(path: Path) -> None:
    """A job that was brought back from an old backup is another file under the same name."""
    migrate(first_format(path))
    path.unlink()
    kept = migrate(first_format(path, TOLD[:2]))
    assert kept == path.with_name("loft.job.format1-2")
    assert first_format(path.with_name("again"), TOLD[:2]).read_bytes() == kept.read_bytes()


def test_rights_of_the_file_stay(path: Path) -> None:
    first_format(path).chmod(0o640)
    migrate(path)
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_link_stays_a_link(path: Path) -> None:
    first_format(path)
    link = path.parent / "elsewhere" / "link.job"
    link.parent.mkdir()
    link.symlink_to(path)
    with Journal.open(link) as journal:
        journal.append("note", {}, who="Ada", expected_last=None)
    assert link.is_symlink()
    assert version(path) == 2
    assert sorted(found.name for found in path.parent.iterdir()) == ["elsewhere", "loft.job", "loft.job.format1"]


def _fails(*_: Any, **__: Any) -> None:
    raise OSError(28, "No space left on device")


def _stops(*_: Any, **__: Any) -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize("how", [_fails, _stops])
@pytest.mark.parametrize(
    ("where", "name"),
    [(making, "write_rows"), (shutil, "copymode"), (os, "link"), (os, "replace")],
    ids=["writing", "rights", "keeping", "swapping"],
)
def test_an_interrupted_migration_leaves_the_old_file_whole(
    path: Path, monkeypatch: pytest.MonkeyPatch, where: Any, name: str, how: Callable[..., None]
) -> None:
    """Whatever step fails (os.link stands for a folder that cannot take the copy either), the next attempt ends it."""
    old = first_format(path).read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(where, name, how)
        if (name, how) == ("link", _fails):
            patch.setattr(shutil, "copy2", how)
        with Journal.open(path) as journal:
            with pytest.raises((InputError, KeyboardInterrupt)) as raised:
                journal.append("note", {}, who="Ada", expected_last=None)
            assert told(journal) == list(TOLD)
        assert raised.type is KeyboardInterrupt or "No space left" in str(raised.value)
    assert contents(path.parent)["loft.job"] == old
    assert set(contents(path.parent)) <= {"loft.job", "loft.job.format1"}
    with Journal.open(path) as journal:
        journal.append("note", {}, who="Ada", expected_last=None)
        assert told(journal)[:-1] == list(TOLD)
    assert contents(path.parent)["loft.job.format1"] == old
    assert sorted(contents(path.parent)) == ["loft.job", "loft.job.format1"]


def test_without_hard_links_the_old_file_is_copied(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a memory stick."""

    def no_links(source: Path, target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    old = first_format(path).read_bytes()
    migrate(path)
    assert contents(path.parent) == {"loft.job": path.read_bytes(), "loft.job.format1": old}
    assert version(path) == 2


def test_a_full_disk_leaves_the_old_file_whole(path: Path) -> None:
    long = ("note", {"long": "x" * 200_000}, "2026-01-02T03:12:05.006Z", "Ada")
    old = first_format(path, (*TOLD, long)).read_bytes()
    with files_limited_to(100_000), pytest.raises(InputError, match="full"):
        migrate(path)
    assert contents(path.parent) == {"loft.job": old}


def test_a_file_that_an_older_program_has_open_is_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It would go on writing into the file that was put aside."""
    monkeypatch.setattr(file, "BUSY_SECONDS", 0.2)
    with closing(sqlite3.connect(first_format(path), isolation_level=None)) as older:
        assert older.execute("SELECT count(*) FROM event").fetchone() == (len(TOLD),)
        with pytest.raises(InputError, match=r"loft\.job: is in use by another program; allowed: trying again"):
            migrate(path)
        with (
            Journal.open(path) as journal,
            pytest.raises(InputError, match=r"loft\.job: is in use by another program; allowed: trying again"),
        ):
            journal.append("note", {}, who="Ada", expected_last=None)
    migrate(path)
    with Journal.open(path) as journal:
        assert told(journal) == list(TOLD)


def test_a_file_that_is_being_read_here_is_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file, "BUSY_SECONDS", 0.2)
    with Journal.open(first_format(path)), pytest.raises(InputError, match="is in use by another program"):
        migrate(path)
    assert version(path) == 1


def test_an_event_of_an_older_program_at_the_last_moment_is_not_left_behind(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It came after the file was copied; the swap would lose it."""
    write_rows = making.write_rows

    def late(draft: Path, rows: Iterable[Row]) -> None:
        write_rows(draft, rows)
        first_format(path.with_name("grown"))
        os.replace(path.with_name("grown"), path)

    first_format(path, TOLD[:3])
    with monkeypatch.context() as patch:
        patch.setattr(making, "write_rows", late)
        with pytest.raises(InputError, match="is in use by another program"):
            migrate(path)
    migrate(path)
    with Journal.open(path) as journal:
        assert told(journal) == list(TOLD)


def test_only_one_program_at_a_time_migrates_a_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lock of one that was stopped keeps nobody out."""
    monkeypatch.setattr(file, "BUSY_SECONDS", 0.2)
    lock = path.with_name(".loft.job.migrating")
    with closing(sqlite3.connect(lock, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(InputError, match="is in use by another program"):
            migrate(first_format(path))
    assert lock.exists()
    assert migrate(path) == path.with_name("loft.job.format1")
    assert not lock.exists()


def test_what_an_older_program_left_in_its_log_is_taken_along(path: Path) -> None:
    first_format(path, TOLD[:3])
    donor = first_format(path.with_name("donor"))
    with closing(sqlite3.connect(donor)) as connection:
        row = connection.execute("SELECT * FROM event WHERE number = 4").fetchone()
    donor.unlink()
    writer = sqlite3.connect(path, isolation_level=None)
    try:
        writer.execute("PRAGMA wal_autocheckpoint=0")
        writer.execute("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", row)
        crashed = path.parent / "crashed" / "loft.job"
        crashed.parent.mkdir()
        for ending in ("", "-wal"):
            shutil.copy(f"{path}{ending}", f"{crashed}{ending}")
    finally:
        writer.close()
    migrate(crashed)
    with Journal.open(crashed) as journal:
        assert told(journal) == list(TOLD)
    assert sorted(contents(crashed.parent)) == ["loft.job", "loft.job.format1"]


@pytest.mark.parametrize("folder_mode", [0o555, 0o777])
def test_without_rights_an_old_file_can_be_read_as_it_is(folder_mode: int) -> None:
    """Neither the folder nor the file may be written, or only the file may not."""
    with folder_for_all() as folder:
        path = first_format(folder / "loft.job")
        path.chmod(0o444)
        folder.chmod(folder_mode)
        before = contents(folder)
        with without_root(), Journal.open(path) as journal:
            assert told(journal) == list(TOLD)
            with pytest.raises(InputError, match=r"loft\.job: cannot be .*written"):
                journal.append("note", {}, who="Ada", expected_last=None, token="tap")
            with pytest.raises(InputError, match=r"loft\.job: cannot be .*written"):
                journal.undo_last("Ada")
        with without_root(), pytest.raises(InputError, match="cannot be"):
            migrate(path)
        assert {name: contents(folder)[name] for name in before} == before


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE event SET body = '{}' WHERE number = 2", "event 2 is not as it was written"),
        ("PRAGMA user_version=2", "its table is wrong"),
        ("ALTER TABLE event ADD COLUMN token TEXT", "its table is wrong"),
    ],
)
def test_a_damaged_old_file_is_refused_and_left_alone(path: Path, statement: str, why: str) -> None:
    with closing(sqlite3.connect(first_format(path), isolation_level=None)) as connection:
        connection.execute(statement)
    before = contents(path.parent)
    with pytest.raises(InputError, match=why):
        Journal.open(path)
    assert contents(path.parent) == before
    if version(path) == 1:
        with pytest.raises(InputError, match=why):
            migrate(path)
    assert contents(path.parent) == before


def test_an_old_file_is_exported_as_a_new_one(path: Path, tmp_path: Path) -> None:
    with Journal.open(first_format(path)) as journal:
        exported = export_json(journal)
    with Journal.open(import_json(exported, tmp_path / "copy.job")) as journal:
        assert told(journal) == list(TOLD)
        assert export_json(journal) == exported

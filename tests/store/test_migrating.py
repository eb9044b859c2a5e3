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

from .first_format import TOLD, first_format, last_checksum, stored, version
from .helpers import contents, files_limited_to, folder_for_all, without_root


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "loft.job"


def told(journal: Journal) -> list[Any]:
    return [(event.kind, event.body, event.when, event.who) for event in journal.events()]


def test_all_events_are_kept_with_their_checksums(path: Path) -> None:
    old = stored(first_format(path))
    checksum = last_checksum(path)
    kept = migrate(path)
    assert kept == path.with_name("loft.job.format1")
    assert sorted(contents(path.parent)) == ["loft.job", "loft.job.format1"]
    assert stored(kept) == old
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
    old = stored(first_format(path))
    with Journal.open(path) as journal:
        event = journal.append("note", {}, who="Ada", expected_last=len(TOLD), token="tap")
        assert journal.append("note", {}, who="Ada", expected_last=None, token="tap") == event
        assert told(journal)[:-1] == list(TOLD)
    assert sorted(contents(path.parent)) == ["loft.job", "loft.job.format1"]
    assert stored(path.with_name("loft.job.format1")) == old
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
    assert stored(first_format(path.with_name("again"), TOLD[:2])) == stored(kept)


def test_rights_of_the_file_stay(path: Path) -> None:
    first_format(path).chmod(0o640)
    kept = migrate(path)
    assert kept is not None
    assert [one.stat().st_mode & 0o777 for one in (path, kept)] == [0o640, 0o640]


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
@pytest.mark.parametrize("name", ["copy_job", "drafted", "publish", "make_table", "made"])
def test_an_interrupted_migration_leaves_the_old_file_whole(
    path: Path, monkeypatch: pytest.MonkeyPatch, name: str, how: Callable[..., None]
) -> None:
    """Whatever step fails (``made``: all are done, but the transaction is not), the next attempt ends it."""
    old = stored(first_format(path))
    make_table = making.make_table

    def made(*told: Any) -> None:
        make_table(*told)
        how()

    with monkeypatch.context() as patch:
        patch.setattr(making, "make_table" if name == "made" else name, made if name == "made" else how)
        with Journal.open(path) as journal:
            with pytest.raises((InputError, KeyboardInterrupt)) as raised:
                journal.append("note", {}, who="Ada", expected_last=None)
            assert told(journal) == list(TOLD)
        assert raised.type is KeyboardInterrupt or "No space left" in str(raised.value)
    assert stored(path) == old
    assert set(contents(path.parent)) <= {"loft.job", "loft.job.format1"}
    with Journal.open(path) as journal:
        journal.append("note", {}, who="Ada", expected_last=None)
        assert told(journal)[:-1] == list(TOLD)
    assert stored(path.with_name("loft.job.format1")) == old
    assert sorted(contents(path.parent)) == ["loft.job", "loft.job.format1"]


def test_without_hard_links_the_old_file_is_copied(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a memory stick."""

    def no_links(source: Path, target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    old = stored(first_format(path))
    migrate(path)
    assert stored(path.with_name("loft.job.format1")) == old
    assert version(path) == 2


def test_a_full_disk_leaves_the_old_file_whole(path: Path) -> None:
    long = ("note", {"long": "x" * 200_000}, "2026-01-02T03:12:05.006Z", "Ada")
    old = first_format(path, (*TOLD, long)).read_bytes()
    with files_limited_to(100_000), pytest.raises(InputError, match="full"):
        migrate(path)
    assert contents(path.parent) == {"loft.job": old}


def test_whoever_has_the_file_open_goes_on_with_it(path: Path) -> None:
    """A new file under the old name would share the log of SQLite with theirs, and events of both would be lost."""
    with Journal.open(first_format(path)) as early, Journal.open(path) as reader:
        assert told(reader) == list(TOLD)
        identity = path.stat().st_ino
        with Journal.open(path) as late:
            first = late.append("note", {"first": 1}, who="Bö", expected_last=len(TOLD), token="one")
        second = early.append("note", {"second": 2}, who="Ada", expected_last=None, token="two")
        assert early.append("note", {"first": 1}, who="Bö", expected_last=None, token="one") == first
        assert [row.token for row in reader.rows()][len(TOLD) :] == ["one", "two"]
        assert reader.events()[len(TOLD) :] == (first, second)
    assert path.stat().st_ino == identity
    assert sorted(contents(path.parent)) == ["loft.job", "loft.job.format1"]


def test_an_older_program_that_has_the_file_open_goes_on_too(path: Path) -> None:
    """It knows no tokens: it names the six columns of its time, here without those that the checksum hangs on."""
    with closing(sqlite3.connect(first_format(path, TOLD[:3]), isolation_level=None)) as older:
        assert older.execute("SELECT count(*) FROM event").fetchone() == (3,)
        migrate(path)
        older.execute(
            "INSERT INTO event (number, kind, body, moment, who, checksum) VALUES (?, ?, ?, ?, ?, ?)", last_row(path)
        )
    with Journal.open(path) as journal:
        assert told(journal) == list(TOLD)


def last_row(path: Path) -> Any:
    """The fourth event, as a program of the first format stores it."""
    donor = first_format(path.with_name("donor"))
    with closing(sqlite3.connect(donor)) as connection:
        row = connection.execute("SELECT * FROM event WHERE number = 4").fetchone()
    donor.unlink()
    return row


def test_nobody_writes_between_the_copy_and_the_new_table(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What came then would be missing in the new one."""
    make_table, refused = making.make_table, list[str]()

    def late(connection: sqlite3.Connection, rows: Iterable[Row]) -> None:
        with closing(sqlite3.connect(path, timeout=0.05, isolation_level=None)) as other:
            try:
                other.execute("INSERT INTO event VALUES (5, 'note', '{}', '', '', x'00')")
            except sqlite3.OperationalError as error:
                refused.append(str(error))
        make_table(connection, rows)

    monkeypatch.setattr(making, "make_table", late)
    migrate(first_format(path))
    assert refused == ["database is locked"]
    with Journal.open(path) as journal:
        assert told(journal) == list(TOLD)


def test_a_file_that_others_write_into_all_the_time_is_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(file, "BUSY_SECONDS", 0.2)
    with closing(sqlite3.connect(first_format(path), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(InputError, match=r"loft\.job: is in use by another program; allowed: trying again"):
            migrate(path)
    assert migrate(path) == path.with_name("loft.job.format1")


def test_what_an_older_program_left_in_its_log_is_taken_along(path: Path) -> None:
    first_format(path, TOLD[:3])
    row = last_row(path)
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

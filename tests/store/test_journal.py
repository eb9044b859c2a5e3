"""What is told is kept, in order, and undoing takes nothing away."""

from __future__ import annotations

import math
import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some

from leakinfer.errors import InputError
from leakinfer.store import Event, Journal, create, file, live

from .helpers import contents, files_limited_to, filled, folder_for_all, quick_folder, without_root

JSON = some.recursive(
    some.none() | some.booleans() | some.integers() | some.floats(allow_nan=False, allow_infinity=False) | some.text(),
    lambda inner: some.lists(inner, max_size=4) | some.dictionaries(some.text(), inner, max_size=4),
    max_leaves=12,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "job one.leak"


@pytest.fixture
def open_folder() -> Iterator[Path]:
    with folder_for_all() as folder:
        yield folder


def notes(journal: Journal) -> list[Any]:
    return [event.body for event in journal.events()]


def test_events_come_back_as_told(path: Path) -> None:
    start = datetime.now(UTC).replace(microsecond=0)
    with create(path, {"system": "split"}, kind="job", who="Ada") as journal:
        second = journal.append("finding", {"grams": 120.5, "at": ["λ", None, True]}, who="Bo", expected_last=1)
        assert second == journal.events()[1]
    with Journal.open(path) as journal:
        first, again = journal.events()
    assert (first.number, first.kind, first.body, first.who) == (1, "job", {"system": "split"}, "Ada")
    assert again == second
    assert (again.number, again.body, again.who) == (2, {"grams": 120.5, "at": ["λ", None, True]}, "Bo")
    for event in (first, again):
        assert event.when.endswith("Z")
        assert start <= datetime.fromisoformat(event.when) <= datetime.now(UTC)


def test_one_file_remains(path: Path) -> None:
    filled(path, 5)
    assert [found.name for found in path.parent.iterdir()] == [path.name]


@given(body=some.dictionaries(some.text(), JSON), who=some.text())
def test_any_json_object_comes_back(body: dict[str, Any], who: str) -> None:
    with quick_folder() as folder, create(folder / "j", body, who=who) as journal:
        (event,) = journal.events()
        assert (event.body, event.who) == (body, who)


@pytest.mark.parametrize(
    "body", [[1], "text", None, {"a": math.nan}, {"a": math.inf}, {"a": {1, 2}}, {"a": "\ud800"}, {("a",): 1}]
)
def test_what_is_not_json_is_refused_and_nothing_kept(path: Path, body: Any) -> None:
    with create(path, {}) as journal:
        with pytest.raises(InputError, match="body of an event"):
            journal.append("note", body, who="Ada", expected_last=None)
        assert len(journal.events()) == 1
        assert journal.append("note", {}, who="Ada", expected_last=1).number == 2


@pytest.mark.parametrize(("kind", "who"), [("", "Ada"), (" ", "Ada"), ("undo", "Ada"), ("note", "\udfff")])
def test_wrong_kind_or_person_is_refused(path: Path, kind: str, who: str) -> None:
    with create(path, {}) as journal:
        with pytest.raises(InputError):
            journal.append(kind, {}, who=who, expected_last=None)
        assert len(journal.events()) == 1


def test_writing_on_an_old_view_is_refused(path: Path) -> None:
    with create(path, {}) as mine, Journal.open(path) as theirs:
        theirs.append("note", {"by": "them"}, who="Bo", expected_last=1)
        with pytest.raises(InputError, match=r"has moved on to event 2 from event 1; allowed: reading it again"):
            mine.append("note", {"by": "me"}, who="Ada", expected_last=1)
        mine.append("note", {"by": "me"}, who="Ada", expected_last=2)
        assert notes(mine) == notes(theirs) == [{}, {"by": "them"}, {"by": "me"}]


def test_undo_takes_back_one_event_after_the_other(path: Path) -> None:
    with create(path, {"n": 1}) as journal:
        for n in (2, 3):
            journal.append("note", {"n": n}, who="Ada", expected_last=None)
        undo = journal.undo_last("Bo")
        assert (undo.number, undo.kind, undo.body, undo.who) == (4, "undo", {"number": 3}, "Bo")
        assert [event.number for event in live(journal.events())] == [1, 2]
        journal.append("note", {"n": 5}, who="Ada", expected_last=4)
        assert [event.number for event in live(journal.events())] == [1, 2, 5]
        # an undo is not itself undone: the next ones go further back, over what was undone before
        assert [journal.undo_last("Bo").body["number"] for _ in range(2)] == [5, 2]
        with pytest.raises(InputError, match="nothing left to undo"):
            journal.undo_last("Bo")
        assert [event.number for event in live(journal.events())] == [1]
        assert [event.number for event in journal.events()] == list(range(1, 8))


def test_live_of_nothing_is_nothing() -> None:
    assert live(()) == ()
    only = Event(1, "begin", {}, "2026-01-01T00:00:00.000Z", "")
    assert live([only]) == (only,)


def test_create_never_replaces_a_file(path: Path) -> None:
    for text in ("", "my notes"):
        path.write_text(text)
        with pytest.raises(InputError, match="exists already"):
            create(path, {})
        assert contents(path.parent) == {path.name: text.encode()}


def test_create_never_replaces_a_link_to_nowhere(path: Path) -> None:
    path.symlink_to(path.parent / "nowhere")
    with pytest.raises(InputError, match="exists already"):
        create(path, {})
    assert path.is_symlink()


def test_create_refuses_the_remains_of_another_job(path: Path) -> None:
    log = path.with_name(path.name + "-wal")
    log.write_bytes(b"log of a job whose file is lost")
    with pytest.raises(InputError, match="remains of another job"):
        create(path, {})
    assert list(path.parent.iterdir()) == [log]


def test_create_leaves_nothing_when_the_first_event_is_refused(path: Path) -> None:
    with pytest.raises(InputError):
        create(path, {"a": math.nan})
    assert list(path.parent.iterdir()) == []


def test_create_in_a_missing_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="missing"):
        create(tmp_path / "missing" / "job", {})


@pytest.mark.parametrize("late", [False, True])
def test_create_without_hard_links(path: Path, monkeypatch: pytest.MonkeyPatch, late: bool) -> None:
    """As on a memory stick, also when another file takes the name at the last moment."""

    def no_links(source: Path, target: Path) -> None:
        if late:
            target.write_text("theirs")
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    if late:
        with pytest.raises(InputError, match="exists already"):
            create(path, {"n": 1})
        assert contents(path.parent) == {path.name: b"theirs"}
    else:
        with create(path, {"n": 1}) as journal:
            assert notes(journal) == [{"n": 1}]
        assert list(path.parent.iterdir()) == [path]


def test_create_never_replaces_a_file_that_comes_at_the_last_moment(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = os.link

    def late(source: Path, target: Path) -> None:
        target.write_text("theirs")
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(InputError, match="exists already"):
        create(path, {"n": 1})
    assert contents(path.parent) == {path.name: b"theirs"}


@pytest.mark.parametrize("name", ["a?b#c%20.leak", "ü 'quoted'.leak", "-wal", "x" * 240])
def test_any_file_name_will_do(tmp_path: Path, name: str) -> None:
    path = filled(tmp_path / name, 2)
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_leads_to_the_journal(path: Path) -> None:
    filled(path, 2)
    link = path.with_name("link")
    link.symlink_to(path)
    with Journal.open(link) as journal:
        journal.append("note", {"n": 3}, who="Ada", expected_last=2)
    with Journal.open(path) as journal:
        assert len(journal.events()) == 3


def test_commits_are_flushed_to_the_disk(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """FULL is 2 in the pragma's numbering (sqlite.org/pragma.html#pragma_synchronous)."""
    opened: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def watched(*arguments: Any, **options: Any) -> sqlite3.Connection:
        opened.append(connect(*arguments, **options))
        return opened[-1]

    monkeypatch.setattr(sqlite3, "connect", watched)
    with create(path, {}):
        assert opened[-1].execute("PRAGMA synchronous").fetchone() == (2,)
        assert opened[-1].execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_the_main_file_alone_is_complete_at_any_time(path: Path) -> None:
    with create(path, {"n": 1}) as journal:
        for n in (2, 3):
            journal.append("note", {"n": n}, who="Ada", expected_last=None)
        # a copy by another process, since reading the file here would drop this process's locks on it
        assert os.system(f"cp '{path}' '{path}.copy'") == 0
    with Journal.open(Path(f"{path}.copy")) as copy:
        assert notes(copy) == [{"n": 1}, {"n": 2}, {"n": 3}]


def test_a_closed_journal_is_closed(path: Path) -> None:
    journal = create(path, {})
    journal.close()
    journal.close()
    with pytest.raises(sqlite3.ProgrammingError):
        journal.events()


@pytest.mark.parametrize("mode", [0o444, 0o666])
def test_in_a_folder_without_rights_it_can_be_read_but_not_written(open_folder: Path, mode: int) -> None:
    path = filled(open_folder / "job", 3)
    path.chmod(mode)
    open_folder.chmod(0o555)
    before = contents(open_folder)
    with without_root(), Journal.open(path) as journal:
        assert len(journal.events()) == 3
        with pytest.raises(InputError, match=r"job: cannot be .*written; allowed: a file and a folder that can"):
            journal.append("note", {}, who="Ada", expected_last=3)
        with pytest.raises(InputError, match=r"job: cannot be .*written"):
            journal.undo_last("Ada")
        with pytest.raises(InputError, match=r"new: cannot be .*written"):
            create(open_folder / "new", {})
    assert contents(open_folder) == before


def test_unfinished_work_in_a_folder_without_rights_is_refused(open_folder: Path) -> None:
    """Read without its log, the journal could lack what was told last."""
    path = filled(open_folder / "job", 3)
    log = open_folder / "job-wal"
    log.write_bytes(bytes(32 + 24 + 4096))  # as long as a log of one page: sqlite.org/fileformat2.html, section 4
    for found in (path, log):
        found.chmod(0o444)
    open_folder.chmod(0o555)
    with without_root(), pytest.raises(InputError, match=r"job: cannot be .*written; allowed: .*folder"):
        Journal.open(path)


def test_a_file_without_rights_can_be_read_but_not_written(open_folder: Path) -> None:
    path = filled(open_folder / "job", 3)
    path.chmod(0o444)
    with without_root(), Journal.open(path) as journal:
        assert len(journal.events()) == 3
        with pytest.raises(InputError, match=r"job: cannot be written"):
            journal.append("note", {}, who="Ada", expected_last=3)
    path.chmod(0o000)
    with without_root(), pytest.raises(InputError, match=r"job: cannot be used \(Permission denied\)"):
        Journal.open(path)


def test_a_file_is_open_here_with_locks_or_without_but_never_both(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Closing a file that was opened without locks would end the locks of the others (fcntl(2), on POSIX)."""
    connect = file.connect

    def full(path: Path, options: str) -> sqlite3.Connection:
        if options == "mode=rw":
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise error
        return connect(path, options)

    filled(path, 2)
    with monkeypatch.context() as patch:
        patch.setattr(file, "connect", full)
        first = Journal.open(path)
    with first, Journal.open(path) as second:
        for journal in (first, second):
            assert len(journal.events()) == 2
            with pytest.raises(InputError, match=r"cannot be written; allowed: .* a disk with free space"):
                journal.append("note", {}, who="Ada", expected_last=2)
    with Journal.open(path) as journal:
        journal.append("note", {}, who="Ada", expected_last=2)
        monkeypatch.setattr(file, "connect", full)
        with pytest.raises(InputError, match="the disk is full"):
            Journal.open(path)


def test_a_full_disk_loses_nothing(path: Path) -> None:
    with create(path, {"n": 1}) as journal:
        journal.append("note", {"n": 2}, who="Ada", expected_last=1)
        with (
            files_limited_to(100_000),
            pytest.raises(InputError, match=r"job one\.leak: cannot be .*full; allowed: .*free space"),
        ):
            journal.append("note", {"long": "x" * 1_000_000}, who="Ada", expected_last=2)
        assert notes(journal) == [{"n": 1}, {"n": 2}]
        journal.append("note", {"n": 3}, who="Ada", expected_last=2)
    with Journal.open(path) as journal:
        assert notes(journal) == [{"n": 1}, {"n": 2}, {"n": 3}]


def test_create_on_a_full_disk_leaves_nothing(path: Path) -> None:
    with files_limited_to(2_000), pytest.raises(InputError, match="full"):
        create(path, {})
    assert list(path.parent.iterdir()) == []

"""The same telling told again is told once, and an old view is refused with where the job is now."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from leakinfer.errors import InputError
from leakinfer.store import Journal, Moved, create, live

from .helpers import child

TELL_SAME = """
import sys, pathlib
from leakinfer.store import Journal
with Journal.open(pathlib.Path(sys.argv[1])) as journal:
    for n in range(int(sys.argv[2])):
        body = {"n": n}
        print(journal.append("note", body, who="Ada", expected_last=None, token=f"tap {n}").number)
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "job"


def test_the_same_token_again_gives_the_event_that_is_there(path: Path) -> None:
    """Also after others have written, from the old view, and in a journal that was opened anew."""
    with create(path, {}) as journal:
        told = journal.append("finding", {"n": 1}, who="Ada", expected_last=1, token="tap")
        journal.append("note", {}, who="Bo", expected_last=2)
        assert journal.append("finding", {"n": 1}, who="Ada", expected_last=1, token="tap") == told
    with Journal.open(path) as journal:
        assert journal.append("finding", {"n": 1}, who="Ada", expected_last=1, token="tap") == told
        assert [event.number for event in journal.events()] == [1, 2, 3]


def test_a_token_told_again_after_its_event_was_undone_stays_undone(path: Path) -> None:
    with create(path, {}) as journal:
        told = journal.append("finding", {"n": 1}, who="Ada", expected_last=1, token="tap")
        journal.undo_last("Ada")
        assert journal.append("finding", {"n": 1}, who="Ada", expected_last=1, token="tap") == told
        assert [event.number for event in live(journal.events())] == [1]


@pytest.mark.parametrize(
    ("kind", "body", "who"), [("skip", {}, "Ada"), ("finding", {"n": 2}, "Ada"), ("finding", {}, "")]
)
def test_a_token_of_something_else_is_refused(path: Path, kind: str, body: dict[str, int], who: str) -> None:
    """Two buttons of one page that were both pressed: the second must not seem to be told."""
    with create(path, {}) as journal:
        journal.append("finding", {}, who="Ada", expected_last=1, token="tap")
        with pytest.raises(
            Moved, match=r"job: was told something else from this view, as event 2; allowed: "
        ) as refused:
            journal.append(kind, body, who=who, expected_last=1, token="tap")
        assert refused.value.last == 2
        assert len(journal.events()) == 2


def test_undo_asked_for_twice_undoes_once(path: Path) -> None:
    with create(path, {}) as journal:
        for number in (1, 2):
            journal.append("note", {}, who="Ada", expected_last=number, token=f"tap {number}")
        undo = journal.undo_last("Ada", expected_last=3, token="back")
        assert journal.undo_last("Ada", expected_last=3, token="back") == undo
        assert [event.number for event in live(journal.events())] == [1, 2]
        for wrong in ("tap 1", "back"):
            with pytest.raises(Moved, match="something else"):
                journal.undo_last("Bo", token=wrong)
        with pytest.raises(Moved, match="something else"):
            journal.append("note", {}, who="Ada", expected_last=None, token="back")
        with pytest.raises(Moved, match="moved on to event 4 from event 3"):
            journal.undo_last("Ada", expected_last=3, token="back again")


def test_an_old_view_is_told_where_the_job_is_now(path: Path) -> None:
    with create(path, {}) as journal:
        for number in (1, 2, 3):
            journal.append("note", {}, who="Ada", expected_last=number)
        with pytest.raises(Moved) as refused:
            journal.append("note", {}, who="Bo", expected_last=2, token="tap")
        assert refused.value.last == 4
        assert isinstance(refused.value, InputError)
        assert journal.append("note", {}, who="Bo", expected_last=refused.value.last, token="tap").number == 5


@pytest.mark.parametrize("token", ["", "  ", "x" * 201, "\ud800"])
def test_a_token_that_cannot_be_kept_is_refused(path: Path, token: str) -> None:
    with create(path, {}) as journal:
        with pytest.raises(InputError, match="token"):
            journal.append("note", {}, who="Ada", expected_last=None, token=token)
        journal.append("note", {}, who="Ada", expected_last=1)
        with pytest.raises(InputError, match="token"):
            journal.undo_last("Ada", token=token)
        assert len(journal.events()) == 2


def test_events_without_a_token_are_not_taken_for_one_another(path: Path) -> None:
    with create(path, {}) as journal:
        numbers = [journal.append("note", {}, who="Ada", expected_last=None).number for _ in range(3)]
    assert numbers == [2, 3, 4]


def test_threads_that_tell_the_same_at_once_tell_it_once(path: Path) -> None:
    create(path, {}).close()
    count, start, numbers = 30, threading.Barrier(4), list[tuple[int, int]]()

    def tell() -> None:
        with Journal.open(path) as journal:
            start.wait()
            for n in range(count):
                event = journal.append("note", {"n": n}, who="Ada", expected_last=None, token=f"tap {n}")
                numbers.append((n, event.number))

    threads = [threading.Thread(target=tell) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(numbers) == 4 * count
    assert len(set(numbers)) == count
    with Journal.open(path) as journal:
        assert sorted(event.body["n"] for event in journal.events()[1:]) == list(range(count))


def test_programs_that_tell_the_same_at_once_tell_it_once(path: Path) -> None:
    create(path, {}).close()
    count = 60
    programs = [child(TELL_SAME, path, str(count)) for _ in range(2)]
    answers = [program.communicate()[0].split() for program in programs]
    assert [program.returncode for program in programs] == [0, 0]
    assert answers[0] == answers[1]
    assert sorted(map(int, answers[0])) == list(range(2, count + 2))
    with Journal.open(path) as journal:
        assert sorted(event.body["n"] for event in journal.events()[1:]) == list(range(count))

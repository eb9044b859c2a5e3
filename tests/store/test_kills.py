"""What was acknowledged is there, whenever the programs that write are killed."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from leakinfer.store import Event, Journal, file

from .bursts import bursts
from .first_format import TOLD, first_format
from .helpers import filled, quick_folder

RUNS = 200
RUNS_A_FILE = 20  # then a new one, since all of it is read after each run
LONGEST = 0.03  # seconds until a kill

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A kill does not care for the kind of disk, and on a quick one far more is told until it comes."""
    with quick_folder() as quick:
        yield quick


def tokens(path: Path) -> dict[str, Event]:
    """Events by their token; the file is checked as it is read."""
    with Journal.open(path) as journal:
        return {row.token: row.event() for row in journal.rows() if row.token is not None}


@pytest.mark.slow
def test_two_hundred_kills_of_two_programs_with_two_threads_each(folder: Path) -> None:
    """One program is killed while the other goes on, then that one; both at moments drawn evenly.

    After each run every acknowledged event is in its place, nothing is there that was not told, and telling all
    again that was begun, as a phone does that had no answer, leaves each one there once.
    """
    rng = random.Random(20260201)
    acknowledged = begun = 0
    with bursts() as writers:
        for run in range(RUNS):
            path = folder / f"{run // RUNS_A_FILE}.job"
            if run % RUNS_A_FILE == 0:
                filled(path, 1)
            before = tokens(path)
            said = writers.said([path], [rng.uniform(0, LONGEST) for _ in range(2)], run)
            assert [words for words in said if words[0] == "refused"] == []
            tried = [words[1] for words in said if words[0] == "try"]
            told = {words[1]: int(words[2]) for words in said if words[0] == "told"}
            there = tokens(path)
            assert {token: there[token].number for token in told} == told
            assert set(there) <= {*tried, *before}
            assert all(there[token] == event for token, event in before.items())
            _tell_again(path, tried, there)
            assert [found.name for found in folder.iterdir() if found.name.startswith(path.name)] == [path.name]
            acknowledged += len(told)
            begun += len(tried)
    assert begun > acknowledged > 0


def _tell_again(path: Path, tried: list[str], there: dict[str, Event]) -> None:
    with Journal.open(path) as journal:
        count = len(journal.events())
        for token in tried:
            if token not in there:
                journal.append("note", {}, who="", expected_last=None, token=token)
                count += 1
        for token, event in there.items():
            assert journal.append(event.kind, event.body, who=event.who, expected_last=None, token=token) == event
        assert len(journal.events()) == count


@pytest.mark.slow
def test_kills_while_old_files_are_brought_to_todays_format(folder: Path) -> None:
    """Four threads of two programs open the same old files: each is migrated once, and no event is lost on the way."""
    rng = random.Random(20260202)
    acknowledged = migrated = 0
    with bursts() as writers:
        for run in range(40):
            shelf = folder / str(run)
            shelf.mkdir()
            paths = [first_format(shelf / f"{number}.job") for number in range(6)]
            said = writers.said(paths, [rng.uniform(0, 5 * LONGEST) for _ in range(2)], run)
            assert [words for words in said if words[0] == "refused"] == []
            told = {words[1] for words in said if words[0] == "told"}
            migrated += sum(file.version_of(path) == file.FORMAT_VERSION for path in paths)
            found = {token for path in paths for token in tokens(path)}
            assert told <= found
            for path in paths:
                with Journal.open(path) as journal:
                    first = [(event.kind, event.body, event.when, event.who) for event in journal.events()]
                assert first[: len(TOLD)] == list(TOLD)
            acknowledged += len(told)
    assert migrated > 0
    assert acknowledged > 0

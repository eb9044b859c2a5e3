"""A file that is not as it was written is refused in one line and left alone."""

from __future__ import annotations

import random
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from leakinfer.errors import InputError
from leakinfer.store import Event, Journal, file

from .helpers import filled, marker, refusal

EVENTS = 80


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody else writes here, so do not wait for them before the second look."""
    monkeypatch.setattr(file, "SETTLE_SECONDS", 0.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "job"


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("sound") / "job", EVENTS)


@pytest.fixture(scope="module")
def told(sound: Path) -> tuple[Event, ...]:
    with Journal.open(sound) as journal:
        return journal.events()


def sqlite_file(path: Path, *statements: str) -> Path:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)
    return path


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    assert re.search(r"job: does not exist; allowed: a job file", refusal(tmp_path / "job"))
    assert re.search(r"is not a file; allowed: a job file", refusal(tmp_path))


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "is empty"),
        (b"x", "is not a job file"),
        (b"Oil on the flare nut.\n" * 40, "is not a job file"),
        (bytes(range(256)) * 40, "is not a job file"),
        (b"SQLite format 3\x00", "is not a job file"),
        (b"SQLite format 3\x00" + bytes(5000), "is not a job file"),
    ],
)
def test_other_files_are_refused(path: Path, content: bytes, what: str) -> None:
    path.write_bytes(content)
    assert f"{what}; allowed: a job file written by leakinfer" in refusal(path)


@pytest.mark.parametrize("mode", ["WAL", "DELETE"])
def test_databases_of_others_are_refused(path: Path, mode: str) -> None:
    sqlite_file(path, f"PRAGMA journal_mode={mode}", "CREATE TABLE event (number INTEGER)", "PRAGMA application_id=7")
    assert "is not a job file" in refusal(path)


@pytest.mark.parametrize("version", [0, 3, 900])
def test_other_versions_are_refused(path: Path, sound: Path, version: int) -> None:
    shutil.copy(sound, path)
    sqlite_file(path, f"PRAGMA user_version={version}")
    assert f"has format {version}; allowed: format 1 to 2, or a newer leakinfer" in refusal(path)


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE event SET body = '{}' WHERE number = 3", "event 3 is not as it was written"),
        ("UPDATE event SET kind = 'other' WHERE number = 3", "event 3 is not as it was written"),
        ("UPDATE event SET who = 'Eve' WHERE number = 3", "event 3 is not as it was written"),
        ("UPDATE event SET moment = '2020-01-01T00:00:00.000Z' WHERE number = 3", "event 3 is not as it was written"),
        ("UPDATE event SET checksum = zeroblob(32) WHERE number = 80", "event 80 is not as it was written"),
        ("UPDATE event SET checksum = 'text' WHERE number = 80", "event 80 is missing or misshapen"),
        ("DELETE FROM event WHERE number = 1", "event 1 is missing or misshapen"),
        ("DELETE FROM event WHERE number = 40", "event 40 is missing or misshapen"),
        ("DELETE FROM event", "its first event is missing"),
        ("DROP TABLE event", "its table is wrong"),
        ("ALTER TABLE event RENAME COLUMN who TO person", "its table is wrong"),
        ("CREATE TABLE more (number INTEGER)", "its table is wrong"),
        ("CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM event; END", "its table is wrong"),
        ("PRAGMA journal_mode=DELETE", "its header is wrong"),
    ],
)
def test_edited_journals_are_refused(path: Path, sound: Path, statement: str, why: str) -> None:
    shutil.copy(sound, path)
    sqlite_file(path, statement)
    assert f"is damaged ({why})" in refusal(path)


@pytest.mark.parametrize("name", [b"CREATE", b"TABLE", b"kind"])
def test_a_table_whose_own_words_are_no_text_is_refused(path: Path, sound: Path, name: bytes) -> None:
    """SQLite repeats a name of the file in its message, and the bytes there need not be UTF-8."""
    data = sound.read_bytes()
    at = data.index(name, data.index(b"CREATE TABLE"))
    path.write_bytes(data[:at] + b"\xff" + data[at + 1 :])
    assert "is damaged" in refusal(path)


def test_an_event_of_another_job_is_refused(path: Path, sound: Path, tmp_path: Path) -> None:
    """It is whole in itself, but does not follow on what came before it here."""
    shutil.copy(sound, path)
    other = filled(tmp_path / "other", 5)
    row = "SELECT moment, checksum FROM other.event WHERE number = 5"
    splice = f"UPDATE event SET (moment, checksum) = ({row}) WHERE number = 5"
    sqlite_file(path, f"ATTACH '{other}' AS other", splice, "DELETE FROM event WHERE number > 5")
    assert "is damaged (event 5 is not as it was written)" in refusal(path)


def test_a_wrong_count_of_free_pages_is_refused(path: Path, sound: Path) -> None:
    """All events can be read, but writing would do harm. Offset 36: sqlite.org/fileformat2.html, section 1.3."""
    whole = sound.read_bytes()
    path.write_bytes(whole[:36] + bytes([0, 0, 0, 5]) + whole[40:])
    assert "is damaged" in refusal(path)


def test_truncated_journals_are_refused(path: Path, sound: Path) -> None:
    whole = sound.read_bytes()
    cuts = random.Random(20260101).sample(range(1, len(whole)), 40)
    for cut in (*cuts, *range(4096, len(whole), 4096), 99, 100, len(whole) - 1):
        path.write_bytes(whole[:cut])
        assert re.search("is damaged|is not a job file", refusal(path)), cut


def test_torn_journals_are_refused(path: Path, sound: Path) -> None:
    """A page of zeros, or an old page, where a newer one belongs."""
    whole = sound.read_bytes()
    for start in range(4096, len(whole), 4096):
        path.write_bytes(whole[:start] + bytes(4096) + whole[start + 4096 :])
        assert "is damaged" in refusal(path), start
        path.write_bytes(whole[:start] + whole[4096:8192] + whole[start + 4096 :])
        if start != 4096:
            assert "is damaged" in refusal(path), start


def test_a_flipped_bit_in_an_event_is_refused(path: Path, sound: Path) -> None:
    whole = sound.read_bytes()
    rng = random.Random(20260102)
    for number in range(1, EVENTS + 1):
        body = marker(number).encode()
        assert whole.count(body) == 1
        offset = whole.index(body) + rng.randrange(len(body))
        path.write_bytes(_flipped(whole, offset, rng.randrange(8)))
        whys = f"event {number} is not as it was written|a text in it is not Unicode"
        assert re.search(rf"is damaged \(({whys})\)", refusal(path))


def test_a_flipped_bit_anywhere_never_changes_what_was_told(path: Path, sound: Path, told: tuple[Event, ...]) -> None:
    """It is refused, or it lies where nothing is stored and the events are all there."""
    whole = sound.read_bytes()
    rng = random.Random(20260103)
    offsets = (*range(100), *(rng.randrange(100, len(whole)) for _ in range(300)))
    refused = 0
    for offset in offsets:
        path.write_bytes(_flipped(whole, offset, rng.randrange(8)))
        try:
            with Journal.open(path) as journal:
                assert journal.events() == told, offset
        except InputError:
            refusal(path)
            refused += 1
        for left in path.parent.iterdir():
            assert left == path, offset
    assert refused > 100


def test_damage_while_it_is_open_is_refused(path: Path, sound: Path) -> None:
    shutil.copy(sound, path)
    with Journal.open(path) as journal:
        sqlite_file(path, "UPDATE event SET body = '{}' WHERE number = 3")
        with pytest.raises(InputError, match=r"job: is damaged \(event 3 is not as it was written\)"):
            journal.events()


def test_a_damaged_journal_with_an_unfinished_log_is_left_alone(path: Path, sound: Path) -> None:
    """What a crashed program left in the log is not played into a file that is refused."""
    shutil.copy(sound, path)
    writer = sqlite3.connect(path, isolation_level=None)
    try:
        writer.execute("PRAGMA wal_autocheckpoint=0")
        writer.execute("UPDATE event SET body = '{}' WHERE number = 3")
        crashed = path.parent / "crashed" / "job"
        crashed.parent.mkdir()
        for ending in ("", "-wal"):
            shutil.copy(f"{path}{ending}", f"{crashed}{ending}")
    finally:
        writer.close()
    before = {name: Path(f"{crashed}{name}").read_bytes() for name in ("", "-wal")}
    assert before["-wal"]
    with pytest.raises(InputError, match="event 3 is not as it was written"):
        Journal.open(crashed)
    assert {name: Path(f"{crashed}{name}").read_bytes() for name in ("", "-wal")} == before


def _flipped(whole: bytes, offset: int, bit: int) -> bytes:
    changed = bytearray(whole)
    changed[offset] ^= 1 << bit
    return bytes(changed)


def test_a_file_that_takes_the_name_while_it_is_opened_is_the_one_that_is_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when a backup is put back: locks are then counted for it, not for the file that had the name before."""
    path, other = filled(tmp_path / "a.job", 2), filled(tmp_path / "b.job", 3)
    connect = file.connect

    def late(asked: Path, options: str) -> sqlite3.Connection:
        if options == "mode=rw" and other.exists():
            other.replace(asked)
        return connect(asked, options)

    monkeypatch.setattr(file, "connect", late)
    held = file.open_checked(path)
    try:
        status = path.stat()
        assert held.identity == (status.st_dev, status.st_ino)
        assert len(file.read_rows(held.connection)) == 3
    finally:
        file.close(held)

"""Many jobs in one folder: found by their id alone, and listed even if they cannot be used."""

from __future__ import annotations

import os
import random
import re
import string
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from leakinfer.errors import InputError
from leakinfer.store import Journal, Shelf, Shelved, file, journal
from leakinfer.store.event import Row

from .first_format import first_format
from .helpers import contents, filled, folder_for_all, quick_folder, without_root

ID = r"[a-z0-9-]{1,64}"


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as quick:
        yield quick


@pytest.fixture
def jobs(folder: Path) -> Shelf:
    return Shelf.open(folder)


def clock(monkeypatch: pytest.MonkeyPatch, moment: str) -> None:
    """What the journal takes for now."""
    monkeypatch.setattr(journal, "_now", lambda: moment)


def test_an_empty_folder_is_a_shelf_without_jobs(jobs: Shelf) -> None:
    assert jobs.jobs() == ()


def test_jobs_are_listed_with_the_last_told_first(jobs: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    clock(monkeypatch, "2026-03-01T08:00:00.000Z")
    first = jobs.create("  Loft,\n north  side", {"system": {"name": "Ducted split"}}, "Ada")
    clock(monkeypatch, "2026-03-02T08:00:00.000Z")
    second = jobs.create("Yard", {"system": "?"}, "Bo")
    old = Shelved("loft-north-side", "Loft, north side", "Ducted split", 1, "2026-03-01T08:00:00.000Z")
    new = Shelved("yard", "Yard", "", 1, "2026-03-02T08:00:00.000Z")
    assert (first, second) == (old.id, new.id)
    assert jobs.jobs() == (new, old)
    clock(monkeypatch, "2026-03-03T08:00:00.000Z")
    with Journal.open(jobs.path(first)) as told:
        told.append("note", {}, who="Ada", expected_last=1)
        newest = Shelved(old.id, old.title, old.system, 2, "2026-03-03T08:00:00.000Z")
        assert jobs.jobs() == (newest, new)  # while it is open
    assert jobs.jobs() == (newest, new)


def test_a_job_made_by_hand_has_its_file_for_a_title(jobs: Shelf) -> None:
    filled(jobs.folder / "attic.job", 3)
    (found,) = jobs.jobs()
    assert (found.id, found.title, found.system, found.events, found.error) == ("attic", "attic", "", 3, "")


def test_files_that_cannot_be_used_are_listed_with_what_is_wrong(jobs: Shelf) -> None:
    filled(jobs.folder / "good.job", 1)
    bad = filled(jobs.folder / "bad.job", 3)
    bad.write_bytes(bad.read_bytes().replace(b"event 0002", b"event 0007"))
    (jobs.folder / "notes.job").write_text("oil on the flare nut")
    filled(jobs.folder / "Attic Café.job", 1)
    filled(jobs.folder / "newer.job", 1)
    (jobs.folder / "newer.job").write_bytes(_of_version(jobs.folder / "newer.job", 9))
    (jobs.folder / "other.txt").write_text("not of this shelf")
    (jobs.folder / "folder.job").mkdir()
    for stale, name in enumerate(("bad.job", "notes.job", "Attic Café.job", "newer.job"), start=1):
        os.utime(jobs.folder / name, (stale * 1000.0, stale * 1000.0))
    listed = jobs.jobs()
    assert [found.id for found in listed] == ["good", "newer.job", "Attic Café.job", "notes.job", "bad.job"]
    errors = {found.id: found.error for found in listed}
    assert errors == {
        "good": "",
        "newer.job": "has format 9; allowed: format 1 to 2, or a newer leakinfer",
        "Attic Café.job": "has a name that a shelf cannot use; allowed: at most 64 of a-z, 0-9 and -, then .job",
        "notes.job": "is not a job file; allowed: a job file written by leakinfer",
        "bad.job": "is damaged (event 2 is not as it was written); allowed: the undamaged file, as from a backup",
    }
    assert listed[-1].moment == "1970-01-01T00:16:40.000Z"
    with pytest.raises(InputError, match="unknown job"):
        jobs.path("notes.job")


def _of_version(path: Path, version: int) -> bytes:
    """Offset 60 of the header: sqlite.org/fileformat2.html, section 1.3."""
    whole = path.read_bytes()
    return whole[:60] + version.to_bytes(4, "big") + whole[64:]


def test_damage_is_seen_also_after_a_file_was_listed_as_sound(jobs: Shelf) -> None:
    path = filled(jobs.folder / "a.job", 3)
    os.utime(path, (1000.0, 1000.0))
    assert [found.error for found in jobs.jobs() * 2] == ["", ""]
    path.write_bytes(path.read_bytes().replace(b"event 0002", b"event 0007"))
    assert "event 2 is not as it was written" in jobs.jobs()[0].error


def test_what_is_told_is_listed_at_once(jobs: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """Although files are not read again while nothing changes: that is counted here."""
    path = filled(jobs.folder / "a.job", 1)
    read: list[Path] = []
    read_checked = file.read_checked

    def counted(one: Path) -> tuple[Row, ...]:
        read.append(one)
        return read_checked(one)

    monkeypatch.setattr(file, "read_checked", counted)
    for number in range(2, 12):
        with Journal.open(path) as told:
            told.append("note", {}, who="Ada", expected_last=None)
            assert jobs.jobs()[0].events == number
        assert jobs.jobs()[0].events == number
    os.utime(path, (1000.0, 1000.0))
    before = len(read)
    assert {jobs.jobs()[0].events for _ in range(5)} == {11}
    assert len(read) == before + 1


def test_a_file_that_goes_away_meanwhile_is_listed_as_missing(jobs: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    read_checked = file.read_checked

    def gone(path: Path) -> tuple[Row, ...]:
        path.unlink()
        return read_checked(path)

    filled(jobs.folder / "a.job", 1)
    monkeypatch.setattr(file, "read_checked", gone)
    (found,) = jobs.jobs()
    assert (found.id, found.moment) == ("a.job", "")
    assert found.error == "does not exist; allowed: a job file written by leakinfer"


def test_listing_leaves_no_traces_and_does_not_migrate(jobs: Shelf) -> None:
    first_format(jobs.folder / "old.job")
    filled(jobs.folder / "new.job", 2)
    before = contents(jobs.folder)
    assert {found.id: found.events for found in jobs.jobs()} == {"old": 4, "new": 2}
    assert contents(jobs.folder) == before


PATHS = ["", ".", "..", "../a", "a/b", "a\\b", "/etc/passwd", "a.job", "A", "a b", "ä", "a\n", "\x00", "-a", "a-", "~"]
LONG = ["a" * 65, "a%2e", "%2e%2e%2fa", "a:b", "con.job"]


@pytest.mark.parametrize("job_id", [*PATHS, *LONG])
def test_an_id_is_never_read_as_a_path(folder: Path, job_id: str) -> None:
    inner = folder / "inner"
    inner.mkdir()
    for path in (folder / "a.job", inner / "a.job", folder / "A.job"):
        filled(path, 1)
    with pytest.raises(InputError, match=r"^job: unknown job; allowed: at most 64 of a-z, 0-9 and -$"):
        Shelf.open(inner).path(job_id)


@given(job_id=some.text(max_size=8) | some.text(alphabet="a./\\-%~:0\x00 ", max_size=12))
def test_only_names_of_the_shelf_reach_the_folder(job_id: str) -> None:
    """Whatever is asked for, the answer is a job of the folder itself, or one line."""
    with quick_folder() as quick:
        filled(quick / "a.job", 1)
        found = _path(Shelf(quick), job_id)
        assert found == (str(quick / "a.job") if job_id == "a" else found)
        assert job_id == "a" or found.startswith("job: unknown job")


def _path(jobs: Shelf, job_id: str) -> str:
    try:
        return str(jobs.path(job_id))
    except InputError as error:
        return str(error)


def test_an_unknown_job_is_refused(jobs: Shelf) -> None:
    with pytest.raises(InputError, match=r"^job: unknown job 'attic'; allowed: a job of this shelf$"):
        jobs.path("attic")
    (jobs.folder / "attic.job").mkdir()
    with pytest.raises(InputError, match="unknown job 'attic'"):
        jobs.path("attic")


@given(title=some.text(min_size=1, max_size=200).filter(lambda title: title.strip()))
def test_any_title_gives_an_id_and_is_kept(title: str) -> None:
    with quick_folder() as quick:
        job_id = Shelf(quick).create(title, {}, "Ada")
        assert re.fullmatch(ID, job_id)
        (found,) = Shelf(quick).jobs()
        assert (found.id, found.title, found.error) == (job_id, " ".join(title.split()), "")


@pytest.mark.parametrize(
    ("title", "job_id"),
    [
        ("Loft", "loft"),
        ("Größe Œ 3/2", "groe-3-2"),
        ("屋根", "job"),
        ("../../etc", "etc"),
        ("NUL", "job-nul"),
        ("x" * 100, "x" * 40),
        ("x" * 39 + " yard", "x" * 39),
    ],
)
def test_ids_come_from_titles(jobs: Shelf, title: str, job_id: str) -> None:
    assert jobs.create(title, {}) == job_id
    assert jobs.create(title, {}) == f"{job_id}-2"


@pytest.mark.parametrize("title", ["", " \n", "x" * 201, "\ud800"])
def test_a_title_that_cannot_be_kept_is_refused(jobs: Shelf, title: str) -> None:
    with pytest.raises(InputError):
        jobs.create(title, {})
    assert contents(jobs.folder) == {}


def test_the_same_token_again_gives_the_job_that_is_there(jobs: Shelf) -> None:
    """A form that was sent twice."""
    rng = random.Random(20260203)
    tokens = ["".join(rng.choices(string.printable, k=12)) for _ in range(20)]
    made = [jobs.create("Loft", {"n": n}, "Ada", token=token) for n, token in enumerate(tokens)]
    assert len(set(made)) == 20
    assert all(re.fullmatch(rf"loft-{ID}", job_id) for job_id in made)
    assert [jobs.create("Loft", {"n": n}, "Ada", token=token) for n, token in enumerate(tokens)] == made
    assert len(jobs.jobs()) == 20
    for job_id in made:
        with Journal.open(jobs.path(job_id)) as told:
            assert len(told.events()) == 1


def test_a_file_of_another_token_under_that_name_is_not_taken_for_the_job(jobs: Shelf) -> None:
    job_id = jobs.create("Loft", {}, "Ada", token="tap")
    jobs.path(job_id).unlink()
    filled(jobs.folder / f"{job_id}.job", 1)
    with pytest.raises(InputError, match="exists already"):
        jobs.create("Loft", {}, "Ada", token="tap")


def test_many_who_create_at_once_all_get_a_job_of_their_own(jobs: Shelf) -> None:
    made: list[str] = []
    again: list[str] = []
    start = threading.Barrier(6)

    def make() -> None:
        start.wait()
        for n in range(5):
            made.append(jobs.create("Loft", {}, "Ada"))
            again.append(jobs.create("Yard", {}, "Ada", token=f"tap {n}"))

    threads = [threading.Thread(target=make) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(made) == sorted(["loft", *(f"loft-{number}" for number in range(2, 31))])
    assert len(again) == 30
    assert len(set(again)) == 5
    assert len(jobs.jobs()) == 35
    assert all(found.error == "" for found in jobs.jobs())


def test_what_is_no_folder_is_refused(folder: Path) -> None:
    (folder / "notes").write_text("")
    for name, what in (("nowhere", "does not exist"), ("notes", "is not a folder")):
        with pytest.raises(InputError, match=rf"{name}: {what}; allowed: a folder for job files"):
            Shelf.open(folder / name)


def test_a_folder_without_rights_is_refused_or_only_read() -> None:
    with folder_for_all() as folder:
        jobs = Shelf.open(folder)
        filled(folder / "a.job", 2)
        folder.chmod(0o555)
        with without_root():
            assert [found.events for found in jobs.jobs()] == [2]
            with pytest.raises(InputError, match=r"loft\.job: cannot be .*written"):
                jobs.create("Loft", {})
        folder.chmod(0o000)
        with without_root(), pytest.raises(InputError, match=r"cannot be used \(Permission denied\)"):
            Shelf.open(folder)

"""Full disks and disks that cannot be written: one line for people, and nothing that was acknowledged is lost."""

from __future__ import annotations

from pathlib import Path

from .first_format import first_format
from .mounts import run_on_a_disk

APPENDING = """
told = []
journal = create(disk / "a.job", {"n": 1})
fill()
lines = []
for n in range(200):
    try:
        journal.append("note", {"n": n, "long": "x" * 3000}, who="Ada", expected_last=None, token=f"tap {n}")
        told.append(n)
    except InputError as error:
        lines.append(error.line())
still_read = len(journal.events())
journal.close()
closed = refused(lambda: Journal.open(disk / "a.job").close())
empty()
with Journal.open(disk / "a.job") as journal:
    kept = [event.body["n"] for event in journal.events()[1:]]
    again = []
    for n in range(20):
        body = {"n": n, "long": "x" * 3000}
        again.append(journal.append("note", body, who="Ada", expected_last=None, token=f"tap {n}").number)
    count = len(journal.events())
print(json.dumps({"told": told, "lines": lines, "still_read": still_read, "kept": kept, "again": again,
                  "count": count, "names": names(), "closed": closed}))
"""


def test_a_disk_that_is_full_while_events_are_told(tmp_path: Path) -> None:
    """Each is either acknowledged and there, or refused and not there; with space again, telling goes on."""
    found = run_on_a_disk(tmp_path, APPENDING)
    assert found["kept"] == found["told"]
    assert found["still_read"] == 1 + len(found["told"])
    assert len(found["lines"]) == 200 - len(found["told"]) > 0
    for line in found["lines"]:
        assert "a.job: cannot be " in line
        assert "full" in line
        assert "\n" not in line
    assert len(set(found["again"])) == 20
    assert found["count"] == 1 + len(set(found["told"]) | set(range(20)))
    assert found["names"] == ["a.job"]


FULL = """
shelf = Shelf.open(disk)
job = shelf.create("Loft", {"fill": "x" * 20_000}, "Ada")
with Journal.open(shelf.path(job)) as journal:
    exported = export_json(journal)
old = disk / "old.job"
old.write_bytes((outside / "old.job").read_bytes())
(disk / "copies").mkdir()
before = {name: (disk / name).read_bytes() for name in ("loft.job", "old.job")}
fill()
steps = {
    "create": lambda: shelf.create("Yard", {"fill": "x" * 20_000}, "Ada"),
    "import": lambda: import_json(exported, shelf),
    "export": lambda: write_export(exported, disk / "loft.json"),
    "backup": lambda: backup(shelf, disk / "copies"),
    "backup of one": lambda: backup(disk / "loft.job", disk / "copies"),
    "migrate": lambda: migrate(old),
}
lines = {name: refused(step) for name, step in steps.items()}
left = names()
with Journal.open(disk / "loft.job") as journal:
    read = len(journal.events())
    late = refused(lambda: journal.append("note", {}, who="Ada", expected_last=None))
saved = [[one.copy.name, one.events] for one in backup(shelf, outside).saved]
listed = [[one.id, one.error] for one in shelf.jobs()]
same = all((disk / name).read_bytes() == content for name, content in before.items())
empty()
done = {name: refused(step) for name, step in steps.items()}
in_the_end = names()
print(json.dumps({"lines": lines, "left": left, "listed": listed, "same": same, "done": done, "end": in_the_end,
                  "read": read, "saved": saved, "late": late}))
"""


def test_a_full_disk_refuses_new_files_and_leaves_the_old_ones(tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    first_format(tmp_path / "outside" / "old.job")
    found = run_on_a_disk(tmp_path, FULL)
    for name, line in found["lines"].items():
        assert "full" in line or "No space left" in line, name
        assert "\n" not in line
    logs = {"loft.job-wal", "loft.job-shm", "old.job-wal", "old.job-shm"}  # empty ones, of what could not be opened
    assert [name for name in found["left"] if name not in logs] == ["copies", "loft.job", "old.job"]
    assert found["same"]
    assert found["read"] == 1
    assert "cannot be written; allowed: a file and a folder that can be written, on a disk with free" in found["late"]
    assert found["saved"] == [["loft.job", 1], ["old.job", 4]]
    assert sorted(found["listed"]) == [["loft", ""], ["old", ""]]
    assert set(found["done"].values()) == {"done"}
    assert not logs & set(found["end"])


READ_ONLY = """
shelf = Shelf.open(disk)
job = shelf.create("Loft", {"n": 1}, "Ada")
(disk / "old.job").write_bytes((outside / "old.job").read_bytes())
(disk / "copies").mkdir()
journal = Journal.open(shelf.path(job))
journal.append("note", {}, who="Ada", expected_last=1, token="tap")
journal.close()
mount("-o", "remount,ro")
with Journal.open(shelf.path(job)) as journal, Journal.open(disk / "old.job") as old:
    exported = export_json(journal)
    lines = {
        "append": refused(lambda: journal.append("note", {}, who="Ada", expected_last=2)),
        "undo": refused(lambda: journal.undo_last("Ada")),
        "append to an old one": refused(lambda: old.append("note", {}, who="Ada", expected_last=None)),
        "migrate": refused(lambda: migrate(disk / "old.job")),
        "create": refused(lambda: shelf.create("Yard", {}, "Ada")),
        "import": refused(lambda: import_json(exported, shelf)),
        "export": refused(lambda: write_export(exported, disk / "loft.json")),
        "backup": refused(lambda: backup(shelf, disk / "copies")),
    }
    read = [len(journal.events()), len(old.events())]
listed = [[one.id, one.events, one.error] for one in shelf.jobs()]
saved = backup(shelf, outside)
copies = [[one.copy.name, one.events] for one in saved.saved]
print(json.dumps({"lines": lines, "read": read, "listed": sorted(listed), "copies": copies, "names": names()}))
"""


def test_a_disk_that_cannot_be_written_can_be_read_listed_and_backed_up(tmp_path: Path) -> None:
    """Root, too, may not write there, so this needs no other user."""
    (tmp_path / "outside").mkdir()
    first_format(tmp_path / "outside" / "old.job")
    found = run_on_a_disk(tmp_path, READ_ONLY)
    for name, line in found["lines"].items():
        assert "cannot be" in line, name
        assert "\n" not in line
    assert found["read"] == [2, 4]
    assert found["listed"] == [["loft", 2, ""], ["old", 4, ""]]
    assert found["copies"] == [["loft.job", 2], ["old.job", 4]]
    assert found["names"] == ["copies", "loft.job", "old.job"]

"""Programs that are killed, and programs that write at the same time; ``test_kills.py`` kills far more often."""

from __future__ import annotations

import random
import time
from pathlib import Path

from leakinfer.store import Journal, create

from .helpers import child, filled

KILLS = 6

APPEND_FOREVER = """
import sys, itertools, pathlib
from leakinfer.store import Journal
with Journal.open(pathlib.Path(sys.argv[1])) as journal:
    for n in itertools.count():
        body = {"run": int(sys.argv[2]), "n": n, "fill": "x" * (n % 700)}
        event = journal.append("note", body, who="Ada", expected_last=None)
        print(event.number, n, flush=True)
"""

CREATE_FOREVER = """
import sys, itertools, pathlib
from leakinfer.store import create
for n in itertools.count():
    create(pathlib.Path(sys.argv[1], f"job{n}"), {"n": n}).close()
    print(n, flush=True)
"""

APPEND_MANY = """
import sys, pathlib
from leakinfer.store import Journal
with Journal.open(pathlib.Path(sys.argv[1])) as journal:
    for n in range(int(sys.argv[3])):
        journal.append("note", {"n": n}, who=sys.argv[2], expected_last=None)
"""


def killed(script: str, arguments: tuple[str | Path, ...], rng: random.Random) -> list[str]:
    """Kill the script (SIGKILL) up to 60 ms after its first line; its finished lines, each one an acknowledgement."""
    process = child(script, *arguments)
    assert process.stdout is not None
    first = process.stdout.readline()
    time.sleep(rng.uniform(0, 0.06))
    process.kill()
    rest = process.stdout.read()
    process.stdout.close()
    assert process.wait() == -9
    return [line for line in (first + rest).splitlines(keepends=True) if line.endswith("\n")]


def test_what_was_acknowledged_survives_a_kill(tmp_path: Path) -> None:
    path = filled(tmp_path / "job", 1)
    rng = random.Random(20260104)
    acknowledged: dict[int, tuple[int, int]] = {}
    for run in range(KILLS):
        for line in killed(APPEND_FOREVER, (path, str(run)), rng):
            number, n = map(int, line.split())
            acknowledged[number] = (run, n)
        with Journal.open(path) as journal:
            events = {event.number: event.body for event in journal.events()}
        kept = {number: (events[number]["run"], events[number]["n"]) for number in acknowledged}
        assert kept == acknowledged
        assert [found.name for found in tmp_path.iterdir()] == ["job"]
    assert len(acknowledged) > KILLS


def test_a_kill_while_creating_leaves_no_half_made_journal(tmp_path: Path) -> None:
    rng = random.Random(20260105)
    for run in range(6):
        folder = tmp_path / str(run)
        folder.mkdir()
        done = killed(CREATE_FOREVER, (folder,), rng)
        made = sorted(folder.glob("job*[0-9]"))
        assert len(made) >= len(done) > 0
        for path in made:
            with Journal.open(path) as journal:
                assert [event.body for event in journal.events()] == [{"n": int(path.name[3:])}]


def test_two_programs_at_once_are_both_kept(tmp_path: Path) -> None:
    path = filled(tmp_path / "job", 1)
    count = 60
    programs = {who: child(APPEND_MANY, path, who, str(count)) for who in ("Ada", "Bo")}
    for program in programs.values():
        program.communicate()
        assert program.returncode == 0
    with Journal.open(path) as journal:
        events = journal.events()
    assert len(events) == 1 + 2 * count
    for who in programs:
        assert [event.body["n"] for event in events[1:] if event.who == who] == list(range(count))


def test_opening_twice_here_does_not_end_the_journal_for_others(tmp_path: Path) -> None:
    """Another program that closes must not take itself for the last one and remove the log that is in use here."""
    path = tmp_path / "job"
    with create(path, {"n": 1}) as journal:
        Journal.open(path).close()
        other = child(APPEND_MANY, path, "Bo", "1")
        other.communicate()
        assert other.returncode == 0
        assert Path(f"{path}-wal").exists()
        assert journal.append("note", {"n": 2}, who="Ada", expected_last=2).number == 3
        other = child(APPEND_MANY, path, "Bo", "1")
        other.communicate()
        assert other.returncode == 0
    with Journal.open(path) as journal:
        assert [event.who for event in journal.events()] == ["", "Bo", "Ada", "Bo"]

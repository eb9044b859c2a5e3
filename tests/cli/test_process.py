"""The command as a process of its own: what it loads, and what happens when it is cut off."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from leakinfer.cli.entry import INTERRUPTED, guarded
from leakinfer.store import Journal

from .helpers import MAIN, answer, as_object, begun, environment, process

HEAVY = {
    "arviz",
    "CoolProp",
    "jinja2",
    "matplotlib",
    "pandas",
    "pymc",
    "pytensor",
    "rich",
    "scipy",
    "starlette",
    "xarray",
}

LOADED = """
import json, sys
from leakinfer.cli import main
try:
    main(sys.argv[1:])
except SystemExit as end:
    print(json.dumps([end.code, sorted(sys.modules)]), file=sys.stderr)
"""

RECORD_FOREVER = """
import sys, itertools
from leakinfer.cli import main
for n in itertools.count():
    try:
        note = f"{sys.argv[2]}.{n}"
        main(["record", sys.argv[1], "oil_point", "liquid_port_core", "no_oil", "--note", note, "--json"])
    except SystemExit as end:
        assert end.code == 0
"""


def loaded(*arguments: str | Path) -> tuple[set[str], str]:
    """The modules that a command has loaded at its end, and its stdout."""
    child = process(LOADED, *arguments)
    out, err = child.communicate()
    code, modules = json.loads(err)
    assert code == 0
    return {name.split(".")[0] for name in modules}, out


def test_where_next_loads_nothing_heavy(tmp_path: Path) -> None:
    modules, out = loaded("next", begun(tmp_path), "--json")
    assert as_object(out)["next"]
    assert not modules & HEAVY


def test_help_loads_next_to_nothing() -> None:
    modules, out = loaded("--help")
    assert "record" in out
    assert not modules & (HEAVY | {"numpy", "msgspec", "sqlite3"})


def test_the_package_runs_as_the_command_does(tmp_path: Path) -> None:
    """Where the folder of programs is not on the path, ``python -m leakinfer`` serves."""
    shown = []
    for told in ([sys.executable, "-c", MAIN], [sys.executable, "-m", "leakinfer"]):
        done = subprocess.run(
            [*told, "next", "none.job"], cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
        )
        assert done.returncode == 2
        shown.append(done.stderr)
    assert shown[0] == shown[1]
    assert shown[0].startswith("leakinfer: none.job: does not exist")


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252"])
def test_any_terminal_can_show_it(tmp_path: Path, encoding: str) -> None:
    path = begun(tmp_path)
    child = process(MAIN, "next", path, text=False, env=environment(PYTHONIOENCODING=encoding))
    out, err = child.communicate()
    assert (child.returncode, err) == (0, b"")
    assert ("█" if encoding == "utf-8" else "#") in out.decode(encoding)


def test_text_of_any_language_comes_back_in_json(tmp_path: Path) -> None:
    path = begun(tmp_path)
    child = process(MAIN, "skip", path, "closet", "--reason", "kein Schlüssel 鍵", "--json", encoding="utf-8")
    out, _ = child.communicate()
    assert "kein Schlüssel 鍵" in out


def test_a_reader_that_leaves_is_no_error(tmp_path: Path) -> None:
    child = process(MAIN, "next", begun(tmp_path), "--json")
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    assert child.stderr.read() == ""
    assert child.wait() == 1
    child.stderr.close()


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_full_disk_under_the_output_is_one_line(tmp_path: Path, more: tuple[str, ...]) -> None:
    path = begun(tmp_path)
    with open("/dev/full", "w") as full:
        child = process(MAIN, "sites", path, *more, stdout=full)
        _, err = child.communicate()
    assert child.returncode == 1
    assert err.startswith("leakinfer: output: ")
    assert err.count("\n") == 1


def test_an_interrupt_is_quiet(capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted() -> None:
        raise KeyboardInterrupt

    assert guarded(interrupted, as_json=True) == INTERRUPTED
    assert capsys.readouterr() == ("", "")


def test_what_was_acknowledged_survives_a_kill(tmp_path: Path) -> None:
    """SIGKILL at any moment of a record: every answer that was printed whole is in the job, and it opens."""
    path = begun(tmp_path)
    rng = random.Random(20260311)
    acknowledged: set[str] = set()
    for turn in range(4):
        child = process(RECORD_FOREVER, path, str(turn), stderr=subprocess.DEVNULL)
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(rng.uniform(0, 0.15))
        child.kill()
        lines = (first + child.stdout.read()).splitlines(keepends=True)
        child.stdout.close()
        assert child.wait() == -9
        acknowledged |= {json.loads(line)["finding"]["note"] for line in lines if line.endswith("\n")}
        with Journal.open(path) as journal:
            kept = {event.body["note"] for event in journal.events() if event.kind == "finding"}
        assert acknowledged <= kept
        assert len(kept) <= len(acknowledged) + turn + 1  # at most one more a kill: written, its answer not yet out
    assert len(acknowledged) >= 4
    assert answer("next", path)["next"]
    assert [found.name for found in tmp_path.iterdir()] == ["a.job"]


def test_two_who_tell_at_once_lose_nothing(tmp_path: Path) -> None:
    """The second to write is refused and told to read again, never overwritten."""
    path = begun(tmp_path)
    one = ["record", str(path), "oil_point", "liquid_port_core", "no_oil"]
    children = [process(MAIN, *one, "--who", who) for who in ("Ada", "Bo")]
    ends = [(child.communicate()[1], child.returncode) for child in children]
    with Journal.open(path) as journal:
        told = [event for event in journal.events() if event.kind == "finding"]
    assert len(told) == sum(code == 0 for _, code in ends) >= 1
    assert all(code == 0 or "moved on" in err for err, code in ends)


def test_the_script_is_installed_under_its_name() -> None:
    import tomllib

    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["scripts"] == {"leakinfer": "leakinfer.cli:main"}
    assert sys.modules["leakinfer.cli"].main.name == "leakinfer"

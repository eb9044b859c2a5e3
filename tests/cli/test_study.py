"""``study``: plans played by ways of searching of one's own that end at once, so that it takes no time."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

import pytest

from leakinfer.cli.entry import INTERRUPTED
from leakinfer.cli.study import COMMANDS, study_libraries
from leakinfer.errors import InputError
from leakinfer.study.policies import POLICIES
from leakinfer.study.running import read

from .helpers import MAIN, answer, contents, environment, group_alone, page, process, refusal, run

WAYS = """
def at_once(here):
    return None

def one_look(here):
    return None if here.made else 0
"""

PLAN = """
name = "Two quick ways"
seed = 2
jobs = {jobs}
systems = ["ductless_split"]
truths = ["as_believed", "weaker_detectors"]
policies = ["quick_ways:at_once", "quick_ways:one_look"]
most_tests = 5
most_minutes = 600
"""


@pytest.fixture
def plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A plan in the folder that we are in, beside the module of its ways."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(tmp_path)  # gives back the old sys.path, too
    monkeypatch.delitem(sys.modules, "quick_ways", raising=False)
    (tmp_path / "quick_ways.py").write_text(WAYS)
    (tmp_path / "plan.toml").write_text(PLAN.format(jobs=2))
    return tmp_path / "plan.toml"


def test_a_plan_is_played_and_told(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    said = page("study", "run", plan, "--out", out, "--processes", "1", columns=100)
    assert "Two quick ways" in said
    assert "Hand methods need a leak three times as large" in said  # the truths by their names
    assert said.count("quick_ways:one_look") == 2
    tables = read(out)
    assert len(tables.jobs) == 8
    assert sorted(tables.jobs["tests"].unique()) == [0, 1]
    assert len(tables.steps) == 4
    told = answer("study", "run", plan, "--out", out, "--processes", "1")  # all is there already
    assert told["rows"] == {"jobs": 8, "steps": 4, "chances": len(tables.chances)}
    assert told["provenance"]["origin"] == tables.provenance.origin
    (arm,) = [one for one in told["summary"] if (one["truth"], one["policy"]) == ("as_believed", "quick_ways:at_once")]
    rows = tables.jobs[(tables.jobs["truth"] == "as_believed") & (tables.jobs["policy"] == "quick_ways:at_once")]
    assert arm["cost"]["value"] == pytest.approx(rows["cost"].mean(), rel=1e-12)
    assert arm["minutes"]["value"] == 0


def test_processes_change_nothing_in_the_tables(plan: Path, tmp_path: Path) -> None:
    """Real worlds, drawn and answered in processes with other hash seeds."""
    folders = [tmp_path / "one", tmp_path / "two"]
    for count, out in enumerate(folders, 1):
        page("study", "run", plan, "--out", out, "--processes", str(count))
    one, two = (contents(out) for out in folders)
    assert {name for name in one if not name.startswith("blocks")} == {
        "study.toml",
        *(f"{table}.parquet" for table in ("jobs", "steps", "chances", "times")),
    }
    for name in ("study.toml", "jobs.parquet", "steps.parquet", "chances.parquet"):
        assert one[name] == two[name], name


def test_the_report_is_one_page_and_needs_a_finished_study(plan: Path, tmp_path: Path) -> None:
    out, html = tmp_path / "out", tmp_path / "page.html"
    assert "holds no study" in refusal("study", "report", tmp_path, "--out", html)
    page("study", "run", plan, "--out", out, "--processes", "1")
    assert f"Written: {html}" in "".join(page("study", "report", out, "--out", html, columns=100).split("\n  "))
    text = html.read_text("utf-8")
    assert "Two quick ways" in text
    assert text.lstrip().lower().startswith("<!doctype html>")
    assert answer("study", "report", out, "--out", html) == {"page": str(html), "jobs": 8}


def test_the_ways_of_searching_are_listed_with_a_sentence_each() -> None:
    told = answer("study", "policies")["policies"]
    assert [one["id"] for one in told] == list(POLICIES)
    assert all(len(one["tells"]) > 10 for one in told)
    said = page("study", "policies", columns=100)
    assert all(f"\n  {name} " in f"\n{said}" for name in POLICIES)


def test_what_cannot_be_played_is_one_line(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert "both given; allowed: one of them" in refusal(
        "study", "run", plan, "--out", out, "--processes", "2", "--scheduler", "tcp://127.0.0.1:1"
    )
    assert "none.toml: cannot be read" in refusal("study", "run", tmp_path / "none.toml", "--out", out)
    text = plan.read_text()
    plan.write_text(text.replace("as_believed", "as_beleived"))
    assert "unknown truth 'as_beleived'; allowed: as_believed" in refusal("study", "run", plan, "--out", out)
    plan.write_text(text)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter").write_text("x")
    assert "is not empty" in refusal("study", "run", plan, "--out", tmp_path / "full", "--processes", "1")
    assert not out.exists()
    page("study", "run", plan, "--out", out, "--processes", "1")
    plan.write_text(text.replace("seed = 2", "seed = 3"))
    said = refusal("study", "run", plan, "--out", out, "--processes", "1")
    assert "holds a study of another plan (seed: 2, not 3)" in said


def test_a_damaged_block_is_told_and_played_again(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    page("study", "run", plan, "--out", out, "--processes", "1")
    before = contents(out)
    path = out / "blocks" / "000002.block"
    path.write_bytes(path.read_bytes()[:-1])
    result = run("study", "run", plan, "--out", out, "--processes", "1")
    assert result.exit_code == 0
    assert result.stderr == f"leakinfer: {path}: is damaged, and is played again\n"
    for name in ("study.toml", "jobs.parquet", "steps.parquet", "chances.parquet"):
        assert (out / name).read_bytes() == before[name]


@pytest.mark.skipif(os.name != "posix", reason="interrupts a group of processes")
@pytest.mark.parametrize("count", ["1", "2"])
@pytest.mark.parametrize("sign", ["study.toml", "blocks/*.block"])
def test_an_interrupt_is_quiet_and_the_study_goes_on(plan: Path, tmp_path: Path, count: str, sign: str) -> None:
    """As on a terminal: all processes of the group are interrupted at once, while they begin or later."""
    plan.write_text(PLAN.format(jobs=400))
    out = tmp_path / "out"
    command = ("study", "run", plan, "--out", out, "--processes", count)
    child = process(MAIN, *command, cwd=tmp_path, start_new_session=True)
    while not list(out.glob(sign)):
        assert child.poll() is None, child.communicate()
        time.sleep(0.02)
    os.killpg(child.pid, signal.SIGINT)
    shown, errors = child.communicate(timeout=60)
    assert (child.returncode, shown) == (INTERRUPTED, "")
    assert errors == "leakinfer: stopped; the same command goes on where it was\n"
    assert not list(out.rglob("*.part"))
    with pytest.raises(InputError, match="is not finished"):
        read(out)


@pytest.mark.skipif(os.name != "posix", reason="needs a terminal of its own")
def test_a_bar_is_drawn_where_somebody_watches(plan: Path, tmp_path: Path) -> None:
    import pty

    ours, theirs = pty.openpty()
    child = process(
        MAIN, "study", "run", plan, "--out", tmp_path / "out", "--processes", "1",
        cwd=tmp_path, stderr=theirs, env=environment(TERM="xterm", COLUMNS="100"),
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    while True:
        try:
            part = os.read(ours, 4096)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        seen += part
    os.close(ours)
    shown, _ = child.communicate()
    assert child.returncode == 0
    assert b"searches played" in seen
    assert b"/8" in seen
    assert "Two quick ways" in shown


@pytest.mark.slow
def test_a_scheduler_that_does_not_answer_is_one_line(
    plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("leakinfer.study.running.executors.CONNECT_SECONDS", 1)
    said = refusal("study", "run", plan, "--out", tmp_path / "out", "--scheduler", "tcp://127.0.0.1:1")
    assert said == "leakinfer: --scheduler tcp://127.0.0.1:1: no scheduler answers; allowed: as tcp://HOST:8786"


@pytest.mark.slow
def test_a_cluster_plays_the_same_study(plan: Path, tmp_path: Path) -> None:
    from distributed import LocalCluster

    page("study", "run", plan, "--out", tmp_path / "here", "--processes", "1")
    with LocalCluster(processes=True, n_workers=2, threads_per_worker=1, dashboard_address=None) as local:
        page("study", "run", plan, "--out", tmp_path / "there", "--scheduler", local.scheduler_address)
    here, there = contents(tmp_path / "here"), contents(tmp_path / "there")
    for name in ("study.toml", "jobs.parquet", "steps.parquet", "chances.parquet"):
        assert here[name] == there[name], name


def test_the_group_lists_its_commands_without_importing_them() -> None:
    shown = group_alone("study", "leakinfer.cli.study_", "leakinfer.study", "pandas", "numpy")
    assert all(f"\n  {name} " in shown for name in COMMANDS)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_each_command_of_the_group_says_how_it_is_used(name: str) -> None:
    assert f"Usage: leakinfer study {name}" in page("study", name, "--help")


def test_a_library_that_is_missing_is_told_before_anything_is_played(
    monkeypatch: pytest.MonkeyPatch, plan: Path, tmp_path: Path
) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "pyarrow"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    said = refusal("study", "run", plan, "--out", tmp_path / "out")
    assert said == "leakinfer: study: pyarrow is missing, needs pip install 'leakinfer[study]'"
    assert not (tmp_path / "out").exists()


def test_a_fault_of_our_own_is_not_taken_for_a_missing_library() -> None:
    with pytest.raises(ModuleNotFoundError), study_libraries():
        raise ModuleNotFoundError("No module named 'leakinfer.nothing'", name="leakinfer.nothing")

"""Whoever plays, and however often it is stopped: the same files. The stand-in for playing hangs on the block alone."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from leakinfer.errors import InputError
from leakinfer.study.running import read, run
from leakinfer.study.running.blocks import ROWS
from leakinfer.study.running.executors import ONE_THREAD, cluster, cores, processes

from . import standin
from .standin import bytes_of, plan

BLOCKS = 12

# Plays slowly with so many processes and says after each block how many are kept.
SCRIPT = """
import sys
from pathlib import Path
from leakinfer.study.running import run
from leakinfer.study.running.executors import processes
from tests.study.running.standin import plan, slow

def main():
    with processes(int(sys.argv[2])) as executor:
        run(plan(), Path(sys.argv[1]), executor, task=slow, on_progress=lambda done, total: print(done, flush=True))

if __name__ == "__main__":
    main()
"""


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Played here in one go."""
    out = tmp_path_factory.mktemp("undisturbed") / "study"
    run(plan(), out, task=standin.fast)
    return out


def blocks(out: Path) -> dict[str, tuple[int, int]]:
    """Block files by name, with their inode and time: a block that was played again has others."""
    found = {path.name: path.stat() for path in (out / "blocks").iterdir()}
    return {name: (stat.st_ino, stat.st_mtime_ns) for name, stat in found.items()}


def begun(out: Path, count: int, tmp_path: Path) -> subprocess.Popen[str]:
    """A process of its own that plays slowly."""
    path = tmp_path / "play.py"
    path.write_text(SCRIPT)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    command = [sys.executable, str(path), str(out), str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)


def played_again(before: dict[str, tuple[int, int]], out: Path) -> set[str]:
    after = blocks(out)
    return {name for name, stamp in after.items() if before.get(name) != stamp}


def test_the_tables_hold_every_row_in_order(undisturbed: Path) -> None:
    tables, expected = read(undisturbed), standin.every(plan())
    rows: dict[str, list[Any]] = {
        "jobs": [each.job for each in expected],
        "steps": [row for each in expected for row in each.steps],
        "chances": [row for each in expected for row in each.chances],
    }
    for table, kind in ROWS.items():
        frame = getattr(tables, table)
        assert list(frame) == list(kind.__struct_fields__)
        for name in frame:
            if name != "seconds":
                assert [repr(value) for value in frame[name].tolist()] == standin.column(rows[table], name), name
    assert (tables.jobs["seconds"] > 0).all()
    assert tables.jobs["all_confirmed"].isna().any()  # no number came through as such, not as something missing
    assert pq.read_table(undisturbed / "jobs.parquet")["all_confirmed"].null_count == 0
    assert [truth.id for truth in tables.truths] == list(plan().truths)
    assert tables.plan == plan()


def test_seconds_are_kept_apart(undisturbed: Path) -> None:
    assert "seconds" not in pq.read_schema(undisturbed / "jobs.parquet").names
    times = pq.read_table(undisturbed / "times.parquet").to_pylist()
    jobs = pq.read_table(undisturbed / "jobs.parquet").to_pylist()
    keys = ("system", "truth", "policy", "job")
    assert [[row[key] for key in keys] for row in times] == [[row[key] for key in keys] for row in jobs]
    seconds = [row["seconds"] for row in times]
    assert seconds == sorted(seconds)  # the stand-in tells the clock, and plays in this order
    assert read(undisturbed).jobs["seconds"].tolist() == seconds


@pytest.mark.parametrize("count", [2, 4])
def test_any_number_of_processes_gives_the_same_bytes(tmp_path: Path, undisturbed: Path, count: int) -> None:
    with processes(count) as executor:
        run(plan(), tmp_path / "study", executor, task=standin.fast)
    assert bytes_of(tmp_path / "study") == bytes_of(undisturbed)


def test_any_executor_gives_the_same_bytes(tmp_path: Path, undisturbed: Path) -> None:
    with ThreadPoolExecutor(3) as executor:
        run(plan(), tmp_path / "study", executor, task=standin.slow)
    assert bytes_of(tmp_path / "study") == bytes_of(undisturbed)


def test_the_size_of_the_blocks_changes_no_table(tmp_path: Path, undisturbed: Path) -> None:
    for jobs in (1, 100):
        out = tmp_path / str(jobs)
        run(plan(block_jobs=jobs), out, task=standin.fast)
        assert len(blocks(out)) == plan(block_jobs=jobs).blocks == (44 if jobs == 1 else 4)
        for name in standin.TABLES:
            path = f"{name}.parquet"
            assert (out / path).read_bytes() == (undisturbed / path).read_bytes()


@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes(tmp_path: Path, undisturbed: Path) -> None:
    from distributed import LocalCluster

    with (
        LocalCluster(processes=True, n_workers=2, threads_per_worker=1, dashboard_address=None) as local,
        cluster(local.scheduler_address) as executor,
    ):
        run(plan(), tmp_path / "study", executor, task=standin.fast)
    assert bytes_of(tmp_path / "study") == bytes_of(undisturbed)


@pytest.mark.parametrize(("count", "after"), [(1, 1), (1, 5), (2, 3)])
def test_a_study_that_was_killed_goes_on_where_it_was(
    tmp_path: Path, undisturbed: Path, count: int, after: int
) -> None:
    """SIGKILL after so many blocks: nothing that was kept is played again, and the files are those of an even run."""
    out = tmp_path / "study"
    process = begun(out, count, tmp_path)
    assert process.stdout is not None
    for _ in range(after + 1):  # the first line comes before any block
        process.stdout.readline()
    process.kill()
    process.communicate(timeout=60)  # ends only once the workers have ended, too: they write there as well
    assert process.returncode == -signal.SIGKILL
    before = blocks(out)
    kept = {name for name in before if name.endswith(".block")}
    assert after <= len(kept) < BLOCKS
    with pytest.raises(InputError, match="is not finished"):
        read(out)
    run(plan(), out, task=standin.fast)
    assert not played_again(before, out) & kept
    assert bytes_of(out) == bytes_of(undisturbed)
    assert set(blocks(out)) == {f"{number:06}.block" for number in range(BLOCKS)}  # nothing unfinished is left
    assert {path.name for path in out.iterdir()} == {path.name for path in undisturbed.iterdir()}


def test_a_finished_study_is_not_played_again(tmp_path: Path, undisturbed: Path) -> None:
    out = tmp_path / "study"
    shutil.copytree(undisturbed, out)
    (out / "steps.parquet").write_bytes(b"spoilt")
    with pytest.raises(InputError, match=r"steps\.parquet: is not as it was written"):
        read(out)
    before, said = blocks(out), list[tuple[int, int]]()
    run(plan(), out, task=standin.failing, on_progress=lambda done, total: said.append((done, total)))
    assert not played_again(before, out)
    assert bytes_of(out) == bytes_of(undisturbed)
    assert said == [(132, 132)]  # 2 systems, 2 truths, 11 jobs, 3 policies


def test_progress_counts_what_is_played_and_begins_with_what_is_kept(tmp_path: Path, undisturbed: Path) -> None:
    out = tmp_path / "study"
    shutil.copytree(undisturbed, out)
    for number in (0, 2):  # 4 and 3 jobs by 3 policies
        (out / "blocks" / f"{number:06}.block").unlink()
    said: list[tuple[int, int]] = []
    run(plan(), out, task=standin.fast, on_progress=lambda done, total: said.append((done, total)))
    assert said == [(111, 132), (123, 132), (132, 132)]


def flipped(data: bytes) -> bytes:
    return data[:60] + bytes([data[60] ^ 1]) + data[61:]


@pytest.mark.parametrize(
    "spoil", [flipped, lambda data: data[:-7], lambda data: data[:5], lambda data: b"", lambda data: data + b"x"]
)
def test_a_damaged_block_is_played_again(tmp_path: Path, undisturbed: Path, spoil: Callable[[bytes], bytes]) -> None:
    out, said = tmp_path / "study", list[str]()
    shutil.copytree(undisturbed, out)
    path = out / "blocks" / "000004.block"
    path.write_bytes(spoil(path.read_bytes()))
    before = blocks(out)
    run(plan(), out, task=standin.fast, on_remark=said.append)
    assert said == [f"{path}: is damaged, and is played again"]
    assert played_again(before, out) == {path.name}
    assert bytes_of(out) == bytes_of(undisturbed)


def test_a_block_in_the_place_of_another_is_played_again(tmp_path: Path, undisturbed: Path) -> None:
    """Also one of another study: its content is sound, but does not belong there."""
    out, other = tmp_path / "study", tmp_path / "other"
    shutil.copytree(undisturbed, out)
    run(plan(seed=4), other, task=standin.fast)
    shutil.copy(out / "blocks" / "000001.block", out / "blocks" / "000007.block")
    shutil.copy(other / "blocks" / "000003.block", out / "blocks" / "000003.block")
    before = blocks(out)
    run(plan(), out, task=standin.fast)
    assert played_again(before, out) == {"000003.block", "000007.block"}
    assert bytes_of(out) == bytes_of(undisturbed)


def test_what_a_failing_task_leaves_is_kept(tmp_path: Path, undisturbed: Path) -> None:
    for task, error in ((standin.failing, ZeroDivisionError), (standin.interrupted, KeyboardInterrupt)):
        out = tmp_path / error.__name__
        with pytest.raises(error):
            run(plan(), out, task=task)
        before = blocks(out)
        assert set(before) == {"000000.block", "000001.block", "000002.block"}  # up to the second truth
        run(plan(), out, task=standin.fast)
        assert played_again(before, out) == {f"{number:06}.block" for number in range(3, BLOCKS)}
        assert bytes_of(out) == bytes_of(undisturbed)


def test_a_worker_that_is_killed_is_one_line(tmp_path: Path, undisturbed: Path) -> None:
    out = tmp_path / "study"
    with (
        pytest.raises(InputError, match=r"study: a worker ended by itself.*; allowed: .*goes on"),
        processes(2) as pool,
    ):
        run(plan(), out, pool, task=standin.killed)
    run(plan(), out, task=standin.fast)
    assert bytes_of(out) == bytes_of(undisturbed)


@pytest.mark.slow
def test_a_cluster_whose_workers_are_killed_is_one_line(tmp_path: Path, undisturbed: Path) -> None:
    """The scheduler gives up on a block that has killed its worker several times."""
    from distributed import LocalCluster

    out = tmp_path / "study"
    asked = plan(systems=("ducted_split",), truths=("as_believed",), jobs=1)
    said = r"^--scheduler tcp:.*: the workers or the scheduler ended; allowed: .*goes on"
    with (
        LocalCluster(
            processes=True, n_workers=1, threads_per_worker=1, dashboard_address=None, silence_logs="CRITICAL"
        ) as local,
        pytest.raises(InputError, match=said),
        cluster(local.scheduler_address) as executor,
    ):
        run(asked, out, executor, task=standin.killed)
    run(asked, out, task=standin.fast)
    assert len(read(out).jobs) == 3


def test_workers_take_one_thread_each_and_leave_the_setting_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    with processes(2) as pool:
        assert pool is not None
        inside = {name: pool.submit(os.getenv, name).result() for name in ONE_THREAD}
    assert inside == {"OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "OMP_NUM_THREADS": "3"}
    assert "MKL_NUM_THREADS" not in os.environ
    with processes(1) as nobody:
        assert nobody is None
    assert cores() >= 1


def stopped_at_work(before: set[Any]) -> None:
    """A person stops it while a worker is at a task that takes an hour."""
    with processes(2) as pool:
        assert pool is not None
        pool.submit(time.sleep, 3600)
        while not set(multiprocessing.active_children()) - before:
            time.sleep(0.01)
        raise KeyboardInterrupt


def test_workers_end_at_once_when_the_study_is_left() -> None:
    before: set[Any] = set(multiprocessing.active_children())
    with pytest.raises(KeyboardInterrupt):
        stopped_at_work(before)
    assert set(multiprocessing.active_children()) == before


def test_only_the_moments_that_are_asked_for_are_kept(tmp_path: Path, undisturbed: Path) -> None:
    run(plan(chances=("end",)), tmp_path / "end", task=standin.fast)
    run(plan(chances=()), tmp_path / "none", task=standin.fast)
    every, end = read(undisturbed).chances, read(tmp_path / "end").chances
    assert end.equals(every[every["moment"] == "end"].reset_index(drop=True))
    assert len(read(tmp_path / "none").chances) == 0
    assert list(read(tmp_path / "none").chances) == list(every)


@pytest.mark.slow
def test_real_jobs_are_the_same_whoever_plays_them(tmp_path: Path) -> None:
    """Worlds, beliefs and plans, by the program's own way, a fixed list and lots; hash seeds differ by process."""
    policies = ("expected_cost", "checklist", "random")
    here = {"systems": ("ducted_split",), "truths": ("weaker_detectors",), "policies": policies}
    asked = plan(jobs=4, block_jobs=1, most_tests=8, **here)
    run(asked, tmp_path / "here")
    with processes(2) as executor:
        run(asked, tmp_path / "two", executor)
    assert bytes_of(tmp_path / "here") == bytes_of(tmp_path / "two")
    tables = read(tmp_path / "here")
    assert len(tables.jobs) == 4 * 3
    assert tables.jobs.groupby("policy")["tests"].max().max() == 8
    worlds = tables.jobs.groupby(["system", "truth", "job"])["leaks"].nunique()
    assert (worlds == 1).all()  # every policy met the same system
    door = tables.chances[tables.chances["moment"] == "start"].groupby(["truth", "job", "site"])
    assert (door["chance"].nunique() == 1).all()
    assert (door["leaks"].nunique() == 1).all()

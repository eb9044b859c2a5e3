"""Stand-ins for playing: rows that hang on the block alone, so that whoever plays must give the same ones."""

from __future__ import annotations

import hashlib
import os
import signal
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from msgspec import structs

from leakinfer.study.model import ChanceRow, JobRow, Moment, Played, StepRow
from leakinfer.study.running.blocks import Block
from leakinfer.study.running.plan import Plan

MOMENTS: tuple[Moment, ...] = ("start", "during", "end")
TABLES = ("jobs", "steps", "chances")
SLOW_S = 0.1  # of a block of the slow stand-in


def plan(**other: Any) -> Plan:
    """Eleven jobs in each of two systems and two truths, by three policies: 12 blocks, the last of each cut short."""
    made = Plan(
        name="A study of stand-ins",
        seed=3,
        jobs=11,
        systems=("ducted_split", "ductless_split"),
        truths=("weaker_detectors", "as_believed"),
        policies=("expected_cost", "checklist", "bits"),
        most_tests=40,
        most_minutes=600.0,
        block_jobs=4,
    )
    return structs.replace(made, **other)


def fast(block: Block) -> list[Played]:
    """Play at once."""
    numbers = range(block.first, block.first + block.jobs)
    return [played(block.system, block.truth.id, block.seed, job, name) for job in numbers for name in block.policies]


def slow(block: Block) -> list[Played]:
    """Play in a while."""
    time.sleep(SLOW_S)
    return fast(block)


def failing(block: Block) -> list[Played]:
    """Fail in the second truth."""
    if block.truth.id == "as_believed":
        raise ZeroDivisionError("a fault of our own")
    return fast(block)


def interrupted(block: Block) -> list[Played]:
    """A person stops it in the second truth."""
    if block.truth.id == "as_believed":
        raise KeyboardInterrupt
    return fast(block)


def killed(block: Block) -> list[Played]:
    """The worker is killed in the second truth, as the system does where memory runs out."""
    if block.truth.id == "as_believed":
        os.kill(os.getpid(), signal.SIGKILL)
    return fast(block)


def played(system: str, truth: str, seed: int, job: int, policy: str) -> Played:
    """Rows of one job: numbers of numpy's kinds, no number, infinite ones. Only ``seconds`` differs."""
    name = f"{system} {truth} {seed} {job} {policy}"
    rng = np.random.default_rng(int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big"))
    key: Any = {"system": system, "truth": truth, "policy": policy, "job": job}
    steps = int(rng.integers(0, 6))
    return Played(_job(key, rng, steps), tuple(_steps(key, rng, steps)), tuple(_chances(key, rng)))


def _job(key: Any, rng: np.random.Generator, steps: int) -> JobRow:
    counts: Any = dict(zip(("leaks", "confirmed", "missed", "repaired", "wrong"), rng.integers(0, 4, 5), strict=True))
    floats: Any = dict(zip(("minutes", "cost", "another", "expected_missed"), rng.exponential(30.0, 4), strict=True))
    left: Any = rng.random() < 0.5
    return JobRow(
        **key, **counts, **floats, left=left, tests=steps, set_ups=1, openings=0,
        all_confirmed=float("nan") if left else float(rng.exponential(60.0)), seconds=time.perf_counter(),
    )  # fmt: skip


def _steps(key: Any, rng: np.random.Generator, steps: int) -> Iterator[StepRow]:
    for step in range(steps):
        numbers = rng.normal(size=5)
        yield StepRow(
            **key, step=step, method="probe_point", target=f"site {step} ü", state="standing", outcome="silent",
            responded=bool(numbers[0] > 0), minutes=1 / 3, clock=numbers[1], expected=numbers[2], bits=numbers[3],
            gained=float("-inf") if numbers[4] < -1 else numbers[4],
        )  # fmt: skip


def _chances(key: Any, rng: np.random.Generator) -> Iterator[ChanceRow]:
    for moment in MOMENTS:
        for number in range(3):
            yield ChanceRow(**key, moment=moment, site=f"site {number}", chance=rng.random(), leaks=bool(number == 1))


def every(plan: Plan) -> list[Played]:
    """All rows in the order of the tables, worked out without blocks."""
    return [
        played(system, truth, plan.seed, job, policy)
        for system in plan.systems
        for truth in plan.truths
        for job in range(plan.jobs)
        for policy in plan.policies
    ]


def bytes_of(out: Path) -> dict[str, bytes]:
    """The files of a finished study that must be the same, whoever played."""
    names = ("study.toml", *(f"{name}.parquet" for name in TABLES))
    return {name: (out / name).read_bytes() for name in names}


def column(rows: Sequence[Any], name: str) -> list[str]:
    """Values of one column as text: equal where value and kind are, also for what is no number."""
    values = [getattr(row, name) for row in rows]
    return [repr(value.item() if isinstance(value, np.generic) else value) for value in values]

"""Studies that took hours to play, kept in ``stored/``: read without playing them, and some of their jobs played again.

A study is a folder ``STUDY_SEED`` as ``leakinfer study run`` leaves it, without its blocks; beside it
``STUDY_SEED.parquet`` may hold the jobs of the same study from other seeds.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec.structs import asdict, replace

from leakinfer.study.measures import DEFAULT
from leakinfer.study.running import Plan, read
from leakinfer.study.running.blocks import Block, blocks_of, play_block
from leakinfer.study.running.plan import truths_of
from leakinfer.study.running.program import program_of

if TYPE_CHECKING:
    from pandas import DataFrame

STORED = Path(__file__).resolve().parent / "stored"
PACE = "jobs_per_minute_core"  # of the default
KEYS = ["system", "truth", "policy", "job"]
ALIKE = 1e-6  # of a number: sums run in another order on other machines


def is_stored(study: str) -> bool:
    """Whether there is a folder of it."""
    return any(STORED.glob(f"{study}_*/"))


def folder_of(study: str) -> Path:
    """The folder of a stored study."""
    (found,) = STORED.glob(f"{study}_*/")
    return found


def parts_of(study: str) -> list[Path]:
    """The files with more of its jobs, in the order of their seeds."""
    return sorted(STORED.glob(f"{study}_*.parquet"))


def parts(study: str) -> list[tuple[Plan, DataFrame]]:
    """The plan and the jobs of each part, the folder's last."""
    import pandas as pd

    last = read(folder_of(study))
    found = [(path, pd.read_parquet(path)) for path in parts_of(study)]
    plans = [
        replace(last.plan, seed=int(path.stem.rpartition("_")[2]), jobs=int(jobs["job"].max()) + 1)
        for path, jobs in found
    ]
    return [*zip(plans, (jobs for _, jobs in found), strict=True), (last.plan, last.jobs)]


def played_again(studies: Iterable[str], executor: Executor | None, each: int, pick: int) -> dict[str, Any]:
    """Play ``each`` jobs of each system again in each part, drawn with the seed ``pick``, and compare; without an
    executor this process plays.

    A search is alike where all its counts are the same and all its numbers to a millionth; ``furthest`` is by how much
    of itself a number of those differs, ``others`` names the searches that are not.
    """
    lot = random.Random(pick)
    drawn = [
        (block, jobs)
        for study in studies
        for plan, jobs in parts(study)
        for block in _drawn(plan, each, lot)
    ]  # fmt: skip
    drawn.sort(key=lambda one: _seconds(*one), reverse=True)  # what takes long begins first
    found = (executor.map if executor else map)(play_block, [block for block, _ in drawn])
    alike, others, furthest, seconds = 0, list[str](), 0.0, list[float]()
    for (block, jobs), searches in zip(drawn, found, strict=True):
        stored = jobs.set_index(KEYS)
        for row in (asdict(search.job) for search in searches):
            difference = _difference(row, stored.loc[tuple(row[key] for key in KEYS)].to_dict())
            seconds += [row["seconds"]] if row["policy"] == DEFAULT else []
            if difference <= ALIKE:
                alike, furthest = alike + 1, max(furthest, difference)
            else:
                others.append(f"{row['system']}, seed {block.seed}, job {row['job']}, {row['policy']}")
    pace = 60 * len(seconds) / sum(seconds)
    told = {"searches": alike + len(others), "alike": alike, "furthest": furthest, "others": others}
    return told | {PACE: pace}


def _drawn(plan: Plan, each: int, lot: random.Random) -> list[Block]:
    """Some jobs of each system, each a block of its own."""
    single = replace(plan, block_jobs=1)
    blocks = blocks_of(single, truths_of(single, plan.name), program_of(single.policies))
    return [
        block
        for system in plan.systems
        for block in lot.sample([one for one in blocks if one.system == system], min(each, plan.jobs))
    ]


def _seconds(block: Block, jobs: DataFrame) -> float:
    """What a block took when it was stored."""
    seconds: float = jobs.loc[(jobs["system"] == block.system) & (jobs["job"] == block.first), "seconds"].sum()
    return seconds


def _difference(row: dict[str, Any], stored: dict[str, Any]) -> float:
    """By how much of itself the worst number differs; 1 where a count does or a number is there only once."""
    worst = 0.0
    for name, value in row.items():
        other = stored.get(name, value)  # a key
        if name == "seconds" or value == other or (value != value and other != other):
            continue
        real = isinstance(value, float) and value == value and other == other
        worst = max(worst, abs(value - other) / max(abs(value), abs(other)) if real else 1.0)
    return worst

"""Plays a study: blocks go to any executor, each is kept as soon as it is played, the tables are made in the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future, as_completed
from pathlib import Path

from leakinfer.errors import InputError
from leakinfer.study.running.blocks import Block, Task, blocks_of, packed, play_block
from leakinfer.study.running.files import held
from leakinfer.study.running.folder import ANOTHER, Folder, opened, study_of
from leakinfer.study.running.plan import Plan, truths_of
from leakinfer.study.running.program import program_of
from leakinfer.study.running.tables import AGAIN, assemble

OnProgress = Callable[[int, int], None]
OnRemark = Callable[[str], None]


def _quiet(*_: object) -> None:
    """Nobody is told."""


def run(
    plan: Plan,
    out: Path,
    executor: Executor | None = None,
    *,
    task: Task = play_block,
    on_progress: OnProgress = _quiet,
    on_remark: OnRemark = _quiet,
) -> None:
    """Play what is not yet played of ``plan`` and write the tables into the folder ``out``.

    May be stopped at any time, also by SIGKILL, and called again. The tables are the same, bit for bit, whoever plays
    and however often it was stopped.

    Args:
        plan: what to play.
        out: a new or empty folder, or one where this study was begun.
        executor: any; without one this process plays. Its workers must have the same program.
        task: plays a block; sent to the workers by its name.
        on_progress: is told how many searches (a job by a policy) are played, and how many there are.
        on_remark: is told what a person should know.

    Raises:
        InputError: the folder holds something else or is in use, a name in the plan is not known, or a worker ended by
            itself.

    Example:
        >>> from pathlib import Path
        >>> from msgspec.structs import replace
        >>> from leakinfer import load_study, run_study, shipped
        >>> plan = load_study(shipped("data_demo", "study", "small.toml"))
        >>> short = replace(plan, name="Two fixed lists", jobs=2, truths=("as_believed",), most_tests=5)
        >>> run_study(replace(short, policies=("checklist", "coil_first")), Path("lists"))
    """
    truths, program = truths_of(plan, plan.name), program_of(tuple(plan.policies))
    blocks = dict(enumerate(blocks_of(plan, truths, program)))
    with held(out, ANOTHER):
        folder = opened(out, study_of(plan, program, truths), plan.truth_file)
        missing = _missing(folder, blocks, on_remark)
        total = sum(block.searches for block in blocks.values())
        done = total - sum(block.searches for block in missing.values())
        on_progress(done, total)
        for number, data in _played(task, missing, executor, str(out)):
            folder.keep(number, data)
            done += blocks[number].searches
            on_progress(done, total)
        folder.tell(assemble(folder, len(blocks)))


def _missing(folder: Folder, blocks: Mapping[int, Block], on_remark: OnRemark) -> dict[int, Block]:
    """Blocks that are not kept, or damaged, which is told."""
    missing = {number: block for number, block in blocks.items() if folder.kept(number) is None}
    for number in missing:
        if folder.block(number).exists():
            on_remark(f"{folder.block(number)}: is damaged, and is played again")
    return missing


def _played(
    task: Task, blocks: Mapping[int, Block], executor: Executor | None, where: str
) -> Iterator[tuple[int, bytes]]:
    """Number and rows of each block, as they come."""
    if executor is None:
        for number, block in blocks.items():
            yield number, packed(task, block)
        return
    waiting: dict[Future[bytes], int] = {}
    try:
        for number, block in blocks.items():
            waiting[executor.submit(packed, task, block)] = number
        for future in as_completed(list(waiting)):
            yield waiting.pop(future), future.result()
    except BrokenExecutor as error:
        what = "a worker ended by itself, as where memory runs out"
        raise InputError(what, where=where, allowed=f"{AGAIN}; fewer --processes") from error
    finally:
        for future in waiting:
            future.cancel()

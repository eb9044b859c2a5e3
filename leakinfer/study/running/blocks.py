"""A block: some jobs of one system in one truth, each drawn once and played by every policy, as rows in columns."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal, TypeAlias, get_origin

import msgspec
from msgspec import Struct

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.study.model import ChanceRow, JobRow, Moment, Played, StepRow
from leakinfer.study.play import Limits, opening, play
from leakinfer.study.policies import policy
from leakinfer.study.running.plan import Plan
from leakinfer.study.running.program import Program, program_of, refuse_other
from leakinfer.study.world import draw_world
from leakinfer.study.world.truths import Truth

Columns: TypeAlias = dict[str, list[Any]]
Tabled: TypeAlias = dict[str, Columns]  # by table

ROWS: Mapping[str, type[Struct]] = {"jobs": JobRow, "steps": StepRow, "chances": ChanceRow}


class Block(Struct, frozen=True):
    """Jobs ``first`` to ``first + jobs`` of one system in one truth; holds all that a worker elsewhere must know."""

    system: str
    truth: Truth
    seed: int
    first: int
    jobs: int
    policies: tuple[str, ...]
    limits: Limits
    chances: tuple[Moment, ...]
    program: Program

    @property
    def searches(self) -> int:
        """Each job once by every policy."""
        return self.jobs * len(self.policies)


Task: TypeAlias = Callable[[Block], Sequence[Played]]


def blocks_of(plan: Plan, truths: Sequence[Truth], program: Program) -> list[Block]:
    """All blocks in the order of the tables: by system, truth and number of the job."""
    limits = Limits(most_tests=plan.most_tests, most_minutes=plan.most_minutes)
    firsts = range(0, plan.jobs, plan.block_jobs)
    return [
        Block(
            system, truth, plan.seed, first, min(plan.block_jobs, plan.jobs - first),
            tuple(plan.policies), limits, tuple(plan.chances), program,
        )
        for system in plan.systems
        for truth in truths
        for first in firsts
    ]  # fmt: skip


def play_block(block: Block) -> list[Played]:
    """Play a block: by job, then by policy, all policies on one and the same world.

    Raises:
        InputError: this worker's program is not the one that the block comes from.
    """
    here = program_of(block.policies)
    refuse_other(block.program, here, where="worker: the study", allowed="the same leakinfer and priors on each worker")
    return list(_searches(block))


def _searches(block: Block) -> Iterator[Played]:
    catalogue, truth = load_catalogue(), block.truth
    policies = [policy(name) for name in block.policies]
    for number in range(block.first, block.first + block.jobs):
        world = draw_world(block.system, truth, block.seed, number, catalogue)
        first = opening(world)
        for one in policies:
            try:
                yield play(world, one, system=block.system, truth=truth.id, limits=block.limits, first=first)
            except Exception as error:
                error.add_note(f"in job {number} of {block.system}, {truth.id}, seed {block.seed}, by {one.name}")
                raise


def packed(task: Task, block: Block) -> bytes:
    """Play a block by ``task``, and its rows as bytes that :func:`unpacked` reads."""
    played = task(block)
    rows: dict[str, Iterable[Struct]] = {
        "jobs": [each.job for each in played],
        "steps": [row for each in played for row in each.steps],
        "chances": [row for each in played for row in each.chances if row.moment in block.chances],
    }
    return zlib.compress(msgspec.msgpack.encode({name: columns(kind, rows[name]) for name, kind in ROWS.items()}))


def unpacked(data: bytes) -> Tabled:
    """By table its columns."""
    return msgspec.msgpack.decode(zlib.decompress(data), type=Tabled)


def kinds(kind: type[Struct]) -> dict[str, type]:
    """By column of a table: str, int, float or bool."""
    found = {field.name: field.type for field in msgspec.structs.fields(kind)}
    return {name: str if get_origin(of) is Literal else of for name, of in found.items()}


def columns(kind: type[Struct], rows: Iterable[Struct]) -> Columns:
    """Rows as columns of plain values."""
    held = list(rows)
    return {name: [plain(getattr(row, name)) for row in held] for name, plain in kinds(kind).items()}

"""One simulated job played by one policy: ask it for a test, ask the world for the finding, until it ends.

A confirmed leak does not end a job by itself, and nothing is repaired midway: all findings are of one visit to one
system. What is repaired at the end the policy says itself if it can (``Repairing``), else it is what the program holds
to leak: repair units with a confirmed leak, and those with one more likely than not.
"""

from __future__ import annotations

import time
import zlib
from dataclasses import dataclass, replace

import numpy as np
from msgspec import structs

from leakinfer.planner.costs import steps_for
from leakinfer.study.model import Played, Policy
from leakinfer.study.rows import Course, Names, Truth, chance_rows, job_row, step_row
from leakinfer.study.situation import JobSituation, opening_of

# Chance that the belief between two tests is written down. A coin for each knows nothing of how long the job will last,
# which hangs on the truth: one moment out of all would show chances as wrong that are right. Jobs of 20 to 80 tests so
# have one to four; more of the same job would tell little that is new, and each costs a fixed list a belief.
NOTED = 0.05


@dataclass(frozen=True)
class Limits:
    """Where a job is broken off: before a test too many, or before one that would end later."""

    most_tests: int
    most_minutes: float


def opening(world: Truth) -> JobSituation:
    """The situation at the door. One may serve all policies that play the same world."""
    return opening_of(world.start.job, world.start.number)


def play(
    world: Truth, policy: Policy, *, system: str, truth: str, limits: Limits, first: JobSituation | None = None
) -> Played:
    """A job from the door to its end. ``system``, ``truth``: names for the rows.

    ``first``: the world's :func:`opening`, if it is there already, so that what is worked out there is worked out once.
    Chances are written down at the door, at the end, and between two tests with chance :data:`NOTED`, by lots that the
    names and the job's number give.
    """
    begun = time.perf_counter()
    first = opening(world) if first is None else first.again()
    names = Names(system, truth, policy.name, world.start.number)
    coin = np.random.default_rng([zlib.crc32(repr(names).encode())])
    course, chances = Course(first), [*chance_rows(names, "start", first, world.matters)]
    while (later := _step(course, world, policy, limits, names)) is not None:
        if course.steps and coin.random() < NOTED:
            chances += chance_rows(names, "during", course.here, world.matters)
        course = later
    course = _with_confirmed(course)
    chances += chance_rows(names, "end", course.here, world.matters)
    row = job_row(names, course, policy, world, first)
    return Played(structs.replace(row, seconds=time.perf_counter() - begun), course.steps, tuple(chances))


def _step(course: Course, world: Truth, policy: Policy, limits: Limits, names: Names) -> Course | None:
    """The course after one more test, or None at its end."""
    here = course.here
    pick = policy.choose(here) if len(course.steps) < limits.most_tests else None
    if pick is None or course.clock + here.options[pick].minutes > limits.most_minutes:
        return None
    option, candidate = here.options[pick], here.candidates[pick]
    later = here.told(option, world.answer(here.job, candidate, option.minutes))
    works = steps_for(here.job, candidate, here.outlook.doable.ways)
    opened = here.job.catalogue.methods[candidate.method].opens_circuit
    clock = course.clock + option.minutes
    row = step_row(names, len(course.steps), pick, clock, (here, later), world.matters_units)
    after = Course(
        later,
        (*course.steps, row),
        clock,
        course.set_ups + len(works),
        course.openings + sum(work.opens_circuit or work.empties for work in works) + opened,
        course.confirmed,
    )
    return _with_confirmed(after) if row.responded else after


def _with_confirmed(course: Course) -> Course:
    """The course with the leaks confirmed by now; a belief is made only where a pinpoint test has responded."""
    if not any(made.responded and made.option.pinpoint for made in course.here.made):
        return course
    new = dict.fromkeys(sorted(course.here.outlook.confirmed - course.confirmed.keys()), course.clock)
    return replace(course, confirmed={**course.confirmed, **new})

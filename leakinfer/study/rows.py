"""What is written down of a played job: rows of its tests, its chances and the job itself."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate
from leakinfer.study.model import ChanceRow, JobRow, Moment, Option, Policy, StepRow
from leakinfer.study.policies.rules import Repairing
from leakinfer.study.situation import JobSituation

LEAST = 1e-12  # least probability that is counted, so that its logarithm exists


class Names(NamedTuple):
    """What every row of a job begins with."""

    system: str
    truth: str
    policy: str
    job: int


class Opening(Protocol):
    """What is known at the door."""

    @property
    def number(self) -> int:
        """Of the simulated job."""

    @property
    def job(self) -> Job:
        """The job before any finding."""


class Truth(Protocol):
    """A true system, as far as playing needs it; :class:`leakinfer.study.world.World` is one."""

    @property
    def start(self) -> Opening:
        """What the technician knows at the door."""

    @property
    def matters(self) -> frozenset[str]:
        """Sites with a leak that matters."""

    @property
    def leaking_units(self) -> frozenset[str]:
        """Repair units that leak at any size."""

    @property
    def matters_units(self) -> frozenset[str]:
        """Repair units with a leak that matters."""

    def answer(self, job: Job, candidate: Candidate, minutes: float) -> Finding:
        """What a test finds; the same test of the same job always the same."""


@dataclass(frozen=True, eq=False)
class Course:
    """A job up to a moment. ``confirmed``: by repair unit, the minute at which its leak was seen to be confirmed."""

    here: JobSituation
    steps: tuple[StepRow, ...] = ()
    clock: float = 0.0
    set_ups: int = 0
    openings: int = 0
    confirmed: Mapping[str, float] = field(default_factory=dict)


def step_row(
    names: Names,
    number: int,
    pick: int,
    clock: float,
    around: tuple[JobSituation, JobSituation],
    leaking: frozenset[str],
) -> StepRow:
    """The test that was picked and what it found; ``clock``: minutes when it was done.

    ``around``: the situations before and after. ``leaking``: repair units that truly leak at a size that matters. What
    the test was expected to tell and told is written down where the policy has asked what tests tell.
    """
    before, after = around
    option, candidate, made = before.options[pick], before.candidates[pick], after.made[-1]
    expected = bits = gained = math.nan
    if before.is_weighed:
        names_of = outcome_names(before.job.catalogue.methods[candidate.method])
        score = before.weighed.found.scores[pick]
        expected = float(score.information.outcomes[names_of.index(made.outcome)])
        bits, gained = score.information.bits, _gained(option, before, after, leaking)
    return StepRow(
        *names,
        step=number,
        method=option.method,
        target=option.target,
        state=option.state,
        minutes=option.minutes,
        clock=clock,
        outcome=made.outcome,
        responded=made.responded,
        expected=expected,
        bits=bits,
        gained=gained,
    )


def _gained(option: Option, before: JobSituation, after: JobSituation, leaking: frozenset[str]) -> float:
    """Bits that the outcome told of the one repair unit that the test looks at; NaN where there are more."""
    if len(option.units) != 1:
        return math.nan
    (unit,) = option.units
    true = [here.risk[unit] if unit in leaking else 1 - here.risk[unit] for here in (before, after)]
    return math.log2(max(true[1], LEAST) / max(true[0], LEAST))


def chance_rows(names: Names, moment: Moment, here: JobSituation, leaking: frozenset[str]) -> Iterator[ChanceRow]:
    """P(a leak that matters) at each site at a moment, beside the truth."""
    for site, chance in here.outlook.belief.matters_probability.items():
        yield ChanceRow(*names, moment=moment, site=site, chance=float(chance), leaks=site in leaking)


def job_row(names: Names, course: Course, policy: Policy, world: Truth, first: JobSituation) -> JobRow:
    """The whole job; ``seconds`` are for the caller to tell.

    The prices of ending wrong are those of the belief at the door, ``first``, so that they are the same for all
    policies; a unit that the belief does not know costs as much to miss as one that it knows does on average.
    """
    end, leaks = course.here, world.matters_units
    own = policy.repairs(end.made) if isinstance(policy, Repairing) else end.outlook.to_repair
    repaired = frozenset(own) - {ELSEWHERE}
    missed, wrong = leaks - repaired, repaired - world.leaking_units
    when = [course.confirmed.get(unit, math.nan) for unit in sorted(leaks)]
    of_missed, of_wrong = first.outlook.prices
    usual = sum(of_missed.values()) / len(of_missed)
    price = sum(of_missed.get(unit, usual) for unit in sorted(missed)) + sum(of_wrong[unit] for unit in sorted(wrong))
    return JobRow(
        *names,
        minutes=course.clock,
        all_confirmed=math.nan if any(map(math.isnan, when)) else max(when, default=0.0),
        leaks=len(leaks),
        confirmed=len(leaks & course.confirmed.keys()),
        missed=len(missed),
        repaired=len(repaired),
        wrong=len(wrong),
        tests=len(course.steps),
        set_ups=course.set_ups,
        openings=course.openings,
        cost=course.clock + price,
        another=end.outlook.belief.any_that_matters(repaired),
        left=bool(missed),
        expected_missed=float(sum(chance for unit, chance in end.risk.items() if unit not in repaired)),
        seconds=0.0,
    )

"""Following a plan step by step, each test made as proposed; short ways to say what a step is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan, Ranked
from leakinfer.planner.plan import make_plan


@dataclass(frozen=True)
class Walk:
    """The tests made one after the other, the plans that proposed them, and the job that came of it."""

    steps: tuple[Ranked, ...]
    plans: tuple[Plan, ...]
    job: Job

    @property
    def places(self) -> list[str]:
        """Where one stood, tests of the whole system left out."""
        return [test.candidate.place for test in self.steps if test.candidate.place is not None]

    @property
    def methods(self) -> list[str]:
        """Method by step."""
        return [test.candidate.method for test in self.steps]


def all_silent_walk(job: Job, steps: int, until: Callable[[Ranked], bool] | None = None) -> Walk:
    """The top test again and again, all silent, until a step is met, the plan says stop, or nothing is left."""
    made: list[Ranked] = []
    plans: list[Plan] = []
    for _ in range(steps):
        plan = make_plan(Belief(job))
        plans.append(plan)
        if plan.stop.stop or not plan.next:
            break
        made.append(plan.next[0])
        job = after(job, plan.next[0])
        if until is not None and until(plan.next[0]):
            break
    return Walk(tuple(made), tuple(plans), job)


def after(job: Job, test: Ranked, outcome: str | None = None) -> Job:
    """The job with a test made as proposed; silent unless said otherwise."""
    one = test.candidate
    said = outcome or job.catalogue.methods[one.method].silent
    return job.with_finding(Finding(one.method, one.target, said, one.condition))


def units_of(job: Job, test: Ranked) -> set[str]:
    """The repair units that a test looks at."""
    one = test.candidate
    return {site.unit for site in job.scope(job.catalogue.methods[one.method], one.target)}


def components_of(job: Job, test: Ranked) -> set[str]:
    """The component classes that a test looks at."""
    one = test.candidate
    return {site.component for site in job.scope(job.catalogue.methods[one.method], one.target)}


def best(plan: Plan, is_one: Callable[[Ranked], bool]) -> Ranked:
    """The first test of a kind."""
    return next(test for test in plan.next if is_one(test))

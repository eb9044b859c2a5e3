"""A real job as policies see it: everything is worked out when it is first read, and one scoring serves all answers."""

from __future__ import annotations

import zlib
from collections import Counter
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.costs import steps_for
from leakinfer.planner.decision import Worth
from leakinfer.planner.model import Candidate, Minutes, Objective
from leakinfer.planner.plan import Weighed, plan_by, weighed, with_weight
from leakinfer.planner.problem import Doable, doable, in_vain, left
from leakinfer.planner.stop import doubtful, likely_units
from leakinfer.study.model import Array, Made, Option


@dataclass(frozen=True, eq=False)
class Look:
    """What of an option is the same at every moment of a job."""

    key: str
    kind: str
    units: tuple[str, ...]
    classes: frozenset[str]
    pinpoint: bool
    opens: bool
    sites: tuple[str, ...]
    outdoors: bool


class Looks:
    """The looks of one job, each worked out once."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._outdoors = {place.id: place.outdoors for place in job.system.places}
        self._known: dict[tuple[object, ...], Look] = {}

    def of(self, candidate: Candidate) -> Look:
        """The look of a candidate."""
        told = candidate.condition
        key = (candidate.method, candidate.target, told.state, told.heating, told.shroud, told.sections)
        if key not in self._known:
            self._known[key] = self._new(candidate, " ".join(str(part) for part in key))
        return self._known[key]

    def _new(self, candidate: Candidate, key: str) -> Look:
        method = self._job.catalogue.methods[candidate.method]
        sites = self._job.scope(method, candidate.target)
        return Look(
            key,
            method.kind,
            tuple(dict.fromkeys(site.unit for site in sites)),
            frozenset(site.component for site in sites),
            method.pinpoint,
            method.opens_circuit,
            tuple(site.id for site in sites),
            candidate.place is not None and self._outdoors[candidate.place],
        )


class Outlook:
    """What can be known at a moment of a job, each thing worked out once, when it is first read.

    ``made``: what was done; ``looks``: of the options, the same through the whole job.
    """

    def __init__(self, job: Job, made: tuple[Made, ...], looks: Looks) -> None:
        self.job = job
        self.made = made
        self.looks = looks

    @cached_property
    def doable(self) -> Doable:
        """What can be done here. No test is planned for which refrigerant would be charged first: whether that may be
        only a belief can tell, and a search that has come to test gas as good as ends there."""
        return doable(self.job, charging=False)

    @cached_property
    def options(self) -> tuple[Option, ...]:
        """The candidates as policies see them."""
        times = Counter((made.option.method, made.option.target) for made in self.made)
        return tuple(
            self._option(candidate, spent, times[candidate.method, candidate.target])
            for candidate, spent in zip(self.doable.candidates, self.doable.costs, strict=True)
        )

    def _option(self, candidate: Candidate, spent: Minutes, times: int) -> Option:
        """A candidate as policies see it; by position, since there are hundreds at every step."""
        look, set_up = self.looks.of(candidate), spent.state + spent.aids
        steps = steps_for(self.job, candidate, self.doable.ways) if set_up else ()
        opens = look.opens or any(step.opens_circuit or step.empties for step in steps)
        return Option(
            look.key,
            look.kind,
            candidate.method,
            candidate.target,
            candidate.place,
            look.units,
            look.classes,
            spent.total,
            set_up,
            look.pinpoint,
            opens,
            times,
            look.sites,
            candidate.condition.state,
            look.outdoors,
        )

    @cached_property
    def belief(self) -> Belief:
        """The belief of the job."""
        return Belief(self.job)

    @cached_property
    def weighed(self) -> Weighed:
        """All options scored and weighed."""
        return weighed(self.belief, found=self.doable)

    @cached_property
    def prices(self) -> tuple[dict[str, float], dict[str, float]]:
        """By repair unit, minutes: of a leak that is left, of a repair in vain."""
        missed, wrong = left(self.belief).tolist(), in_vain(self.belief).tolist()
        return dict(zip(self.belief.units, missed, strict=True)), dict(zip(self.belief.units, wrong, strict=True))

    @cached_property
    def confirmed(self) -> frozenset[str]:
        """Repair units with a confirmed leak."""
        return frozenset(self.job.site(site).unit for site in self.belief.confirmed())

    @cached_property
    def to_repair(self) -> frozenset[str]:
        """Repair units that are repaired at the end: confirmed, likely, or dearer to leave than to repair."""
        known = self.confirmed.union(likely_units(self.belief))
        return known.union(doubtful(self.belief, known)) - {ELSEWHERE}


class JobSituation:
    """A moment of a job as one policy sees it. ``number``: of the simulated job, from which lots are drawn.

    Without a policy that asks for it no belief is made, so that fixed lists stay quick.
    """

    def __init__(self, outlook: Outlook, number: int) -> None:
        self.outlook = outlook
        self.number = number

    def again(self) -> JobSituation:
        """The same moment for another policy: what is worked out for one serves all."""
        return JobSituation(self.outlook, self.number)

    def told(self, option: Option, finding: Finding) -> JobSituation:
        """After the option was taken and this was found."""
        here, silent = self.outlook, self.outlook.job.catalogue.methods[finding.method].silent
        done = Made(option, finding.outcome != silent, finding.outcome)
        return JobSituation(Outlook(here.job.with_finding(finding), (*here.made, done), here.looks), self.number)

    @property
    def job(self) -> Job:
        """The job with all findings so far."""
        return self.outlook.job

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """The options as the planner and the world know them."""
        return self.outlook.doable.candidates

    @property
    def options(self) -> tuple[Option, ...]:
        """What may be done next within consent and the time that is left."""
        return self.outlook.options

    @property
    def made(self) -> tuple[Made, ...]:
        """What was done, in order."""
        return self.outlook.made

    @property
    def place(self) -> str | None:
        """Where the technician stands."""
        return self.job.facts.place

    @property
    def seed(self) -> int:
        """Of the lots drawn here: by the number of the job and what was found."""
        done = [(made.option.key, made.outcome) for made in self.made]
        return zlib.crc32(repr((self.number, done)).encode())

    @property
    def risk(self) -> dict[str, float]:
        """By repair unit: P(a leak that matters)."""
        return self.outlook.belief.unit_probability

    @cached_property
    def weighed(self) -> Weighed:
        """All options scored and weighed, once for all that is asked."""
        return self.outlook.weighed

    @property
    def is_weighed(self) -> bool:
        """Whether the policy has asked for it."""
        return "weighed" in vars(self)

    @cached_property
    def bits(self) -> Array:
        """(options,): expected information about which repair units leak at a size that matters."""
        return np.array([score.information.bits for score in self.weighed.found.scores])

    @cached_property
    def response(self) -> Array:
        """(options,): P(any outcome but the silent one)."""
        return np.array([1 - score.information.outcomes[0] for score in self.weighed.found.scores])

    @cached_property
    def shown(self) -> Array:
        """(options,): expected number of leaks that matter which a test would show, at most its chance to respond; of
        units only that are not sure yet."""
        sure = self.job.catalogue.numbers["confirmed_probability"]
        open_ones = {unit for unit, chance in self.risk.items() if chance < sure}
        shows = [
            sum(
                leaking
                for unit, leaking in zip(score.units, score.leaking[:, 1:].sum(axis=1), strict=True)
                if unit in open_ones
            )
            for score in self.weighed.found.scores
        ]
        return np.asarray(np.minimum(np.array(shows), self.response))

    @property
    def worth(self) -> Worth:
        """Of ending now, and of each option made next."""
        return self.weighed.worth

    def advice(self, objective: Objective, weight: float = 1.0) -> int | None:
        """What the program says: None to end."""
        plan = plan_by(self.weighed if weight == 1 else with_weight(self.weighed, weight), objective)
        return None if plan.stop.stop or not plan.next else self.candidates.index(plan.next[0].candidate)


def opening_of(job: Job, number: int) -> JobSituation:
    """The situation of a job at the door."""
    return JobSituation(Outlook(job, (), Looks(job)), number)

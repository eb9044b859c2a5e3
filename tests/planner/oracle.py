"""Brute force for the planner: every score as a sum over all worlds of a small job; short ways to plans."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.circuit.model import WHOLE
from leakinfer.inference import AmountTest, LevelTest, Model, Table
from leakinfer.job.belief import Belief, level_test, look_test, tested_pairs, weight_test
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Objective, Plan, Ranked
from leakinfer.planner.plan import make_plan
from tests.inference.enumeration import (
    Answer,
    Mask,
    Test,
    mutual_information,
    outcome_probabilities,
    solve_by_enumeration,
)
from tests.job.small import world_count

Array = NDArray[np.float64]
MOST_WORLDS = 150_000


def plan_of(job: Job, objective: Objective = "bits_per_minute") -> Plan:
    """The plan of a job."""
    return make_plan(Belief(job), objective)


def pick(
    plan: Plan, method: str, target: str, state: str = "standing", *, shroud: bool = False, heating: bool = False
) -> Ranked:
    """The one test of that method, target and condition."""
    found = matching(plan, method, target, state)
    (test,) = (t for t in found if (t.candidate.condition.shroud, t.candidate.condition.heating) == (shroud, heating))
    return test


def again(plan: Plan, test: Ranked) -> Ranked:
    """The same test in another plan."""
    one = test.candidate
    told = one.condition
    return pick(plan, one.method, one.target, told.state, shroud=told.shroud, heating=told.heating)


def matching(plan: Plan, method: str, target: str, state: str | None = None) -> list[Ranked]:
    """All tests of that method and target, in order."""
    kept = [test for test in plan.next if (test.candidate.method, test.candidate.target) == (method, target)]
    return [test for test in kept if state in (None, test.candidate.condition.state)]


def scope(job: Job, method: str, target: str) -> list[str]:
    """The fitted sites that a test touches, read from the system itself."""
    system, kind = job.system, job.catalogue.methods[method].kind
    sites = {
        "point": lambda: [target],
        "sweep": lambda: [site.id for site in system.sites if site.zone == target],
        "spot": lambda: [name for spot in system.spots if spot.id == target for name in spot.catches],
        "exposure": lambda: touched(job, target),
        "gather": lambda: [site.id for site in system.sites if site.zone == target],
        "hold": lambda: held(job, target),
        "total": lambda: [site.id for site in system.sites],
    }[kind]()
    return [site for site in sites if site not in job.facts.not_fitted]


def held(job: Job, target: str) -> list[str]:
    """The sites of an isolation, or all."""
    inside = {section for part in job.system.isolations if part.id == target for section in part.sections}
    return [site.id for site in job.system.sites if target == WHOLE or site.section in inside]


def touched(job: Job, circumstance: str) -> list[str]:
    """The sites of a shared circumstance, or the one before the colon."""
    shared = {one.id: list(one.sites) for one in job.system.circumstances}
    return shared.get(circumstance, [circumstance.split(":")[0]])


def groups(belief: Belief, method: str, target: str) -> list[dict[str, Mask]]:
    """The whole repair units that a test touches, with the states that matter."""
    unit = {site.id: site.unit for site in belief.job.sites}
    named = dict.fromkeys(unit[site] for site in scope(belief.job, method, target))
    return [{site: belief.masks[site] for site in unit if unit[site] == name} for name in named]


class Brute:
    """All worlds of a job's belief, weighted by what was found; what has leaked is drawn once for all readings."""

    def __init__(self, belief: Belief) -> None:
        self.belief, self.job = belief, belief.job
        model = belief.model
        assert world_count(model) <= MOST_WORLDS
        kept = tuple(seen for seen in model.observations if not isinstance(seen.test, AmountTest))
        self.reading = np.ones(belief.deficit.cells)
        self.read = False
        for seen in model.observations:
            if isinstance(seen.test, AmountTest):
                self.reading, self.read = self.reading * seen.test.likelihood[:, seen.outcome], True
        self.answer: Answer = solve_by_enumeration(Model(model.items, model.switches, kept))
        weight = self.answer.weight * (self.cells @ self.reading if self.read else 1.0)
        self.posterior = weight / weight.sum()

    @cached_property
    def cells(self) -> Array:
        """(W, cells): how much is missing in each world."""
        deficit = self.belief.deficit
        return outcome_probabilities(self.answer.worlds, deficit.test(np.eye(deficit.cells)))

    def test(self, ranked: Ranked) -> Test:
        """The candidate as a test of the model."""
        one = ranked.candidate
        method = self.job.catalogue.methods[one.method]
        if method.kind == "exposure":
            return look_test(self.belief, one.target)
        if method.kind == "total":
            return weight_test(self.belief, one.method)
        if method.kind in ("hold", "gather"):
            return self.belief.flows.test(method, one.target, one.condition)
        finding = Finding(one.method, one.target, method.silent, one.condition)
        return level_test(self.belief, finding, tested_pairs(self.job))

    def joint(self, test: Test) -> Array:
        """(W, outcomes): P(world, outcome | all findings)."""
        if isinstance(test, AmountTest):
            weight = self.answer.weight[:, None] * ((self.cells * self.reading) @ test.likelihood)
            return np.asarray(weight / weight.sum())
        if isinstance(test, LevelTest):
            return np.asarray(self.posterior[:, None] * self._levels(test))
        return np.asarray(self.posterior[:, None] * outcome_probabilities(self.answer.worlds, test))

    def _levels(self, test: LevelTest) -> Array:
        """(W, outcomes): the highest level; an item may hide as a whole."""
        below = np.cumsum(np.tile(test.background, (self.posterior.size, 1)), axis=1)
        for name, table in test.emit.items():
            below = below * self._at_most(name, table, test.hidden.get(name, 0.0))
        return np.diff(below, axis=1, prepend=0.0)

    def _at_most(self, name: str, table: Table, hidden: float) -> Array:
        """(W, levels): P(no copy of an item shows more than a level)."""
        worlds = self.answer.worlds
        copies = range(worlds.states[name].shape[1])
        shown = np.prod([np.cumsum(worlds.rows(name, table, copy), axis=1) for copy in copies], axis=0)
        return np.asarray(hidden + (1 - hidden) * shown)

    def bits(self, ranked: Ranked, most: int) -> float:
        """Information about the touched repair units, sets of more than ``most`` lumped as one."""
        labels = self.labels(ranked, most)
        return mutual_information(labels, self.joint(self.test(ranked)))

    def leaking(self, ranked: Ranked, units: Sequence[str]) -> Array:
        """(units, outcomes): P(a repair unit leaks at a size that matters, outcome)."""
        joint, sites = self.joint(self.test(ranked)), self.job.sites
        each = [{site.id: self.belief.masks[site.id] for site in sites if site.unit == unit} for unit in units]
        return np.array([joint[self.answer.worlds.any_copy(group)].sum(0) for group in each])

    def more(self, ranked: Ranked, most: int) -> Array:
        """(outcomes,): P(more than ``most`` touched units leak, outcome)."""
        return np.asarray(self.joint(self.test(ranked))[self.labels(ranked, most) < 0].sum(0))

    def labels(self, ranked: Ranked, most: int) -> NDArray[np.intp]:
        """(W,): which touched repair units leak at a size that matters, as a number, or -1 for more than ``most``."""
        one = ranked.candidate
        return self.answer.target(groups(self.belief, one.method, one.target), most)

    def gap(self, ranked: Ranked, most: int) -> float:
        """P(more than ``most``) times the outcome's entropy then: what lumping may hide."""
        row = self.joint(self.test(ranked))[self.labels(ranked, most) < 0].sum(0)
        return float(row.sum() * entropy(row / row.sum())) if row.sum() > 0 else 0.0


def entropy(p: Array | Sequence[float]) -> float:
    """-sum p log2 p, with 0 log 0 = 0."""
    some = np.asarray(p, dtype=float)
    some = some[some > 0]
    return float(-(some * np.log2(some)).sum())


def after_each(job: Job, ranked: Ranked) -> Iterator[tuple[float, Job]]:
    """For every outcome of a candidate: its forecast probability, and the job in which it was found."""
    one = ranked.candidate
    for outcome, probability in ranked.outcomes.items():
        yield probability, job.with_finding(Finding(one.method, one.target, outcome, one.condition))


def by_scope(job: Job, tests: Sequence[Ranked]) -> Mapping[tuple[str, ...], list[Ranked]]:
    """Sweeps, spots, gatherings and holds, those of the same sites together."""
    kept: dict[tuple[str, ...], list[Ranked]] = {}
    for test in tests:
        one = test.candidate
        if job.catalogue.methods[one.method].kind in ("sweep", "spot", "gather", "hold"):
            kept.setdefault(tuple(sorted(scope(job, one.method, one.target))), []).append(test)
    return kept

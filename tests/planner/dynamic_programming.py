"""Exact optimum of small repair decisions: dynamic programming over (findings, present state), worlds enumerated.

Independent of the planner: a case holds every test's P(outcome | world), its worlds are all sets of leaking units, and
values are kept unnormalised (times the probability of the findings), so that nothing is divided.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.planner.decision import Choice, Problem

Array = NDArray[np.float64]
Findings = tuple[tuple[int, int], ...]
"""(test, outcome) pairs, by test."""
MOVED = 1e-9  # change of P(unit leaks, outcome) that counts


@dataclass(frozen=True, eq=False)
class Trial:
    """A test of a case: minutes, state, units, and P(outcome | world) of shape (worlds, outcomes)."""

    minutes: float
    state: int
    units: tuple[int, ...]
    answers: Array


@dataclass(frozen=True, eq=False)
class Case:
    """Units that leak or not with prior ``worlds`` (2 ** units,), bit u of a world being unit u; prices in minutes."""

    worlds: Array
    missed: Array
    wrong: Array
    trials: tuple[Trial, ...]
    change: Array
    now: int

    @cached_property
    def leaking(self) -> Array:
        """(worlds, units) 1 where the unit leaks."""
        return leaking_units(len(self.missed))

    def stop(self, weight: Array) -> Array:
        """Price of ending, for weights (..., worlds) of the findings, times their probability."""
        leaks = weight @ self.leaking
        tight = weight @ (1 - self.leaking)
        return np.asarray(np.minimum(leaks * self.missed, tight * self.wrong).sum(axis=-1))

    def weight(self, findings: Findings) -> Array:
        """P(world, findings)."""
        weight = self.worlds.copy()
        for test, outcome in findings:
            weight *= self.trials[test].answers[:, outcome]
        return weight


def leaking_units(units: int) -> Array:
    """(2 ** units, units) 1 where unit u leaks in the world."""
    return ((np.arange(2**units)[:, None] >> np.arange(units)) & 1).astype(float)


def independent(risk: Array) -> Array:
    """Prior of all worlds for units that leak independently."""
    leaking = leaking_units(len(risk))
    return np.asarray(np.prod(np.where(leaking == 1, risk, 1 - risk), axis=1))


def optimum(case: Case) -> float:
    """The least expected total cost."""
    return float(_values(case)[0][case.now])


def first_costs(case: Case) -> Array:
    """Expected total cost of each test made next, with the best continuation."""
    values = _values(case)
    costs = [values[1 << n][trial.state].sum() + _minutes(case, trial)[case.now] for n, trial in enumerate(case.trials)]
    return np.array(costs)


def _minutes(case: Case, trial: Trial) -> Array:
    """Minutes of a test from each present state."""
    return np.asarray(case.change[:, trial.state] + trial.minutes)


def _values(case: Case) -> dict[int, Array]:
    """By set of tests made: (states, outcomes of each made test in order) cost-to-go times P(findings)."""
    count = len(case.trials)
    values: dict[int, Array] = {}
    for made in sorted(range(2**count), key=int.bit_count, reverse=True):
        weight = _weights(case, made)
        chance = weight.sum(axis=-1)
        best = np.repeat(case.stop(weight)[None], len(case.change), axis=0)
        for test in (t for t in range(count) if not made >> t & 1):
            trial = case.trials[test]
            axis = (made & ((1 << test) - 1)).bit_count()
            later = values[made | 1 << test][trial.state].sum(axis=axis)
            with np.errstate(invalid="ignore"):  # inf minutes times a chance of 0
                there = np.multiply.outer(_minutes(case, trial), chance) + later
            best = np.fmin(best, there)
        values[made] = best
    return values


def _weights(case: Case, made: int) -> Array:
    """(outcomes of each made test in order, worlds) P(findings, world)."""
    weight = case.worlds
    for test, trial in enumerate(case.trials):
        if made >> test & 1:
            weight = weight[..., None, :] * trial.answers.T
    return weight


# policies on the same tree


@dataclass(frozen=True, eq=False)
class Here:
    """A point of the tree: the case, the findings so far and the present state.

    A test tells about all units whose chance it moves: after a response that could come from several, a test of one of
    them moves the others too. ``direct``: the planner is told only of those that the test itself touches.
    """

    case: Case
    findings: Findings
    now: int
    direct: bool = False

    @cached_property
    def left(self) -> tuple[int, ...]:
        """Tests not made yet that can be reached."""
        made = dict(self.findings)
        trials = self.case.trials
        return tuple(
            n for n, t in enumerate(trials) if n not in made and math.isfinite(self.case.change[self.now, t.state])
        )

    @cached_property
    def weight(self) -> Array:
        """P(world | findings)."""
        weight = self.case.weight(self.findings)
        return np.asarray(weight / weight.sum())

    @cached_property
    def problem(self) -> Problem:
        """What the planner sees: marginals and joint tables of the tests that are left."""
        case, risk = self.case, self.weight @ self.case.leaking
        return Problem(risk, case.missed, case.wrong, tuple(map(self._choice, self.left)), case.change, self.now)

    def _choice(self, test: int) -> Choice:
        trial = self.case.trials[test]
        joint = self.weight[:, None] * trial.answers
        outcomes, leaking = joint.sum(axis=0), self.case.leaking.T @ joint
        moved = np.abs(leaking - leaking.sum(axis=1)[:, None] * outcomes).max(axis=1) > MOVED
        moved[list(trial.units)] = True
        units = trial.units if self.direct else tuple(np.flatnonzero(moved).tolist())
        return Choice(trial.minutes, trial.state, units, outcomes, leaking[list(units)])

    def then(self, test: int, outcome: int) -> Here:
        """After a test of the case with that outcome."""
        findings = tuple(sorted((*self.findings, (test, outcome))))
        return replace(self, findings=findings, now=self.case.trials[test].state)

    def after(self, choice: int, outcome: int) -> Problem:
        """The exact problem after the n-th choice of the problem here."""
        return self.then(self.left[choice], outcome).problem


Policy = Callable[[Here], int | None]
"""The n-th choice of the problem here, or None to stop."""


def start(case: Case, *, direct: bool = False) -> Here:
    """The point before any finding."""
    return Here(case, (), case.now, direct)


def cost_of(case: Case, policy: Policy, *, direct: bool = False) -> float:
    """Expected total cost of a policy over all outcomes, exact."""
    known: dict[tuple[Findings, int], float] = {}

    def ahead(here: Here) -> float:
        key = here.findings, here.now
        if key not in known:
            known[key] = _cost_here(here, policy, ahead)
        return known[key]

    return ahead(start(case, direct=direct))


def _cost_here(here: Here, policy: Policy, ahead: Callable[[Here], float]) -> float:
    pick = policy(here)
    if pick is None:
        return float(here.case.stop(here.weight))
    test = here.left[pick]
    trial = here.case.trials[test]
    chances = here.weight @ trial.answers
    later = sum(chance * ahead(here.then(test, n)) for n, chance in enumerate(chances) if chance > 0)
    return float(here.case.change[here.now, trial.state] + trial.minutes + later)


def point(units: int, unit: int, given: Mapping[bool, tuple[float, ...]]) -> Array:
    """P(outcome | world) of a test of one unit, from P(outcome | it leaks or not)."""
    leaks = leaking_units(units)[:, unit] == 1
    return np.where(leaks[:, None], np.array(given[True]), np.array(given[False]))


def pooled(units: int, seen: Mapping[int, float], false_alarm: float) -> Array:
    """P(silent, response | world) of a noisy-OR test: P(silent) = (1 - false alarm) prod (1 - seen)."""
    missed = np.ones(units)
    for unit, chance in seen.items():
        missed[unit] = 1 - chance
    silent = (1 - false_alarm) * np.prod(np.where(leaking_units(units) == 1, missed, 1.0), axis=1)
    return np.stack([silent, 1 - silent], axis=1)


def brute_force(case: Case) -> float:
    """The optimum once more by plain recursion over single findings; for checking the tables on tiny cases."""

    def best(here: Here) -> float:
        ends = [float(case.stop(here.weight))]
        for test in here.left:
            trial = case.trials[test]
            chances = here.weight @ trial.answers
            later = sum(c * best(here.then(test, n)) for n, c in enumerate(chances) if c > 0)
            ends.append(float(case.change[here.now, trial.state] + trial.minutes + later))
        return min(ends)

    return best(start(case))

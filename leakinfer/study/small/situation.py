"""A point of a small case's tree of outcomes, as policies see it.

What a small case lacks is made up, the same for all policies. A state is a place too: to change it is the way there.
A test of one unit with two outcomes counts as a probe at one spot, with three as bubbles, a pinpoint method; a pooled
test is a sweep. Units carry the names of four component classes in a fixed order, so that checklists have a say.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.planner.decision import Choice, Problem, Worth, weigh, weigh_ahead
from leakinfer.planner.model import Objective
from leakinfer.planner.plan import AHEAD, CostBands, preference
from leakinfer.planner.stop import least_saving
from leakinfer.study.model import Made, Option
from leakinfer.study.small.case import Array, Case, Findings, Trial

MOVED = 1e-9  # change of P(unit leaks, outcome) that counts
CLASSES = ("valve_core", "fin_tube", "brazed_joint", "line_set")  # of the units in order, begun anew after the last
GRADED = 2  # outcomes of a plain test; more are graded


@dataclass(frozen=True, eq=False)
class SmallSituation:
    """The case, the findings so far in order, and the present state.

    A test tells about all units whose chance it moves: after a response that could come from several, a test of one of
    them moves the others too. ``direct``: the planner is told only of those that the test itself touches. ``lots``: the
    number of the lots that a policy may draw. ``missed_weight``: factor on the case's price of a leak that is left.
    """

    case: Case
    findings: Findings
    now: int
    direct: bool = False
    lots: int = 0
    missed_weight: float = 1.0

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
        """(worlds,) P(world | findings)."""
        weight = self.case.weight(self.findings)
        return np.asarray(weight / weight.sum())

    @cached_property
    def problem(self) -> Problem:
        """What the planner sees: marginals and joint tables of the tests that are left."""
        case, risk = self.case, self.weight @ self.case.leaking
        missed = self.missed_weight * case.missed
        return Problem(risk, missed, case.wrong, tuple(map(self._choice, self.left)), case.change, self.now)

    def _choice(self, test: int) -> Choice:
        trial = self.case.trials[test]
        joint = self.weight[:, None] * trial.answers
        outcomes, leaking = joint.sum(axis=0), self.case.leaking.T @ joint
        moved = np.abs(leaking - leaking.sum(axis=1)[:, None] * outcomes).max(axis=1) > MOVED
        moved[list(trial.units)] = True
        units = trial.units if self.direct else tuple(np.flatnonzero(moved).tolist())
        return Choice(trial.minutes, trial.state, units, outcomes, leaking[list(units)])

    def then(self, test: int, outcome: int) -> SmallSituation:
        """After a test of the case with that outcome."""
        return replace(self, findings=(*self.findings, (test, outcome)), now=self.case.trials[test].state)

    def after(self, choice: int, outcome: int) -> Problem:
        """The exact problem after the n-th choice of the problem here."""
        return self.then(self.left[choice], outcome).problem

    # what policies see

    @cached_property
    def options(self) -> tuple[Option, ...]:
        """The tests that are left."""
        return tuple(self._option(test, self.now) for test in self.left)

    @cached_property
    def made(self) -> tuple[Made, ...]:
        """What was done, each test as it was offered."""
        states = [self.case.now, *(self.case.trials[test].state for test, _ in self.findings)]
        return tuple(
            Made(self._option(test, state), outcome > 0, f"outcome {outcome}")
            for (test, outcome), state in zip(self.findings, states, strict=False)
        )

    def _option(self, test: int, now: int) -> Option:
        trial, change = self.case.trials[test], float(self.case.change[now, self.case.trials[test].state])
        units = tuple(f"unit {unit}" for unit in trial.units)
        method = _method(trial)
        return Option(
            key=f"test {test}",
            kind="sweep" if method == "probe_sweep" else "point",
            method=method,
            target=" and ".join(units),
            place=f"place {trial.state}",
            units=units,
            classes=frozenset(CLASSES[unit % len(CLASSES)] for unit in trial.units),
            minutes=trial.minutes + change,
            set_up=change,
            pinpoint=method == "bubbles",
            sites=units,
            state=f"state {trial.state}",
        )

    @property
    def place(self) -> str:
        """The present state as a place."""
        return f"place {self.now}"

    @cached_property
    def risk(self) -> dict[str, float]:
        """By unit: P(it leaks)."""
        return {f"unit {unit}": float(risk) for unit, risk in enumerate(self.problem.risk)}

    @cached_property
    def bits(self) -> Array:
        """(options,): exact information about which units leak."""
        return np.array([self._bits(self.case.trials[test]) for test in self.left])

    def _bits(self, trial: Trial) -> float:
        told = _entropy(self.weight @ trial.answers) - self.weight @ _entropy(trial.answers)
        return max(0.0, float(told))

    @cached_property
    def response(self) -> Array:
        """(options,): P(any outcome but the first)."""
        return np.array([1 - choice.outcomes[0] for choice in self.problem.choices])

    @cached_property
    def shown(self) -> Array:
        """(options,): expected number of leaking units that a test shows, at most its chance to respond; of units only
        that are not sure yet."""
        sure = load_catalogue().numbers["confirmed_probability"]
        shows = [
            sum(
                self.weight @ (self.case.leaking[:, unit] * (1 - trial.answers[:, 0]))
                for unit in trial.units
                if self.problem.risk[unit] < sure
            )
            for trial in (self.case.trials[test] for test in self.left)
        ]
        return np.asarray(np.minimum(np.array(shows), self.response))

    @cached_property
    def worth(self) -> Worth:
        """Of ending and of each option, as the program weighs them."""
        return weigh(self.problem)

    def advice(self, objective: Objective, weight: float = 1.0) -> int | None:
        """What the program says: None where going on saves too little, else the first by its order."""
        if weight != self.missed_weight:
            return replace(self, missed_weight=weight).advice(objective, weight)
        numbers = load_catalogue().numbers
        worth = weigh_ahead(self.problem, self.after, AHEAD) if objective == "two_step" else self.worth
        if worth.stop - worth.least <= least_saving(numbers, worth.stop):
            return None
        costs = worth.costs.tolist()
        close = CostBands(costs, numbers["cost_margin_share"])

        def order(number: int) -> tuple[float, float]:
            bits = float(self.bits[number])
            return preference(objective, costs[number], bits, bits / self.options[number].minutes, close)

        return min(range(len(costs)), key=order)

    @property
    def seed(self) -> int:
        """Of the lots drawn here."""
        return zlib.crc32(repr((self.lots, self.findings)).encode())


def start(case: Case, *, direct: bool = False, lots: int = 0) -> SmallSituation:
    """The point before any finding."""
    return SmallSituation(case, (), case.now, direct, lots)


def cost_of(
    case: Case, choose: Callable[[SmallSituation], int | None], *, direct: bool = False, lots: int = 0
) -> float:
    """Expected total cost of a way to choose over all outcomes, exact; minutes, with the price of ending wrong.

    At the end each unit is repaired or left, whichever is cheaper by the exact chances, whatever chose the tests.
    """

    def ahead(here: SmallSituation) -> float:
        pick = choose(here)
        if pick is None:
            return float(here.case.stop(here.weight))
        test = here.left[pick]
        trial = case.trials[test]
        chances = here.weight @ trial.answers
        later = sum(chance * ahead(here.then(test, n)) for n, chance in enumerate(chances) if chance > 0)
        return float(case.change[here.now, trial.state] + trial.minutes + later)

    return ahead(start(case, direct=direct, lots=lots))


def _method(trial: Trial) -> str:
    """The method whose name a test bears."""
    if len(trial.units) > 1:
        return "probe_sweep"
    return "bubbles" if trial.answers.shape[1] > GRADED else "probe_point"


def _entropy(chances: Array) -> Array:
    """(...,) bits of distributions along the last axis."""
    safe = np.where(chances > 0, chances, 1.0)
    return np.asarray(-(safe * np.log2(safe)).sum(axis=-1))

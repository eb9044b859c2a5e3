"""Which test next, or stop: minutes spent and the price of ending wrong, in one sum.

Units leak or not. A test costs minutes and is made in a state of the system; changing the state costs minutes. At the
end each unit is repaired or left, whichever is cheaper: min(p missed, (1 - p) wrong). The least expected total of both
is what ranks tests and what stops. The exact optimum is a decision process over all findings, out of reach for a real
job. Here a test's cost is exact for its own step: its minutes, the way to its state, and the risk after each outcome.
What follows is estimated as units on their own (``alone``), after the cheapest change of state, which is thereby worth
its best bundle of tests (compare Kadane & Simon 1977, set-ups in search).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise, permutations

import numpy as np

from leakinfer.planner.alone import TINY, Alone, Array, Flags, Ints, Parts, Prices, solve_alone

OWN = 0.7  # a test that tells less than this share of its bits about a unit counts as shared with others; judgement
CAREFUL_SHARED = 1  # shared tests of a unit that the careful estimate follows up: two are not independent given it
NEAR = 0.01  # costs closer than this share are a tie; about what interpolation and the estimate of what follows leave
PAID = 1.0  # how often a shared test is paid for at most, by the units that it tells about in proportion to their bits
PAYS = 1e-9  # share of the price by which a test must beat ending now
FURTHER = 2  # states to visit after the next test's own
FEW_STATES = 4  # with more states in use, one further state only, for speed


@dataclass(frozen=True, eq=False)
class Choice:
    """A test as the decision sees it.

    ``minutes``: its own and those of getting there, without set-up. ``state``: index of the state it is made in.
    ``units``: those it tells about.
    ``outcomes``: (outcomes,) P(outcome). ``leaking``: (len(units), outcomes) P(unit leaks, outcome).
    """

    minutes: float
    state: int
    units: tuple[int, ...]
    outcomes: Array
    leaking: Array


@dataclass(frozen=True, eq=False)
class Problem:
    """What is known and what can be done; each choice can be made once.

    ``risk``: (units,) P(unit leaks). ``missed``, ``wrong``: (units,) minutes, price of a leak left and of a repair in
    vain. ``change``: (states, states) minutes of the cheapest way, inf where it cannot or must not be. ``now``: state.
    """

    risk: Array
    missed: Array
    wrong: Array
    choices: tuple[Choice, ...]
    change: Array
    now: int


@dataclass(frozen=True, eq=False)
class Worth:
    """Expected total cost in minutes: of ending now (``stop``); (choices,) of each test made next and going on well.

    ``costs`` is inf where a test cannot be reached, or tells of no unit. Stop when none is below ``stop``. ``sooner``:
    (choices,) by how much the price of ending falls in this test, for each minute of it and its set-up.
    """

    stop: float
    costs: Array
    sooner: Array

    @property
    def least(self) -> float:
        """Cost of the best that can be done."""
        return float(self.costs.min(initial=self.stop))

    @property
    def best(self) -> int | None:
        """The choice to make, or None to stop.

        Tests of units that do not bear on each other cost the same in any order. Near ties go to the one that lowers
        the price of ending fastest: best where a find may end the search (largest p q / c: Chew 1967, Kadane & Simon
        1977), and no worse where not.
        """
        if not len(self.costs) or self.least >= self.stop * (1 - PAYS):
            return None
        near = np.flatnonzero(self.costs <= min(self.least * (1 + NEAR), self.stop * (1 - PAYS)))
        return int(near[np.argmax(self.sooner[near])])


def weigh(problem: Problem) -> Worth:
    """Expected total cost of stopping, and of each test made next."""
    return _weigh(problem, careful=False)


def of_nothing(problem: Problem) -> float:
    """Expected total cost of going on well from the state that is there, as after a test without time or news.

    What a test in this state costs below it with its own minutes, it saves.
    """
    idle = Choice(0.0, problem.now, (0,), np.ones(1), problem.risk[:1, None])
    return float(weigh(replace(problem, choices=(*problem.choices, idle))).costs[-1])


def weigh_ahead(problem: Problem, after: Callable[[int, int], Problem], width: int) -> Worth:
    """Two steps: the ``width`` most promising choices are weighed by the exact problem after each of their outcomes.

    ``after(choice, outcome)`` gives that problem. The others keep their order: they move by as much as the weighed ones
    did on average, and none comes below the best of those.
    """
    worth = weigh(problem)
    order = np.argsort(worth.costs, kind="stable")[:width]
    looked = order[np.isfinite(worth.costs[order])]
    if not len(looked):
        return worth
    weighed = np.array([_ahead(problem, after, int(choice)) for choice in looked])
    moved = float((weighed - worth.costs[looked]).mean())
    costs = np.maximum(worth.costs + moved, weighed.min())
    costs[looked] = weighed
    return Worth(worth.stop, costs, worth.sooner)


def _ahead(problem: Problem, after: Callable[[int, int], Problem], number: int) -> float:
    """Cost of a choice by the exact problems after it.

    What follows is taken midway between the hopeful estimate of ``weigh`` and a careful one: shared tests in a row tell
    less about a unit than they would on their own.
    """
    choice = problem.choices[number]
    cost = problem.change[problem.now, choice.state] + choice.minutes
    for outcome in np.flatnonzero(choice.outcomes > 0):
        then = after(number, int(outcome))
        later = [_weigh(then, careful=careful).least for careful in (False, True)]
        cost += choice.outcomes[outcome] * sum(later) / 2
    return float(cost)


def _weigh(problem: Problem, *, careful: bool) -> Worth:
    prices = Prices(problem.missed, problem.wrong)
    stop = float(prices.ending(np.arange(len(problem.risk)), problem.risk).sum())
    if not problem.choices:
        return Worth(stop, np.zeros(0), np.zeros(0))
    parts = _parts(problem)
    routes = _routes(problem)
    alone = solve_alone(parts, prices, routes.allowed, CAREFUL_SHARED if careful else len(problem.choices))
    leaf = _Leaf(problem.risk, parts, alone, careful)
    return Worth(stop, _costs(problem, parts, routes, leaf), _sooner(problem, parts, prices, leaf))


# tests by unit


def _parts(problem: Problem) -> Parts:
    """The choices unit by unit, with likelihoods from their joint tables."""
    choices = problem.choices
    choice = np.repeat(np.arange(len(choices)), [len(c.units) for c in choices])
    unit = np.fromiter((u for c in choices for u in c.units), dtype=np.intp)
    counts = np.array([len(c.outcomes) for c in choices])
    filled = np.arange(counts.max()) < counts[:, None]
    outcomes, joint = np.zeros(filled.shape), np.zeros((len(choice), filled.shape[1]))
    outcomes[filled] = np.concatenate([c.outcomes for c in choices])
    joint[filled[choice]] = np.concatenate([c.leaking.ravel() for c in choices])
    outcomes, risk = outcomes[choice], problem.risk[unit][:, None]
    leaks = np.where(risk > TINY, joint / np.maximum(risk, TINY), outcomes)
    tight = np.where(risk < 1 - TINY, (outcomes - joint) / np.maximum(1 - risk, TINY), outcomes)
    leaks, tight = np.maximum(leaks, 0), np.maximum(tight, 0)
    bits = _bits(risk, leaks, tight)
    share = bits / np.maximum(np.bincount(choice, bits)[choice], TINY)
    shared = share < OWN
    state = np.array([c.state for c in choices], dtype=np.intp)[choice]
    minutes = np.array([c.minutes for c in choices], dtype=np.float64)[choice]
    minutes = minutes * np.minimum(PAID * share, 1.0)
    return Parts(choice, unit, state, minutes, leaks, tight, bits, shared)


def _bits(risk: Array, leaks: Array, tight: Array) -> Array:
    """(parts,) mutual information in bits of the outcome and whether the unit leaks."""
    both = np.maximum(risk * leaks + (1 - risk) * tight, TINY)
    told = risk * leaks * np.log2(np.maximum(leaks, TINY) / both)
    told += (1 - risk) * tight * np.log2(np.maximum(tight, TINY) / both)
    return np.asarray(np.maximum(told.sum(axis=1), 0.0))


# ways through the states


@dataclass(frozen=True, eq=False)
class _Routes:
    """``allowed``: (sets, states) states of each set. ``ways``: by first state, minutes to visit the rest, by set."""

    allowed: Flags
    ways: dict[int, dict[int, float]]


def _routes(problem: Problem) -> _Routes:
    """From each state a test is made in: to stay, or to go on to one or two others where tests are made."""
    used = sorted({choice.state for choice in problem.choices})
    further = FURTHER if len(used) <= FEW_STATES else 1
    sets: dict[frozenset[int], int] = {}
    ways: dict[int, dict[int, float]] = {first: {} for first in used}
    for count in range(1, 2 + further):
        for route in permutations(used, count):
            minutes = float(sum(problem.change[pair] for pair in pairwise(route)))
            if np.isfinite(minutes):
                number = sets.setdefault(frozenset(route), len(sets))
                least = ways[route[0]].get(number, np.inf)
                ways[route[0]][number] = min(least, minutes)
    allowed = np.array([[state in states for state in range(len(problem.change))] for states in sets])
    return _Routes(allowed, ways)


# one step, then each unit on its own


class _Leaf:
    """Estimated cost after a test, for all parts and outcomes."""

    def __init__(self, risk: Array, parts: Parts, alone: Alone, careful: bool) -> None:
        self.parts, self.alone = parts, alone
        prior = risk[parts.unit][:, None]
        self.chance = prior * parts.leaks + (1 - prior) * parts.tight
        after = prior * parts.leaks / np.maximum(self.chance, TINY)
        self.risk = np.clip(np.where(self.chance > TINY, after, prior), 0.0, 1.0)
        self.drops = careful & parts.shared[:, None] & (self.risk > prior * (1 + 1e-9))
        sets, units = alone.row.shape
        full = np.full((sets, units), len(alone.tables) - 1)
        unit = np.broadcast_to(np.arange(units), (sets, units))
        self.untouched = alone.cost(alone.row, unit, full, np.broadcast_to(risk, (sets, units)))
        self.total = self.untouched.sum(axis=1)

    def cost(self, number: int, rows: Ints, starts: Ints) -> Array:
        """(choices, outcomes) cost-to-go with the tests of a set of states.

        ``rows``: parts of the choices. ``starts``: where each choice begins among them.
        """
        unit = self.parts.unit[rows]
        row = self.alone.row[number, unit]
        shape = self.risk[rows].shape
        there, who = (np.broadcast_to(array[:, None], shape) for array in (row, unit))
        touched = self.alone.cost(there, who, self._left(rows, row), self.risk[rows])
        changed = np.add.reduceat(touched - self.untouched[number, unit][:, None], starts, axis=0)
        return np.asarray(changed + self.total[number])

    def _left(self, rows: Ints, row: Ints) -> Ints:
        """(parts, outcomes) slots left, as bits: not the test just made, and with care no other shared one after it
        has raised the unit's risk: what raised it raises other units too, and the next response with them."""
        held = self.alone.tests[row]
        shared = self.parts.shared[held] & (held >= 0)
        gone = (held == rows[:, None])[:, None, :] | (self.drops[rows][:, :, None] & shared[:, None, :])
        bits = 1 << np.arange(held.shape[1])
        return np.asarray(len(self.alone.tables) - 1 - (gone * bits).sum(axis=2), dtype=np.intp)


def _costs(problem: Problem, parts: Parts, routes: _Routes, leaf: _Leaf) -> Array:
    """(choices,) minutes, set-up, and the best way on after each outcome."""
    minutes = np.array([choice.minutes for choice in problem.choices])
    costs = np.full(len(minutes), np.inf)
    for state, ways in routes.ways.items():
        rows = np.flatnonzero(parts.state == state)
        if not len(rows):
            continue
        picked, starts = np.unique(parts.choice[rows], return_index=True)
        later = np.min([leaf.cost(number, rows, starts) + way for number, way in ways.items()], axis=0)
        first = problem.change[problem.now, state] + minutes[picked]
        costs[picked] = first + (leaf.chance[rows[starts]] * later).sum(axis=1)
    return costs


def _sooner(problem: Problem, parts: Parts, prices: Prices, leaf: _Leaf) -> Array:
    """(choices,) expected fall of the price of ending, over all minutes of the test."""
    unit = np.broadcast_to(parts.unit[:, None], leaf.risk.shape)
    falls = prices.ending(parts.unit, problem.risk[parts.unit])
    falls = falls - (leaf.chance * prices.ending(unit, leaf.risk)).sum(axis=1)
    minutes = np.array([choice.minutes + problem.change[problem.now, choice.state] for choice in problem.choices])
    return np.asarray(np.bincount(parts.choice, falls, len(problem.choices)) / np.maximum(minutes, TINY))

"""Which test next, or stop: minutes spent and the price of ending wrong, in one sum.

Units leak or not. A test costs minutes and is made in a state of the system; changing the state costs minutes. At the
end each unit is repaired or left, whichever is cheaper: min(p missed, (1 - p) wrong). The least expected total of both
is what ranks tests and what stops. The exact optimum is a decision process over all findings (Kadane & Simon 1977 for
one search; a partially observed one in general), out of reach for a real job; here the cost after a test is estimated
as that of units on their own (``alone``), after the cheapest change of state, which is thereby worth its best bundle.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from leakinfer.planner.alone import TINY, Axis, Menus, Parts, Prices, make_axis, make_menus, make_shifts, make_tables, read

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Choice:
    """A test as the decision sees it.

    ``minutes``: its own, without set-up. ``state``: index of the state it is made in. ``units``: those it tells about.
    ``outcomes``: (outcomes,) P(outcome). ``leaking``: (len(units), outcomes) P(unit leaks, outcome).
    """

    minutes: float
    state: int
    units: tuple[int, ...]
    outcomes: Array
    leaking: Array


@dataclass(frozen=True, eq=False)
class Problem:
    """What is known and what can be done.

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
    """Expected total cost in minutes: of ending now (``stop``); (choices,) of each test made next and going on well."""

    stop: float
    costs: Array


def weigh(problem: Problem) -> Worth:
    """Expected total cost of stopping and of each test made next."""
    prices = Prices(problem.missed, problem.wrong)
    stop = ended(problem)
    if not problem.choices:
        return Worth(stop, np.zeros(0))
    parts = _parts(problem)
    states, bundles = _bundles(problem)
    axis = make_axis(parts, prices)
    shifts = make_shifts(parts, axis, prices)
    menus = make_menus(parts, _score(problem, parts), states, len(problem.risk))
    tables = make_tables(menus, shifts, axis)
    return Worth(stop, _costs(problem, parts, Alone(prices, axis, menus, tables), bundles))


def ended(problem: Problem) -> float:
    """Expected cost of ending now."""
    return float(np.minimum(problem.risk * problem.missed, (1 - problem.risk) * problem.wrong).sum())


@dataclass(frozen=True, eq=False)
class Alone:
    prices: Prices
    axis: Axis
    menus: Menus
    tables: Array


def _parts(problem: Problem) -> Parts:
    choices = problem.choices
    sizes = np.array([len(c.units) for c in choices])
    counts = np.array([len(c.outcomes) for c in choices])
    most = int(counts.max())
    choice = np.repeat(np.arange(len(choices)), sizes)
    unit = np.concatenate([np.array(c.units, dtype=np.intp) for c in choices])
    joint = np.zeros((len(choice), most))
    outcomes = np.zeros((len(choices), most))
    filled = np.arange(most) < counts[choice][:, None]
    joint[filled] = np.concatenate([c.leaking.ravel() for c in choices])
    outcomes[np.arange(most) < counts[:, None]] = np.concatenate([c.outcomes for c in choices])
    both = outcomes[choice]
    risk = problem.risk[unit][:, None]
    leaks = np.where(risk > TINY, joint / np.maximum(risk, TINY), both)
    tight = np.where(risk < 1 - TINY, (both - joint) / np.maximum(1 - risk, TINY), both)
    minutes = np.array([c.minutes for c in choices])
    state = np.array([c.state for c in choices], dtype=np.intp)
    w = WEIGHT(problem.risk[unit], np.maximum(leaks,0), np.maximum(tight,0))
    total = np.bincount(choice, w, len(choices))
    share = np.where(total[choice] > TINY, w / np.maximum(total[choice], TINY), 1 / sizes[choice])
    return Parts(choice, unit, state[choice], share < SHARED, minutes[choice] * np.minimum(1, share*PAD)**POWER, np.maximum(leaks, 0), np.maximum(tight, 0))


def _bits(risk, leaks, tight):
    risk = risk[:, None]
    both = risk * leaks + (1 - risk) * tight
    with np.errstate(divide="ignore", invalid="ignore"):
        a = np.where(leaks > 0, risk * leaks * np.log(leaks / both), 0)
        b = np.where(tight > 0, (1 - risk) * tight * np.log(tight / both), 0)
    return np.nan_to_num(a + b).sum(axis=1)
WEIGHT = _bits


def _score(problem, parts):
    bits = _bits(problem.risk[parts.unit], parts.leaks, parts.tight)
    return bits / np.maximum(parts.minutes, TINY)


def _bundles(problem):
    """(sets, states) allowed; and per start state a list of (set index, minutes)."""
    change = problem.change
    used = sorted({c.state for c in problem.choices})
    sets = {}
    bundles = {}
    for start in used:
        rows = {}
        others = [s for s in used if s != start]
        for size in range(0, BUNDLE + 1):
            for group in itertools.permutations(others, size):
                way = 0.0; here = start
                for g in group:
                    way += change[here, g]; here = g
                if np.isfinite(way):
                    key = frozenset((start, *group))
                    n = sets.setdefault(key, len(sets))
                    rows[n] = min(rows.get(n, np.inf), way)
        bundles[start] = rows
    allowed = np.zeros((len(sets), len(change)), dtype=bool)
    for key, n in sets.items():
        allowed[n, list(key)] = True
    return allowed, bundles


def _costs(problem, parts, alone, bundles):
    K, U = alone.menus.row.shape
    unit = np.broadcast_to(np.arange(U), (K, U))
    slots = alone.menus.tests.shape[1]
    full = np.full((K, U), 2**slots - 1)
    base = read(alone.tables, alone.axis, alone.prices, (full, alone.menus.row, unit), np.broadcast_to(problem.risk, (K, U)))
    total = base.sum(axis=1)
    C = len(problem.choices)
    costs = np.full(C, np.inf)
    O = parts.leaks.shape[1]
    risk = problem.risk[parts.unit][:, None]
    both = risk * parts.leaks + (1 - risk) * parts.tight
    after = np.clip(np.where(both > 0, risk * parts.leaks / np.maximum(both, TINY), risk), 0, 1)
    first = np.searchsorted(parts.choice, np.arange(C))
    for state, rows in bundles.items():
        inner = np.nonzero(parts.state == state)[0]
        rises = (parts.shared[inner, None] & (after[inner] > risk[inner] * (1 + 1e-9))) if DROP == 1 else np.repeat(parts.shared[inner, None], O, axis=1) if DROP == 2 else np.zeros((len(inner), O), bool)
        if not len(inner): continue
        picks = np.unique(parts.choice[inner])
        starts = np.searchsorted(parts.choice[inner], picks)
        best = None
        for n, way in rows.items():
            u = parts.unit[inner]
            row = alone.menus.row[n, u]
            mine = alone.menus.tests[row] == inner[:, None]
            held = alone.menus.tests[row]
            gone = mine[:, None, :] | (rises[:, :, None] & (parts.shared[held] & (held >= 0))[:, None, :])
            left = 2**slots - 1 - (gone * (1 << np.arange(slots))).sum(axis=2)
            shape = (len(inner), O)
            f = read(alone.tables, alone.axis, alone.prices, (left, *(np.broadcast_to(x[:, None], shape) for x in (row, u))), after[inner])
            d = np.add.reduceat(f - base[n, u][:, None], starts, axis=0) + total[n] + way
            best = d if best is None else np.minimum(best, d)
        chance = both[inner][starts]
        there = problem.change[problem.now, state]
        minutes = np.array([problem.choices[c].minutes for c in picks])
        costs[picks] = (chance * best).sum(axis=1) + minutes + there
    return costs
BUNDLE = 2
PAD = 1.0
POWER = 1.0
SHARED = 0.9
DROP = 1

def weigh_ahead(problem: Problem, after: Callable[[int, int], Problem], width: int, depth: int = 1) -> Worth:
    worth = weigh(problem)
    costs = worth.costs.copy()
    for n in np.argsort(costs, kind="stable")[:width]:
        c = problem.choices[n]
        if not np.isfinite(costs[n]): continue
        later = 0.0
        for o, chance in enumerate(c.outcomes):
            if chance > 0:
                later += chance * estimate(after(int(n), o))
        costs[n] = problem.change[problem.now, c.state] + c.minutes + later
    looked = np.argsort(worth.costs, kind="stable")[:width]
    rest = np.ones(len(costs), bool); rest[looked] = False
    if len(looked) and rest.any():
        shift = np.nanmean(costs[looked] - worth.costs[looked])
        costs[rest] = np.maximum(costs[rest] + shift, costs[looked].min())
    return Worth(worth.stop, costs)

def setc(careful):
    global DROP
    import leakinfer.planner.alone as A
    A.POOLS, DROP = (1, 1) if careful else (9, 0)
BLEND = 1.0
SHARED = .7
POWER = 0
def estimate(p):
    e = 0.0
    if BLEND > 0:
        setc(True); w = weigh(p); e += BLEND * min(w.stop, w.costs.min(initial=np.inf)); setc(False)
    if BLEND < 1:
        w = weigh(p); e += (1 - BLEND) * min(w.stop, w.costs.min(initial=np.inf))
    return e
setc(False)

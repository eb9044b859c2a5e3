"""Each unit on its own: the least expected cost of testing it and then repairing or leaving it, all units at once.

A unit's tests are taken as independent given whether it leaks (Wald's sequential test with a finite menu). With the
odds of a leak r = p / (1 - p), the cost-to-go over 1 - p is a concave, piecewise linear function g(r) that ends as
min(r missed, wrong). A test with outcomes of likelihoods a (leaks) and b (tight) turns g into
minutes (1 + r) + sum b g(r a / b): on a grid even in ln r a shift by ln(a / b), the same at every grid point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

GRID = 25  # points of a unit's grid in ln odds; twice as many change the costs by a few thousandths, for twice the time
MENU = 4  # tests of a unit that are followed up; its table has 2 ** MENU parts
TINY = 1e-12  # least probability, minutes and price, so that logarithms exist
STAKES = 1e9  # most times a price may exceed the cheapest test


@dataclass(frozen=True, eq=False)
class Parts:
    """Tests by unit, one row for each unit of each test, in order of the tests.

    ``choice``, ``unit``, ``state``: (parts,). ``minutes``: (parts,) of the whole test. ``leaks``, ``tight``: (parts,
    outcomes) P(outcome | unit leaks), P(outcome | it does not), zero where a test has fewer. ``bits``: (parts,) what it
    tells about the unit. ``shared``: (parts,) whether much of what the test tells is about other units.
    """

    choice: Ints
    unit: Ints
    state: Ints
    minutes: Array
    leaks: Array
    tight: Array
    bits: Array
    shared: Flags


@dataclass(frozen=True, eq=False)
class Prices:
    """(units,) minutes: price of a leak left (``missed``), of a repair in vain (``wrong``)."""

    missed: Array
    wrong: Array

    def ending(self, unit: Ints, risk: Array) -> Array:
        """Expected price of ending at ``risk``, of the shape of both."""
        return np.minimum(risk * self.missed[unit], (1 - risk) * self.wrong[unit])


@dataclass(frozen=True, eq=False)
class Axis:
    """(units,) grid of each unit in ln(r missed / wrong): ``step``, and ``zero``, the point of equal prices."""

    step: Array
    zero: Ints

    def points(self, unit: Ints) -> Array:
        """(len(unit), GRID) r missed / wrong."""
        return np.asarray(np.exp((np.arange(GRID) - self.zero[unit][:, None]) * self.step[unit][:, None]))


@dataclass(frozen=True, eq=False)
class Alone:
    """Solved units. ``row``: (sets of states, units) the row of ``tables`` for a unit whose tests are those of the set.

    ``tests``: (rows, slots) parts, -1 where none. ``tables``: (2 ** slots, rows, GRID) cost-to-go over wrong (1 - p),
    by the slots that are still to be had.
    """

    prices: Prices
    axis: Axis
    row: Ints
    tests: Ints
    tables: Array

    def cost(self, row: Ints, unit: Ints, left: Ints, risk: Array) -> Array:
        """Cost-to-go in minutes with the slots ``left`` (bits), all of one shape."""
        step = self.axis.step[unit]
        tight = (1 - risk) * self.prices.wrong[unit]
        odds = np.maximum(risk * self.prices.missed[unit], TINY) / np.maximum(tight, TINY)
        place = np.log(odds) / step + self.axis.zero[unit]
        whole = np.clip(np.floor(place), 0, GRID - 2)
        share = np.expm1((place - whole) * step) / np.expm1(step)
        flat = (left * self.tables.shape[1] + row) * GRID + whole.astype(np.intp)
        values = self.tables.ravel()
        inner = (1 - share) * values.take(flat) + share * values.take(flat + 1)
        outside = (place <= 0) | (place >= GRID - 1)
        return np.where(outside, self.prices.ending(unit, risk), tight * inner)


def solve_alone(parts: Parts, prices: Prices, allowed: Flags, most_shared: int) -> Alone:
    """All units for all sets of states. ``allowed``: (sets, states). ``most_shared``: shared tests in a unit's menu."""
    axis = _axis(parts, prices)
    unit, tests, row = _menus(parts, allowed, len(prices.missed), most_shared)
    return Alone(prices, axis, row, tests, _tables(unit, tests, _shifts(parts, axis, prices), axis))


def _axis(parts: Parts, prices: Prices) -> Axis:
    """From where leaving it costs less than the cheapest test to where repairing it does: beyond, no test can pay."""
    tells = parts.bits > TINY
    least = np.full(len(prices.missed), np.inf)
    np.minimum.at(least, parts.unit[tells], parts.minutes[tells])
    least = np.maximum(least, TINY)
    below = np.log(np.clip(prices.wrong / least, 1.5, STAKES))
    above = np.log(np.clip(prices.missed / least, 1.5, STAKES))
    zero = np.clip(np.rint(below / (below + above) * (GRID - 1)), 1, GRID - 2)
    return Axis(np.maximum(below / zero, above / (GRID - 1 - zero)), zero.astype(np.intp))


@dataclass(frozen=True, eq=False)
class _Shifts:
    """What each part does to a table: sum over outcomes of first g[point] + second g[point + 1], plus rest.

    ``point``, ``first``, ``second``: (parts, outcomes, GRID). ``rest``: (parts, GRID), minutes and what is outside.
    """

    point: Ints
    first: Array
    second: Array
    rest: Array


def _shifts(parts: Parts, axis: Axis, prices: Prices) -> _Shifts:
    """Interpolation linear in r, exact outside the grid, where the unit is left (g = r) or repaired (g = 1)."""
    step = axis.step[parts.unit][:, None]
    leaks, tight = parts.leaks[:, :, None], parts.tight[:, :, None]
    moved = np.log(np.maximum(parts.leaks, TINY) / np.maximum(parts.tight, TINY)) / step
    whole = np.floor(moved)
    share = (np.expm1((moved - whole) * step) / np.expm1(step))[:, :, None]
    at = np.arange(GRID) + whole[:, :, None]
    odds = axis.points(parts.unit)
    low, high = at < 0, at >= GRID - 1
    outside = (leaks * odds[:, None, :] * low + tight * high).sum(axis=1)
    price = odds / np.maximum(prices.missed[parts.unit], TINY)[:, None]
    fee = parts.minutes[:, None] * (price + 1 / np.maximum(prices.wrong[parts.unit], TINY)[:, None])
    inside = ~(low | high)
    weight = tight * inside
    point = np.where(inside, at, 0).astype(np.intp)
    return _Shifts(point, weight * (1 - share), weight * share, outside + fee)


def _menus(parts: Parts, allowed: Flags, units: int, most_shared: int) -> tuple[Ints, Ints, Ints]:
    """The parts that tell most for their minutes: unit and tests of each distinct row, and the row by set and unit."""
    order = np.lexsort((-parts.bits / np.maximum(parts.minutes, TINY), parts.unit))
    unit, shared = parts.unit[order], parts.shared[order]
    inside = allowed[:, parts.state[order]] & (parts.bits[order] > TINY)
    inside = inside & ~(shared & (_rank(inside & shared, unit) >= most_shared))
    rank = _rank(inside, unit)
    where, which = np.nonzero(inside & (rank < MENU))
    tests = np.full((len(allowed), units, 1 + MENU), -1, dtype=np.intp)
    tests[:, :, 0] = np.arange(units)
    tests[where, unit[which], 1 + rank[where, which]] = order[which]
    slots = int((tests[:, :, 1:] >= 0).sum(axis=2).max(initial=0))
    rows, back = np.unique(tests[:, :, : 1 + slots].reshape(-1, 1 + slots), axis=0, return_inverse=True)
    return rows[:, 0], rows[:, 1:], back.reshape(len(allowed), units)


def _rank(inside: Flags, unit: Ints) -> Ints:
    """(sets, parts) how many of the unit's parts before this one are inside; ``unit`` is sorted."""
    before: Ints = np.cumsum(inside, axis=1) - inside
    return np.asarray(before - before[:, np.searchsorted(unit, unit)])


def _tables(unit: Ints, tests: Ints, shifts: _Shifts, axis: Axis) -> Array:
    """(2 ** slots, rows, GRID) by growing sets of slots; to stop, or to make one of them."""
    rows, slots = tests.shape
    base = (np.arange(rows) * GRID)[:, None, None]
    moves = []
    for part in tests.T:
        rest = np.where(part[:, None] >= 0, shifts.rest[part], np.inf)
        moves.append((base + shifts.point[part], shifts.first[part], shifts.second[part], rest))
    tables = np.empty((2**slots, rows, GRID))
    tables[:] = np.minimum(axis.points(unit), 1.0)
    for left in range(1, 2**slots):
        for slot in (s for s in range(slots) if left >> s & 1):
            point, first, second, rest = moves[slot]
            later = tables[left ^ 1 << slot].ravel()
            made = (first * later.take(point) + second * later.take(point + 1)).sum(axis=1) + rest
            np.minimum(tables[left], made, out=tables[left])
    return tables

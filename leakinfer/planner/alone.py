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

GRID = 25  # points of each unit's grid in ln odds: the cost is about 1 % off at 25, the time grows with it
MENU = 4  # tests of a unit that are followed up; the table has 2 ** MENU parts
POOLS = 1
TINY = 1e-12  # least probability and price, so that logarithms exist


@dataclass(frozen=True, eq=False)
class Parts:
    """Tests by unit, one row for each unit of each test.

    ``choice``, ``unit``, ``state``: (parts,). ``minutes``: (parts,) the unit's share. ``leaks``, ``tight``: (parts,
    outcomes) likelihoods, zero where a test has fewer outcomes.
    """

    choice: Ints
    unit: Ints
    state: Ints
    shared: NDArray[np.bool_]
    minutes: Array
    leaks: Array
    tight: Array


@dataclass(frozen=True, eq=False)
class Prices:
    """(units,) minutes: price of a leak left, of a repair in vain."""

    missed: Array
    wrong: Array


@dataclass(frozen=True, eq=False)
class Axis:
    """Grid of each unit in ln(r missed / wrong): ``step``, and ``zero``, the point of equal prices. (units,)"""

    step: Array
    zero: Ints

    def points(self, unit: Ints) -> Array:
        """(len(unit), GRID) r missed / wrong."""
        return np.exp((np.arange(GRID) - self.zero[unit][:, None]) * self.step[unit][:, None])


def make_axis(parts: Parts, prices: Prices) -> Axis:
    """From where leaving it costs less than the cheapest test to where repairing it does: beyond, no test can pay."""
    least = np.full(len(prices.missed), np.inf)
    np.minimum.at(least, parts.unit, parts.minutes)
    below = np.log(np.clip(prices.wrong / np.maximum(least, TINY), 1.5, 1e9))
    above = np.log(np.clip(prices.missed / np.maximum(least, TINY), 1.5, 1e9))
    zero = np.clip(np.rint(below / (below + above) * (GRID - 1)), 1, GRID - 2).astype(np.intp)
    step = np.maximum(below / zero, above / (GRID - 1 - zero))
    return Axis(step, zero)


@dataclass(frozen=True, eq=False)
class Shifts:
    """What each part does to a table: (parts, outcomes, GRID) lower point, weights of it and the next; rest, fee.

    ``rest``: (parts, GRID) what falls outside the grid; ``fee``: (parts, GRID) the minutes.
    """

    point: Ints
    first: Array
    second: Array
    rest: Array


def make_shifts(parts: Parts, axis: Axis, prices: Prices) -> Shifts:
    """Interpolation linear in r, exact outside the grid."""
    step = axis.step[parts.unit][:, None]
    ratio = np.clip(parts.leaks, TINY, None) / np.clip(parts.tight, TINY, None)
    moved = np.log(ratio) / step
    whole = np.floor(moved)
    share = np.expm1((moved - whole) * step) / np.expm1(step)
    at = np.arange(GRID) + whole[:, :, None]
    inside = (at >= 0) & (at < GRID - 1)
    tight = np.where(inside, parts.tight[:, :, None], 0.0)
    odds = axis.points(parts.unit)
    low = np.where(at < 0, parts.leaks[:, :, None] * odds[:, None, :], 0.0)
    rest = (low + np.where(at >= GRID - 1, parts.tight[:, :, None], 0.0)).sum(axis=1)
    missed = np.maximum(prices.missed[parts.unit], TINY)[:, None]
    wrong = np.maximum(prices.wrong[parts.unit], TINY)[:, None]
    fee = parts.minutes[:, None] * (odds / missed + 1 / wrong)
    point = np.where(inside, at, 0).astype(np.intp)
    return Shifts(point, tight * (1 - share)[:, :, None], tight * share[:, :, None], rest + fee)


@dataclass(frozen=True, eq=False)
class Menus:
    """Distinct (unit, tests) rows. ``unit``: (rows,). ``tests``: (rows, slots) parts, -1 where none. ``row``: (sets, units)."""

    unit: Ints
    tests: Ints
    row: Ints


def make_menus(parts: Parts, score: Array, allowed: NDArray[np.bool_], units: int) -> Menus:
    """The best parts of each unit for each set of states; ``allowed``: (sets, states)."""
    order = np.lexsort((-score, parts.unit))
    unit = parts.unit[order]
    inside = allowed[:, parts.state[order]]
    first = np.searchsorted(unit, np.arange(units))
    def rankof(inside):
        rank = np.cumsum(inside, axis=1)
        before = np.concatenate([np.zeros((len(allowed), 1), dtype=rank.dtype), rank], axis=1)[:, first]
        return rank - before[:, unit] - 1
    sh = parts.shared[order]
    inside = inside & ~(sh & (rankof(inside & sh) >= POOLS))
    rank = rankof(inside)
    kept = inside & (rank < MENU)
    where, which = np.nonzero(kept)
    tests = np.full((len(allowed), units, MENU), -1, dtype=np.intp)
    tests[where, unit[which], rank[where, which]] = order[which]
    slots = max(int((tests >= 0).sum(axis=2).max(initial=0)), 1)
    keyed = np.concatenate([np.broadcast_to(np.arange(units)[:, None], (*tests.shape[:2], 1)), tests[:, :, :slots]], 2)
    rows, back = np.unique(keyed.reshape(-1, slots + 1), axis=0, return_inverse=True)
    return Menus(rows[:, 0], rows[:, 1:], back.reshape(len(allowed), units))


def make_tables(menus: Menus, shifts: Shifts, axis: Axis) -> Array:
    """(2 ** slots, rows, GRID) cost-to-go over wrong (1 - p), by the slots that are still to be had."""
    rows, slots = menus.tests.shape
    base = (np.arange(rows) * GRID)[:, None, None]
    moves = []
    for slot in range(slots):
        part = menus.tests[:, slot]
        rest = np.where(part[:, None] >= 0, shifts.rest[part], np.inf)
        point = base + shifts.point[part]
        moves.append((point, shifts.first[part], shifts.second[part], rest))
    tables = np.empty((2**slots, rows, GRID))
    tables[:] = np.minimum(axis.points(menus.unit), 1.0)
    for left in range(1, 2**slots):
        for slot, (point, first, second, rest) in enumerate(moves):
            if left >> slot & 1:
                flat = tables[left ^ 1 << slot].ravel()
                made = (first * flat.take(point) + second * flat[1:].take(point)).sum(axis=1) + rest
                np.minimum(tables[left], made, out=tables[left])
    return tables


def read(tables: Array, axis: Axis, prices: Prices, at: tuple[Ints, Ints, Ints], risk: Array) -> Array:
    """Cost-to-go in minutes at ``risk``; ``at``: slots left, row, unit, all of one shape."""
    left, row, unit = at
    missed, wrong = prices.missed[unit], prices.wrong[unit]
    tight = 1 - risk
    step, zero = axis.step[unit], axis.zero[unit]
    ratio = np.maximum(risk * missed, TINY) / np.maximum(tight * wrong, TINY)
    place = np.log(ratio) / step + zero
    whole = np.clip(np.floor(place), 0, GRID - 2)
    share = np.expm1((place - whole) * step) / np.expm1(step)
    flat = (left * tables.shape[1] + row) * GRID + whole.astype(np.intp)
    values = tables.ravel()
    inner = (1 - share) * values.take(flat) + share * values.take(flat + 1)
    outside = (place <= 0) | (place >= GRID - 1)
    return np.where(outside, np.minimum(risk * missed, tight * wrong), tight * wrong * inner)

"""Which sites of an invented fleet are tested at a visit, and what each method says there.

At some of the searches tests are written down. What they say follows the curves of the truth and hangs on the leak
alone, not on whether the search found it; a spot that hides from a method does so for good.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leakinfer.catalogue.model import Catalogue, Method
from leakinfer.fleet.cells.sizes import loss_of_size
from leakinfer.fleet.invented.fleet import EVER, NONE, YES, Array, Fleet, Index, Mask
from leakinfer.fleet.invented.life import Life
from leakinfer.fleet.invented.plan import Plan
from leakinfer.fleet.invented.truth import Truth
from leakinfer.physics.properties import load_properties
from leakinfer.physics.units import TWENTY_CELSIUS, g_per_year_to_throughput


@dataclass(frozen=True, eq=False)
class Tests:
    """(N,) tests: visit, part, method and level of the answer, 0 for silent; (O,) sites opened up that were tight."""

    __test__ = False  # not a class of tests of the program

    visit: Index
    part: Index
    method: Index
    level: Index
    opened_visit: Index
    opened_part: Index


@dataclass(frozen=True, eq=False)
class Spots:
    """(n,) parts that are tested at a visit; (m,) the leaks that are there then, and at which spot."""

    visit: Index
    part: Index
    leak: Index
    leak_spot: Index


def make_tests(
    fleet: Fleet, life: Life, truth: Truth, plan: Plan, catalogue: Catalogue, rng: np.random.Generator
) -> Tests:
    """The tests that were written down."""
    spots = _spots(fleet, life, plan, rng)
    spot, method = _tried(spots, fleet, life, truth, plan, catalogue, rng)
    level = _levels(spots, spot, method, fleet, life, truth, catalogue, rng)
    responded = np.zeros(spots.part.size, dtype=bool)
    np.logical_or.at(responded, spot, level > 0)
    tight, tried = np.ones(spots.part.size, dtype=bool), np.zeros(spots.part.size, dtype=bool)
    tight[spots.leak_spot], tried[spot] = False, True
    opened = tried & tight & (rng.random(tight.size) < np.array(plan.opened)[responded.astype(int)])
    return Tests(spots.visit[spot], spots.part[spot], method, level, spots.visit[opened], spots.part[opened])


def _spots(fleet: Fleet, life: Life, plan: Plan, rng: np.random.Generator) -> Spots:
    """Leaking and tight parts are chosen with chances of their own."""
    visits = fleet.visits
    writes = (visits.kind == YES) & (rng.random(visits.kind.size) < plan.writes)
    leak, at = _there(fleet, life, writes)
    leaky, which = np.unique(_key(life.leaks.part[leak], at), return_inverse=True)
    leaky_on = rng.random(leaky.size) < plan.tested_leaking
    part, visit = _pairs(fleet, life, np.flatnonzero(writes), plan.tested, rng)
    plain = np.unique(_key(part, visit))
    plain = plain[~np.isin(plain, leaky)]
    keys = np.concatenate([leaky[leaky_on], plain])
    order = np.lexsort((keys >> 32, keys & (2**32 - 1)))  # by visit, then by part
    place = np.full(keys.size, NONE, dtype=np.int64)
    place[order] = np.arange(keys.size)
    of_leaky = np.full(leaky.size, NONE, dtype=np.int64)
    of_leaky[leaky_on] = place[: int(leaky_on.sum())]
    spot = of_leaky[which.reshape(-1)]
    keys = keys[order]
    return Spots(keys & (2**32 - 1), keys >> 32, leak[spot != NONE], spot[spot != NONE])


def _key(part: Index, visit: Index) -> Index:
    return (part << 32) + visit


def _there(fleet: Fleet, life: Life, writes: Mask) -> tuple[Index, Index]:
    """Every leak at every visit that writes tests down, from its birth up to the visit that mends it."""
    visits, leaks = fleet.visits, life.leaks
    system = life.parts.system[leaks.part]
    low = visits.from_day(system, np.floor(leaks.birth).astype(np.int64) + 1)
    high = np.minimum(visits.from_day(system, np.minimum(leaks.end, EVER - 1) + 1), visits.begin[system + 1])
    leak, visit = _ranges(low, high)
    return leak[writes[visit]], visit[writes[visit]]


def _ranges(low: Index, high: Index) -> tuple[Index, Index]:
    """All numbers from ``low`` to below ``high``: (n,) the row, (n,) the number."""
    counts = np.maximum(high - low, 0)
    row = np.repeat(np.arange(counts.size), counts)
    return row, low[row] + np.arange(row.size) - np.repeat(np.cumsum(counts) - counts, counts)


def _pairs(fleet: Fleet, life: Life, some: Index, chance: float, rng: np.random.Generator) -> tuple[Index, Index]:
    """Parts in place at these visits, each chosen with a chance."""
    parts, visits = life.parts, fleet.visits
    order = np.argsort(parts.system, kind="stable")
    begin = np.searchsorted(parts.system[order], np.arange(visits.begin.size))
    system = visits.system[some]
    row, place = _ranges(begin[system], begin[system + 1])
    chosen = rng.random(row.size) < chance
    part, visit = order[place[chosen]], some[row[chosen]]
    day = visits.day[visit]
    there = (parts.fitted[part] <= day) & (day <= parts.removed[part])
    return part[there], visit[there]


def _tried(
    spots: Spots, fleet: Fleet, life: Life, truth: Truth, plan: Plan, catalogue: Catalogue, rng: np.random.Generator
) -> tuple[Index, Index]:
    """(n,) spot and method of each test; some are made twice."""
    chance = np.array([plan.methods[name] for name in truth.methods])
    ways = [catalogue.methods[name] for name in truth.methods]
    possible = np.array([[_possible(way, row.site.component, row.site.view) for way in ways] for row in fleet.rows])
    size = (spots.part.size, chance.size)
    meets = (rng.random(size) < chance) & possible.reshape(-1, chance.size)[life.parts.row[spots.part]]
    times = meets * (1 + (rng.random(size) < plan.again))
    spot, method = np.nonzero(meets)
    repeats = times[spot, method]
    return np.repeat(spot, repeats), np.repeat(method, repeats)


def _possible(method: Method, component: str, view: bool) -> bool:
    technique = method.techniques.get(component)
    return method.kind == "point" and (view or not method.needs_view) and (technique is None or technique.possible)


def _levels(
    spots: Spots,
    spot: Index,
    method: Index,
    fleet: Fleet,
    life: Life,
    truth: Truth,
    catalogue: Catalogue,
    rng: np.random.Generator,
) -> Index:
    """(n,) level of each answer: the highest of those of the leaks at a spot in reach, and of a false cause."""
    level = np.zeros(spot.size, dtype=np.int64)
    hidden = _hidden(spots.part[spot], method, life, truth, rng)
    test, leak = _meetings(spots, spot)
    test, leak = test[~hidden[test]], leak[~hidden[test]]
    rate = _rates(leak, fleet, life, truth)
    for number, name in enumerate(truth.methods):
        way = catalogue.methods[name]
        mine = method == number
        level[mine] = _steps(rng.random(int(mine.sum())), _alarms(way, truth.false_alarm[number])[:, None])
        some = mine[test]
        seen = seen_share(way, rate[way.rate][some], truth, number)
        np.maximum.at(level, test[some], _steps(rng.random(int(some.sum())), seen))
    return level


def _alarms(method: Method, alarm: float) -> Array:
    """(grades,) chance of at least each grade at a tight site; all move with the first."""
    shipped = np.array([grade.false_alarm for grade in method.grades])
    return np.asarray(alarm * shipped / shipped[0]) if shipped[0] > 0 else np.full(shipped.size, alarm)


def seen_share(method: Method, rate: Array, truth: Truth, number: int) -> Array:
    """(grades, n) chance of at least each grade from leaks of these rates (the method's unit) at a spot in reach.

    The truth has the first grade's rate and slope; those of the others keep their distance from it.
    """
    first = method.grades[0]
    shares = []
    for grade in method.grades:
        rate50 = truth.rate50[number] * grade.rate50 / first.rate50
        slope = truth.slope[number] * grade.slope / first.slope
        shares.append((1 - truth.lapse[number]) / (1 + np.exp(slope * (np.log(rate50) - np.log(rate)))))
    return np.array(shares)


def _steps(chance: Array, at_least: Array) -> Index:
    """(n,) how many of the (grades, n) chances, which fall, a uniform number lies below."""
    return np.asarray((chance < at_least).sum(axis=0), dtype=np.int64)


def _hidden(part: Index, method: Index, life: Life, truth: Truth, rng: np.random.Generator) -> Mask:
    """(n,) whether the spot hides from the method; drawn once for a part and method."""
    count = len(truth.methods)
    pairs, which = np.unique(part * count + method, return_inverse=True)
    kind = pairs % count
    share = truth.unreachable[kind] * truth.blind[life.parts.component[pairs // count], kind]
    hides = rng.random(pairs.size) < np.minimum(share, 1.0)
    return np.asarray(hides[which.reshape(-1)])


def _meetings(spots: Spots, spot: Index) -> tuple[Index, Index]:
    """All pairs of a test and a leak at its spot."""
    order = np.argsort(spots.leak_spot, kind="stable")
    held = spots.leak_spot[order]
    test, place = _ranges(np.searchsorted(held, spot), np.searchsorted(held, spot, side="right"))
    return test, spots.leak[order[place]]


def _rates(leak: Index, fleet: Fleet, life: Life, truth: Truth) -> dict[str, Array]:
    """(n,) rates of leaks by unit, as saturated vapour standing."""
    fluid = fleet.systems.refrigerant[life.parts.system[life.leaks.part[leak]]]
    loss, gas = np.ones(leak.size), np.ones(leak.size)
    for name in np.unique(fluid):
        some = fluid == name
        loss[some] = loss_of_size(life.leaks.size[leak[some]], str(name), truth.measured_at_c)
        mass = load_properties().fluid(str(name)).molar_mass
        gas[some] = loss[some] * g_per_year_to_throughput(1.0, mass, TWENTY_CELSIUS)
    return {"g/yr": loss, "Pa m3/s": gas}

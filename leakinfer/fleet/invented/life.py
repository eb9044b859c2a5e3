"""How an invented fleet leaks and what its visits find, leak by leak.

Leaks begin by exact inversion of the cumulative hazard, mean x reference x (age / reference)^weibull, times the factor
of what is around the part on each day. A member leaks at most once at a time (leaks too small to be found may count or
not); a leak that is found is mended at that visit, after which the member can leak again at its age; an exchanged part
begins anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.invented.fleet import (
    DAYS_A_YEAR,
    EARLIER,
    EPOCH,
    EVER,
    NONE,
    PROOF,
    UNSAID,
    YES,
    Array,
    Fleet,
    Index,
    Mask,
    Parts,
    on,
)
from leakinfer.fleet.invented.plan import Plan
from leakinfer.fleet.invented.truth import Truth

LATE = 1e6  # years: an age beyond all others


@dataclass(frozen=True, eq=False)
class Leaks:
    """(L,) leaks: the part, the day of birth (not whole), size in Pa m3/s, the visit that found it or NONE.

    ``end``: the day on which it was mended or its part taken out, EVER where it still is. ``exchanged``: by a new part;
    ``again``: the visit at which it was mended once more since the first repair did not hold, NONE if that was not so;
    ``held``: whether the first repair held. ``placed``: whether anybody wrote down where it was.
    """

    part: Index
    birth: Array
    size: Array
    visit: Index
    end: Index
    exchanged: Mask
    again: Index
    held: Mask
    placed: Mask

    def keep(self, some: Index | Mask) -> Leaks:
        """Some of the leaks."""
        return Leaks(*(getattr(self, part.name)[some] for part in fields(self)))


@dataclass(frozen=True, eq=False)
class Life:
    """All leaks that ever were, and all parts that ever were fitted."""

    parts: Parts
    leaks: Leaks


@dataclass(frozen=True, eq=False)
class Hazard:
    """(P,) of parts: mean leaks a year, Weibull shape; ``jump`` times as many between two ages in years."""

    scale: Array
    weibull: Array
    since: Array
    until: Array
    jump: Array
    reference: float

    def _grown(self, part: Index, age: Array) -> Array:
        return self.reference * (age / self.reference) ** self.weibull[part]

    def cumulative(self, part: Index, age: Array) -> Array:
        """(n,) leaks that are expected of a member up to an age."""
        low, high = self.since[part], self.until[part]
        inside = self._grown(part, np.clip(age, low, high)) - self._grown(part, low)
        return self.scale[part] * (self._grown(part, age) + (self.jump[part] - 1) * inside)

    def age_at(self, part: Index, cumulative: Array) -> Array:
        """(n,) the age at which so many are expected: inverse of :meth:`cumulative`."""
        wanted = cumulative / self.scale[part]
        low, high = self._grown(part, self.since[part]), self._grown(part, self.until[part])
        more = self.jump[part] * (high - low)
        inside = low + np.minimum(np.maximum(wanted - low, 0.0), more) / self.jump[part]
        grown = np.where(wanted <= low, wanted, inside + np.maximum(wanted - low - more, 0.0))
        return np.asarray(self.reference * (grown / self.reference) ** (1 / self.weibull[part]))


def hazard_of(parts: Parts, fleet: Fleet, truth: Truth, reference_years: float) -> Hazard:
    """The hazard of each part, with type, workmanship and circumstances."""
    systems = fleet.systems
    work = np.where(truth.workmanship[parts.component], systems.factor[parts.system], 1.0)
    scale = truth.mean[parts.component] * np.exp(parts.log_ratio) * truth.type_factor[systems.type[parts.system]] * work
    spell = parts.spell != NONE
    ratio = np.append(truth.ratio, 1.0)[parts.spell]
    since, until = (
        np.where(spell, np.clip((day - parts.fitted) / DAYS_A_YEAR, 0.0, LATE), LATE)
        for day in (parts.since, parts.until)
    )
    return Hazard(scale, truth.weibull[parts.component], since, until, ratio, reference_years)


def live(fleet: Fleet, truth: Truth, plan: Plan, catalogue: Catalogue, rng: np.random.Generator) -> Life:
    """Let the fleet leak and be visited to its end."""
    world = _World(fleet, truth, plan, catalogue.numbers["hazard_reference_years"], plan.end.toordinal() - EPOCH)
    parts, offset, batches, leaks = fleet.parts, 0, [], []
    while parts.system.size:
        batch = world.run(parts, offset, rng)
        offset += parts.system.size
        batches.append(on(parts, removed=batch.removed))
        leaks.append(batch.leaks)
        parts = batch.fresh
    return Life(Parts.joined(batches), _joined(leaks))


def _joined(leaks: Sequence[Leaks]) -> Leaks:
    return Leaks(*(np.concatenate([getattr(each, part.name) for each in leaks]) for part in fields(Leaks)))


class _Batch(NamedTuple):
    """Leaks of some parts, their days of removal, and the parts that took the place of leaking ones."""

    leaks: Leaks
    removed: Index
    fresh: Parts


@dataclass(frozen=True, eq=False)
class _World:
    """What all batches of parts share; ``last``: the last day."""

    fleet: Fleet
    truth: Truth
    plan: Plan
    reference: float
    last: int

    def run(self, parts: Parts, offset: int, rng: np.random.Generator) -> _Batch:
        """The life of parts, numbered from ``offset``."""
        hazard = hazard_of(parts, self.fleet, self.truth, self.reference)
        removed, found, fresh = parts.removed.copy(), [], []
        part = np.repeat(np.arange(parts.count.size), parts.count)
        start = self._start(parts)[part]
        born = self._backlog(parts, hazard, part, rng)
        while part.size:
            age = hazard.age_at(part, hazard.cumulative(part, start) + rng.standard_exponential(part.size))
            day = np.where(born < EVER, born, parts.fitted[part] + age * DAYS_A_YEAR)
            some = np.flatnonzero(day < np.minimum(removed[part], self.last))
            part = part[some]
            leaks = self._found(parts, removed, part, day[some], rng)
            fresh.append(self._fresh(parts, leaks, removed))
            removed[part[leaks.exchanged]] = leaks.end[leaks.exchanged]
            found.append(leaks)
            free = self._free(leaks)
            again = free < np.minimum(removed[part], self.last)
            part, start = part[again], (free - parts.fitted[part])[again] / DAYS_A_YEAR
            born = np.full(part.size, float(EVER))
        leaks = _joined([NOTHING, *found])
        ended = replace(leaks, part=leaks.part + offset, end=np.minimum(leaks.end, removed[leaks.part]))
        return _Batch(ended, removed, Parts.joined([parts.keep(part), *fresh]))

    def _free(self, leaks: Leaks) -> Array:
        """(L,) the day from which on a member can leak again."""
        stops = self.plan.small_leaks_stop | (leaks.size >= self.truth.found_least)
        return np.where(stops, leaks.end, leaks.birth)

    def _start(self, parts: Parts) -> Array:
        """(P,) ages in years from which on leaks are followed."""
        record = self.fleet.systems.record[parts.system] if self.plan.backlog == "drawn" else parts.fitted
        return np.asarray(np.maximum(record - parts.fitted, 0) / DAYS_A_YEAR)

    def _backlog(self, parts: Parts, hazard: Hazard, part: Index, rng: np.random.Generator) -> Array:
        """(n,) the day of birth of members that leak when the record begins, where such leaks are drawn; else EVER."""
        systems, none = self.fleet.systems, np.full(part.size, float(EVER))
        if self.plan.backlog != "drawn":
            return none
        record = systems.record[parts.system]
        inside = (parts.spell != NONE) & (parts.since <= record) & (record < parts.until)
        begun = hazard.scale / self.truth.mean[parts.component] * np.where(inside, hazard.jump, 1.0)
        begun = begun * self.truth.backlog[parts.component]
        begun = np.where(systems.backlog[parts.system] & (parts.fitted < record), begun, 0.0)
        leaks = rng.standard_exponential(part.size) < begun[part]
        return np.where(leaks, record[part] - 0.5, none)

    def _found(self, parts: Parts, removed: Index, part: Index, day: Array, rng: np.random.Generator) -> Leaks:
        """Leaks of these parts born on these days, and what became of them; parts numbered within the batch."""
        truth, visits, component = self.truth, self.fleet.visits, parts.component[part]
        spread = truth.size_log_sd[component] * rng.standard_normal(part.size)
        size = truth.size_median[component] * np.exp(spread)
        visit = self._visit(parts.system[part], component, size, day, removed[part], rng)
        when = np.where(visit == NONE, removed[part], np.append(visits.day, EVER)[visit])
        written = np.append(visits.written, False)[visit]
        placed = written & (rng.random(part.size) < truth.placed)
        whole = placed & (parts.count[part] == 1) & (when < removed[part])
        exchanged = whole & (rng.random(part.size) < self.plan.exchanged)
        failed = written & ~exchanged & (rng.random(part.size) < truth.fails[component])
        later = np.append(visits.day, EVER)[visit + 1]
        more = np.append(visits.system, NONE)[np.minimum(visit + 1, visits.day.size)] == parts.system[part]
        repeated = failed & more & (later < removed[part])
        end = np.where(failed, np.where(repeated, later, removed[part]), when)
        again = np.where(repeated, visit + 1, NONE)
        return Leaks(part, day, size, visit, end.astype(np.int64), exchanged, again, ~failed, placed)

    def _visit(
        self, system: Index, component: Index, size: Array, day: Array, removed: Index, rng: np.random.Generator
    ) -> Index:
        """(n,) the visit that finds each leak, NONE where none does; a leak is met from the day after its birth on."""
        visits, truth = self.fleet.visits, self.truth
        found = np.where(size >= truth.found_least, truth.found[component], 0.0)
        visit = visits.from_day(system, np.floor(day).astype(np.int64) + 1)
        result, active = np.full(system.size, NONE, dtype=np.int64), np.arange(system.size)
        share = np.zeros(PROOF + 1)
        share[[UNSAID, YES, EARLIER]] = truth.unknown_visit, 1.0, 1.0
        while active.size:
            active = active[visit[active] < visits.begin[system[active] + 1]]
            active = active[visits.day[visit[active]] <= removed[active]]
            kind = visits.kind[visit[active]]
            chance = np.where(kind == PROOF, 1.0, share[kind] * found[active])
            hit = rng.random(active.size) < chance
            result[active[hit]] = visit[active[hit]]
            active = active[~hit]
            visit[active] += 1
        return result

    def _fresh(self, parts: Parts, leaks: Leaks, removed: Index) -> Parts:
        """The new parts in the place of leaking ones; what came or went at the old one is as in the beginning."""
        day, old = leaks.end[leaks.exchanged], parts.keep(leaks.part[leaks.exchanged])
        none = np.full(day.size, NONE, dtype=np.int64)
        first = (old.spell != NONE) & (old.since == -EVER)
        log_ratio = old.log_ratio + np.where(first, np.log(np.append(self.truth.ratio, 1.0)[old.spell]), 0.0)
        there = removed[leaks.part[leaks.exchanged]]
        return on(old, log_ratio=log_ratio, fitted=day, removed=there, spell=none, since=none, until=none)


NOTHING = Leaks(*(np.zeros(0, dtype=kind) for kind in (int, float, float, int, int, bool, int, bool, bool)))

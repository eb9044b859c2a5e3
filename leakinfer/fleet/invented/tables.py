"""The tables of an invented fleet in the history format: every field as text, empty where nobody wrote it down."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.sizes import loss_of_size
from leakinfer.fleet.history.tables import BY_NAME
from leakinfer.fleet.invented.fleet import (
    ABSENT,
    ALIKE,
    EPOCH,
    EVER,
    NONE,
    PRESENT,
    UNSAID,
    YES,
    Fleet,
    Index,
    Mask,
    Parts,
)
from leakinfer.fleet.invented.life import Leaks, Life
from leakinfer.fleet.invented.plan import Plan
from leakinfer.fleet.invented.tests import Tests
from leakinfer.fleet.invented.truth import Truth
from leakinfer.fleet.settings import load_settings

if TYPE_CHECKING:
    from pandas import DataFrame

FIGURES = 4  # of a measured loss


class Writer:
    """Writes the tables of one fleet; names of systems, sites and visits are made once."""

    def __init__(self, fleet: Fleet, life: Life, truth: Truth, plan: Plan, rng: np.random.Generator) -> None:
        self.fleet, self.life, self.truth, self.plan, self.rng = fleet, life, truth, plan, rng
        systems, visits = fleet.systems, fleet.visits
        width = len(str(systems.type.size))
        self.system = _texts([f"s{number + 1:0{width}d}" for number in range(systems.type.size)])
        first = np.searchsorted(np.flatnonzero(visits.written), visits.begin)
        number = np.cumsum(visits.written) - first[visits.system]
        self.visit = np.where(visits.written, np.char.add("v", np.char.zfill(number.astype("U8"), 2)), "")
        self.site = self._sites()
        self.found = self._found()

    def _sites(self) -> Any:
        """(P,) names of parts: that of the row, a new part with its number behind."""
        parts, rows = self.life.parts, self.fleet.rows
        names = _texts([row.site.id for row in rows])[parts.row]
        order = np.lexsort((np.arange(parts.row.size), parts.fitted, parts.row, parts.system))
        owner = (parts.system * len(rows) + parts.row)[order]
        start = np.flatnonzero(np.concatenate([[True], owner[1:] != owner[:-1]]))
        number = np.arange(owner.size) - np.repeat(start, np.diff(np.append(start, owner.size)))
        again = np.zeros(owner.size, dtype=np.int64)
        again[order] = number + 1
        return np.where(again > 1, np.char.add(np.char.add(names, "_"), again.astype("U8")), names)

    def _found(self) -> Leaks:
        """The leaks that a visit on record found, by visit."""
        leaks = self.life.leaks
        leaks = leaks.keep(np.append(self.fleet.visits.written, False)[leaks.visit])
        return leaks.keep(np.lexsort((leaks.part, leaks.visit)))

    def table(self, name: str, **columns: Any) -> DataFrame:
        """A table in the order of the format; columns not given are empty."""
        import pandas as pd

        size = next(iter(columns.values())).size
        empty = np.full(size, "", dtype="U1")
        held = {column: columns.get(column, empty) for column in BY_NAME[name].names}
        return pd.DataFrame({column: pd.array(values.tolist(), dtype="str") for column, values in held.items()})

    def systems(self) -> DataFrame:
        """The table of systems."""
        systems = self.fleet.systems
        said = np.where(self.rng.random(systems.type.size) < 0.5, "no", "")
        return self.table(
            "systems",
            system=self.system,
            type=_texts(self.truth.types)[systems.type],
            commissioned=_dates(systems.commissioned),
            installer=_texts([*self.truth.installers, ""])[systems.installer],
            refrigerant=np.where(systems.refrigerant_said, systems.refrigerant, ""),
            charge_kg=systems.charge.astype("U16"),
            followed_from=np.where(systems.taken_over, _dates(systems.record), ""),
            followed_until=np.where(systems.until_said, self.plan.end.isoformat(), ""),
            tight_then=np.where(systems.taken_over, np.where(systems.backlog, said, "yes"), ""),
        )

    def sites(self) -> DataFrame:
        """The table of sites, by system; parts that were taken out before the record began are not in it."""
        parts, rows, systems = self.life.parts, self.fleet.rows, self.fleet.systems
        there = np.flatnonzero(parts.removed >= systems.record[parts.system])
        there = there[np.lexsort((parts.fitted[there], parts.row[there], parts.system[there]))]
        parts = parts.keep(there)
        present, absent, unknown = self._around(parts)
        later = parts.fitted > systems.commissioned[parts.system]
        return self.table(
            "sites",
            system=self.system[parts.system],
            site=self.site[there],
            component=_texts(self.truth.classes)[parts.component],
            count=np.where(parts.count > 1, parts.count.astype("U8"), ""),
            side=_texts([row.side for row in rows])[parts.row],
            present=present,
            absent=absent,
            unknown=unknown,
            fitted=np.where(later, _dates(parts.fitted), ""),
            removed=np.where(parts.removed < EVER, _dates(parts.removed), ""),
        )

    def _around(self, parts: Parts) -> tuple[Any, Any, Any]:
        """Three times (P,): circumstances that are there, that are not, and that nobody looked for."""
        rows, names = self.fleet.rows, self.truth.exposures
        keys, which = np.unique((parts.row << 32) + parts.code, return_inverse=True)
        texts = []
        for key in keys.tolist():
            code, held = key & (2**32 - 1), rows[key >> 32].slots
            states = [code // ALIKE**place % ALIKE for place in range(len(held))]
            for wanted in ((PRESENT,), (ABSENT,), tuple(range(PRESENT + 1, ALIKE))):
                named = [names[slot] for slot, state in zip(held, states, strict=True) if state in wanted]
                texts.append(";".join(sorted(named)))
        columns = _texts(texts).reshape(-1, 3)[which.reshape(-1)]
        return columns[:, 0], columns[:, 1], columns[:, 2]

    def exposures(self) -> DataFrame:
        """Circumstances that came or went."""
        parts = self.life.parts
        some = np.flatnonzero((parts.spell != NONE) & (parts.removed >= self.fleet.systems.record[parts.system]))
        some = some[np.lexsort((parts.row[some], parts.system[some]))]
        since, until = parts.since[some], parts.until[some]
        return self.table(
            "exposures",
            system=self.system[parts.system[some]],
            site=self.site[some],
            exposure=_texts([*self.truth.exposures, ""])[parts.spell[some]],
            since=np.where(since == -EVER, "", _dates(since)),
            until=np.where(until == EVER, "", _dates(until)),
        )

    def visits(self) -> DataFrame:
        """The visits on record."""
        visits = self.fleet.visits
        some = np.flatnonzero(visits.written)
        kind = visits.kind[some]
        who = self.rng.integers(self.plan.technicians, size=some.size) + 1
        return self.table(
            "visits",
            system=self.system[visits.system[some]],
            visit=self.visit[some],
            date=_dates(visits.day[some]),
            searched=np.where(kind == YES, "yes", np.where(kind == UNSAID, "", "no")),
            technician=np.char.add("t", np.char.zfill(who.astype("U4"), 2)),
        )

    def findings(self, tests: Tests, catalogue: Catalogue) -> DataFrame:
        """The tests that were written down."""
        ways = [catalogue.methods[name] for name in self.truth.methods]
        most = 1 + max((len(way.grades) for way in ways), default=0)
        words = [[way.silent, *(grade.outcome for grade in way.grades)] for way in ways]
        outcomes = _texts([word for row in words for word in [*row, *[""] * (most - len(row))]]).reshape(-1, most)
        return self.table(
            "findings",
            system=self.system[self.fleet.visits.system[tests.visit]],
            visit=self.visit[tests.visit],
            site=self.site[tests.part],
            method=_texts(self.truth.methods)[tests.method],
            outcome=outcomes[tests.method, tests.level],
        )

    def leaks(self, tests: Tests) -> DataFrame:
        """Leaks that were found, and sites that were opened up and were tight."""
        found, parts, rng = self.found, self.life.parts, self.rng
        component = _texts(self.truth.classes)[parts.component[found.part]]
        by_class = self._by_class()
        site = np.where(found.placed & ~by_class, self.site[found.part], "")
        spare = found.placed & ~by_class & (rng.random(found.part.size) < 0.5)
        size = tests.opened_part.size
        none, every = np.full(size, "", dtype="U1"), np.concatenate([found.visit, tests.opened_visit])
        told = np.where(rng.random(found.part.size) < self.truth.before_written, self._before(), "")
        order = np.argsort(every, kind="stable")
        return self.table(
            "leaks",
            system=self.system[self.fleet.visits.system[every]][order],
            visit=self.visit[every][order],
            site=np.concatenate([site, self.site[tests.opened_part]])[order],
            component=np.concatenate([np.where(by_class | spare, component, ""), none])[order],
            confirmed=np.concatenate([np.where(spare, "yes", ""), np.full(size, "no")])[order],
            there_before=np.concatenate([told, none])[order],
            loss_g_per_year=np.concatenate([self._losses(), none])[order],
        )

    def _before(self) -> Any:
        """(L,) yes where a leak was there at the last visit on record that counts, else no."""
        visits, found = self.fleet.visits, self.found
        counting = np.flatnonzero(visits.counting)
        place = np.searchsorted(counting, found.visit) - 1
        last = np.append(counting, NONE)[place]
        same = (last != NONE) & (visits.system[last] == visits.system[found.visit])
        return np.where(same & (found.birth < visits.day[last]), "yes", "no")

    def _losses(self) -> Any:
        """(L,) measured losses of this leak alone, of some of those that are large enough."""
        found, systems, truth = self.found, self.fleet.systems, self.truth
        measured = (self.rng.random(found.size.size) < truth.measured) & (found.size >= truth.measured_least)
        fluid = systems.refrigerant[self.life.parts.system[found.part]]
        loss = np.zeros(found.size.size)
        for name in np.unique(fluid):
            some = fluid == name
            loss[some] = loss_of_size(found.size[some], str(name), truth.measured_at_c)
        texts = [np.format_float_positional(one, FIGURES, fractional=False, trim="-") for one in loss]
        return np.where(measured, _texts(texts), "")

    def _by_class(self) -> Mask:
        """(L,) of which leaks only the class is written down.

        Of a leak with a place: where one part of the class is there, so that it tells the place. Of a leak without one:
        where the parts of the class are not alike, so that it does not.
        """
        found, parts = self.found, self.life.parts
        wanted = self.rng.random(found.part.size) < self.plan.class_only
        result = np.zeros(found.part.size, dtype=bool)
        owner = parts.system * len(self.truth.classes) + parts.component
        order = np.argsort(owner, kind="stable")
        low = np.searchsorted(owner[order], owner[found.part])
        high = np.searchsorted(owner[order], owner[found.part], side="right")
        for leak in np.flatnonzero(wanted):
            looks, day = [], self.fleet.visits.day[found.visit[leak]]
            for part in order[low[leak] : high[leak]]:
                if parts.fitted[part] <= day <= parts.removed[part]:
                    looks.append(self._look(int(part), int(day)))
            result[leak] = len(looks) == 1 if found.placed[leak] else len(set(looks)) > 1
        return result

    def _look(self, part: int, day: int) -> tuple[Any, ...]:
        """What a reader of the tables can tell of a part on a day: its age and its circumstances."""
        parts, edges = self.life.parts, np.rint(np.array(load_settings().cells.age_years) * 365.25)
        exposure, held = int(parts.spell[part]), self.fleet.rows[parts.row[part]].slots
        states = {}
        for place, slot in enumerate(held):
            state = min(int(parts.code[part]) // ALIKE**place % ALIKE, PRESENT + 1)
            if slot == exposure:
                state = int(parts.since[part] <= day < parts.until[part])
            if state != ABSENT:
                states[slot] = state
        band = int(np.searchsorted(edges[1:-1], day - parts.fitted[part], side="right"))
        return (band, *sorted(states.items()))

    def repairs(self) -> DataFrame:
        """What was done about the leaks whose place was written down, with what was done once more."""
        found, rng = self.found, self.rng
        first = np.flatnonzero(found.placed)
        second = np.flatnonzero(found.placed & (found.again != NONE))
        which, visit = np.concatenate([first, second]), np.concatenate([found.visit[first], found.again[second]])
        known = found.held[first] | (found.again[first] != NONE)
        held = np.concatenate([np.where(found.held[first], "yes", "no"), np.full(second.size, "yes")])
        said = np.concatenate([known, np.ones(second.size, dtype=bool)]) & (
            rng.random(which.size) < self.plan.held_said
        )
        exchanged = np.where(rng.random(which.size) < 0.5, "no", "")
        order = np.argsort(visit, kind="stable")
        part = found.part[which]
        return self.table(
            "repairs",
            system=self.system[self.life.parts.system[part]][order],
            visit=self.visit[visit][order],
            site=self.site[part][order],
            exchanged=np.where(found.exchanged[which], "yes", exchanged)[order],
            held=np.where(said, held, "")[order],
        )


def _texts(words: Sequence[str]) -> Any:
    return np.array(words, dtype=np.str_)


def _dates(days: Index) -> Any:
    """(n,) ISO dates; days that are none become some date."""
    inside = np.clip(days, -EPOCH + 1, 10**6)
    return np.datetime_as_string(inside.astype("datetime64[D]"))

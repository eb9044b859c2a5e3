"""Windows in which a leak can have begun, and the visits that could have met it. Numbers only.

The window of a visit runs from the counting visit before it (or the begin of the record, or the fitting of the part)
to the visit. What began in it can be found there, or, missed, at one of the next visits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.model import BACKLOG

Index = NDArray[np.int64]
Days = NDArray[np.int32]
Mask = NDArray[np.bool_]
DAYS_A_YEAR = 365.25
EVER = 2**30  # a day after all others; -EVER before all others


@dataclass(frozen=True, eq=False)
class Visits:
    """(V,) counting visits, by system and day. ``begin`` (S + 1,): where those of a system begin.

    ``searches``: how many of the visits before were searches; ``scored``: whether it gives rows. ``record`` (S,) begin
    of the record, ``backlog`` (S,) whether what was there then may have leaked. ``place``: number of each visit of the
    table of visits, -1 where it does not count.
    """

    begin: Index
    system: Index
    day: Days
    searched: Mask
    searches: Index
    scored: Mask
    record: Days
    backlog: Mask
    place: Index


@dataclass(frozen=True, eq=False)
class Parts:
    """(P,) rows of the table of sites: system, days on which the part was fitted and removed, equal ones."""

    system: Index
    fitted: Days
    removed: Days
    count: Index


@dataclass(frozen=True, eq=False)
class Stretches:
    """(R,) times in which the circumstances of a part are the same, by part and day: from ``since`` to ``until``.

    ``since`` belongs to a stretch, ``until`` to the next; the stretches of a part cover all days.
    """

    part: Index
    since: Days
    until: Days

    def at(self, part: Index, day: NDArray[np.signedinteger]) -> Index:
        """(n,) the stretch of a part in which a day lies."""
        keys = (self.part << 32) + self.since + EVER
        found = np.searchsorted(keys, (part << 32) + day.astype(np.int64) + EVER, side="right") - 1
        return found.astype(np.int64)


@dataclass(frozen=True, eq=False)
class Bands:
    """Age bands: (K + 1,) edges in days; what is older than the last edge counts in the last band."""

    edges: Index

    @staticmethod
    def of_years(years: tuple[float, ...]) -> Bands:
        """Edges rounded to whole days."""
        return Bands(np.rint(np.array(years) * DAYS_A_YEAR).astype(np.int64))

    @property
    def count(self) -> int:
        """Number of bands."""
        return self.edges.size - 1

    def at(self, age: NDArray[np.signedinteger]) -> Index:
        """(n,) band of ages in days; an edge belongs to the band that begins there."""
        return np.searchsorted(self.edges[1:-1], age, side="right").astype(np.int64)


@dataclass(frozen=True, eq=False)
class Pieces:
    """(n,) pieces of windows, each in one stretch and one age band: the part, the visit at the window's end, days."""

    part: Index
    stretch: Index
    visit: Index
    band: Index
    days: Index


@dataclass(frozen=True, eq=False)
class Risk:
    """(n,) what a visit could find: which part, begun in which stretch and band (BACKLOG), missed how often; amounts.

    ``amount``: component-days, of the backlog components.
    """

    part: Index
    visit: Index
    stretch: Index
    begun_band: Index
    missed: Index
    missed_other: Index
    amount: Index


def each_visit(visits: Visits, system: Index) -> tuple[Index, Index]:
    """Every visit of the system of each row: (m,) the row, (m,) the visit."""
    counts = visits.begin[system + 1] - visits.begin[system]
    rows = np.repeat(np.arange(system.size), counts)
    within = np.arange(rows.size) - np.repeat(np.cumsum(counts) - counts, counts)
    return rows, visits.begin[system][rows] + within


def pieces_of(visits: Visits, parts: Parts, stretches: Stretches, bands: Bands) -> Pieces:
    """All windows of all parts that end at a visit at which the part is in place, cut where band or stretch change."""
    stretch, visit = each_visit(visits, parts.system[stretches.part])
    part = stretches.part[stretch]
    system, fitted = parts.system[part], parts.fitted[part]
    first = visit == visits.begin[system]
    before = np.where(first, visits.record[system], visits.day[visit - 1])
    begin = np.maximum(np.maximum(before, fitted), stretches.since[stretch])
    end = np.minimum(visits.day[visit], stretches.until[stretch])
    some = np.flatnonzero((begin < end) & (visits.day[visit] <= parts.removed[part]))
    window, band, days = _by_band((begin - fitted)[some], (end - fitted)[some], bands)
    chosen = some[window]
    return Pieces(part[chosen], stretch[chosen], visit[chosen], band, days)


def _by_band(young: Days, old: Days, bands: Bands) -> tuple[Index, Index, Index]:
    """Ages in days from ``young`` to ``old`` cut at the bands' edges: (n,) the row, the band, the days in it."""
    low, high = bands.edges[:-1].copy(), bands.edges[1:].copy()
    low[0], high[-1] = -EVER, EVER
    days = np.minimum(old[:, None], high) - np.maximum(young[:, None], low)
    row, band = np.nonzero(days > 0)
    return row, band, days[row, band].astype(np.int64)


def amounts(pieces: Pieces, parts: Parts, leak_part: Index, leak_visit: Index) -> Index:
    """(n,) component-days of the pieces, for each leak found at the window's end less half of its days."""
    places = (pieces.part << 32) + pieces.visit
    keys, leaks = np.unique((leak_part << 32) + leak_visit, return_counts=True)
    place = np.minimum(np.searchsorted(keys, places), max(keys.size - 1, 0))
    met = np.where(keys[place] == places, leaks[place], 0) if keys.size else np.zeros(places.size, dtype=np.int64)
    whole = parts.count[pieces.part] * pieces.days
    return np.maximum(whole - met * (pieces.days // 2), 0)


def risk_of(visits: Visits, parts: Parts, pieces: Pieces, amount: Index, missed_most: int) -> Risk:
    """What began in the pieces, at their own visit and at the next ``missed_most`` ones."""
    steps = [_later(visits, parts, pieces.part, pieces.visit, lag) for lag in range(missed_most + 1)]
    row = np.concatenate([step[0] for step in steps])
    visit = np.concatenate([step[1] for step in steps])
    missed = visits.searches[visit] - visits.searches[pieces.visit[row]]
    return Risk(
        pieces.part[row],
        visit,
        pieces.stretch[row],
        pieces.band[row],
        missed,
        visit - pieces.visit[row] - missed,
        amount[row],
    )


def backlog_of(visits: Visits, parts: Parts, stretches: Stretches, missed_most: int) -> Risk:
    """What was there before the record began, at its first visits."""
    first = visits.begin[parts.system]
    record = visits.record[parts.system]
    old = visits.backlog[parts.system] & (parts.fitted < record) & (first < visits.begin[parts.system + 1])
    part = np.flatnonzero(old)
    stretch = stretches.at(part, record[part])
    steps = [_later(visits, parts, part, first[part], lag) for lag in range(missed_most + 1)]
    row = np.concatenate([step[0] for step in steps])
    visit = np.concatenate([step[1] for step in steps])
    begin = first[part[row]]
    missed = visits.searches[visit] - visits.searches[begin]
    begun = np.full(row.size, BACKLOG, dtype=np.int64)
    return Risk(part[row], visit, stretch[row], begun, missed, visit - begin - missed, parts.count[part[row]])


def _later(visits: Visits, parts: Parts, part: Index, visit: Index, lag: int) -> tuple[Index, Index]:
    """The ``lag``-th visit after each, where it gives rows and the part is still in place: (m,) the row, the visit."""
    later = visit + lag
    inside = np.flatnonzero(later < visits.begin[parts.system[part] + 1])
    there = later[inside]
    some = inside[visits.scored[there] & (visits.day[there] <= parts.removed[part[inside]])]
    return some, later[some]


def together(first: Risk, second: Risk) -> Risk:
    """Both."""
    return Risk(*(np.concatenate([getattr(first, name), getattr(second, name)]) for name in Risk.__dataclass_fields__))


@dataclass(frozen=True)
class Span:
    """Days since 1970 of the visits that give rows: from ``since``, before ``until``."""

    since: int = -EVER
    until: int = EVER

    def holds(self, day: NDArray[np.signedinteger]) -> Mask:
        """(n,) whether days lie in it."""
        return np.asarray((day >= self.since) & (day < self.until))

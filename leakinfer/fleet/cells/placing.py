"""Where the leaks of a history are: at their site, at the one site of their class, or nobody knows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.sites import SiteRows
from leakinfer.fleet.cells.windows import Bands, Stretches
from leakinfer.fleet.history.badrows import Log, Mask, Sieve
from leakinfer.fleet.history.held import NOWHERE, Held, Index, VisitTable, find_sorted


@dataclass(frozen=True, eq=False)
class Dated:
    """(P,) parts with something of their own, sorted by key; their stretches, with the kind in each.

    By number of the kind: its component class (a number, as in ``groups``) and a number for its circumstances.
    """

    rows: SiteRows
    stretches: Stretches
    kind: Index
    component: Index
    around: Index

    def kind_at(self, part: Index, day: NDArray[np.signedinteger]) -> Index:
        """(n,) the kind of parts on a day."""
        return self.kind[self.stretches.at(part, day)]

    def in_place(self, part: Index, day: NDArray[np.signedinteger]) -> Mask:
        """(n,) whether parts are fitted on a day."""
        return (self.rows.fitted[part] <= day) & (day <= self.rows.removed[part])


@dataclass(frozen=True, eq=False)
class Placed:
    """(n,) for each leak its part, NOWHERE if unplaced; ``sure``: that very part, not one of several alike."""

    part: Index
    sure: Mask


def sites_known(held: Held, sites: SiteRows, visits: VisitTable, log: Log) -> Held:
    """Rows that name a site, less those of unknown sites and of parts that were not in place at the visit.

    ``sites``: sorted by key, all that any row names.
    """
    sieve = Sieve(held.rows.table, held.rows.origin, log)
    named = held.site != 0
    place = find_sorted(sites.key, held.site)
    texts = held.rows.text("site")
    sieve.refuse(
        named & (place == NOWHERE),
        "site",
        "unknown site",
        lambda row: (f"unknown site '{texts.word(row)}'", "a site of the same system in the table of sites"),
    )
    there = np.flatnonzero((place != NOWHERE) & (held.visit != NOWHERE))
    day = visits.day[held.visit[there]]
    away = np.zeros(named.size, dtype=bool)
    away[there] = (day < sites.fitted[place[there]]) | (day > sites.removed[place[there]])
    sieve.refuse(
        away,
        "site",
        "not in place",
        lambda row: (f"'{texts.word(row)}' was not in place on the day of the visit", "a part from fitted to removed"),
    )
    return held.keep(sieve.good)


def classes_agree(held: Held, sites: SiteRows, classes: tuple[str, ...], component: Index, log: Log) -> Held:
    """Leaks, less those whose component is not that of their site. ``component``: of each kind, into ``classes``."""
    sieve = Sieve(held.rows.table, held.rows.origin, log)
    place = find_sorted(sites.key, held.site)
    both = np.flatnonzero((place != NOWHERE) & (held.rows.text("component").code >= 0))
    own = np.full(place.size, NOWHERE, dtype=np.int64)
    own[both] = component[sites.kind[place[both]]]
    bad = np.zeros(place.size, dtype=bool)
    bad[both] = own[both] != class_of(held, classes)[both]
    said = held.rows.text("component")
    sieve.refuse(
        bad,
        "component",
        "not that of its site",
        lambda row: (f"is {said.word(row)}", f"{classes[own[row]]}, as in the table of sites"),
    )
    return held.keep(sieve.good)


def class_of(held: Held, classes: tuple[str, ...]) -> Index:
    """(n,) number of the component class that each row names, NOWHERE for none."""
    place = {name: number for number, name in enumerate(classes)}
    texts = held.rows.text("component")
    numbers = np.array([*(place.get(word, NOWHERE) for word in texts.words()), NOWHERE], dtype=np.int64)
    return np.where(texts.code < 0, NOWHERE, numbers[texts.code])


def groups_of(system: Index, component: Index, classes: int) -> Index:
    """(n,) one number for a class in a system."""
    return system * classes + component


def place_leaks(leaks: Held, dated: Dated, visits: VisitTable, bands: Bands, classes: tuple[str, ...]) -> Placed:
    """Find the part of each leak; one with a class and no site goes where all parts of its class are alike."""
    part = find_sorted(dated.rows.key, leaks.site)
    sure = part != NOWHERE
    component = class_of(leaks, classes)
    pending = np.flatnonzero((leaks.site == 0) & (component != NOWHERE))
    wanted = groups_of(leaks.system, component, len(classes))[pending]
    day = visits.day[leaks.visit[pending]]
    leak, found = _candidates(wanted, day, dated, len(classes))
    first, alone, alike = _compare(leak, found, day, dated, bands, pending.size)
    part[pending] = np.where(alike, first, NOWHERE)
    sure[pending] = alone
    return Placed(part, sure)


def _candidates(wanted: Index, day: NDArray[np.signedinteger], dated: Dated, classes: int) -> tuple[Index, Index]:
    """All pairs of a leak and a part of its class that was in place, sorted by leak."""
    groups = groups_of(dated.rows.system, dated.component[dated.rows.kind], classes)
    order = np.argsort(groups, kind="stable")
    low = np.searchsorted(groups[order], wanted)
    counts = np.searchsorted(groups[order], wanted, side="right") - low
    leak = np.repeat(np.arange(wanted.size), counts)
    within = np.arange(leak.size) - np.repeat(np.cumsum(counts) - counts, counts)
    part = order[low[leak] + within]
    there = dated.in_place(part, day[leak])
    return leak[there], part[there]


def _compare(
    leak: Index, part: Index, day: NDArray[np.signedinteger], dated: Dated, bands: Bands, leaks: int
) -> tuple[Index, Mask, Mask]:
    """For each leak its first candidate (NOWHERE for none), whether it is the only one, and whether all are alike."""
    count = np.bincount(leak, minlength=leaks)
    first = np.full(leaks, NOWHERE, dtype=np.int64)
    first[leak[::-1]] = part[::-1]
    around = dated.around[dated.kind_at(part, day[leak])]
    look = around * bands.count + bands.at(day[leak] - dated.rows.fitted[part])
    low, high = np.full(leaks, np.iinfo(np.int64).max), np.full(leaks, -1, dtype=np.int64)
    np.minimum.at(low, leak, look)
    np.maximum.at(high, leak, look)
    return first, count == 1, (count > 0) & (low == high)

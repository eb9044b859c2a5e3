"""The table of sites, chunk by chunk: rows checked against the systems and turned into numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.history.badrows import BadRow, Log, Mask, Origin, Sieve
from leakinfer.fleet.history.files import Raw
from leakinfer.fleet.history.held import (
    FAR,
    NOWHERE,
    Index,
    Keys,
    Systems,
    find_sorted,
    keys_of,
    known_system,
    repeated,
)
from leakinfer.fleet.history.reader import NO_DAY, Days, Rows, Texts, checked_rows, parted
from leakinfer.fleet.history.tables import BY_NAME


class Kind(NamedTuple):
    """What rows of the table of sites have in common: component class and circumstances, sorted."""

    component: str
    present: tuple[str, ...]
    absent: tuple[str, ...]
    unknown: tuple[str, ...]

    @property
    def around(self) -> str:
        """The circumstances as in the cells."""
        return ";".join(sorted([*self.present, *(f"{name}?" for name in self.unknown)]))

    @property
    def twice(self) -> str:
        """A circumstance that is said to be two things, or nothing."""
        every = sorted([*self.present, *self.absent, *self.unknown])
        return next((name for name, after in pairwise(every) if name == after), "")


@dataclass(frozen=True, eq=False)
class SiteRows:
    """(n,) rows of the table of sites: key of system and site, system, which of ``kinds``, equal ones, days.

    ``dated``: the row itself says when the part was fitted or removed.
    """

    key: Keys
    system: Index
    kind: Index
    count: Index
    fitted: Days
    removed: Days
    dated: Mask

    def keep(self, rows: NDArray[np.generic]) -> SiteRows:
        """Some of the rows."""
        return SiteRows(*(getattr(self, part.name)[rows] for part in fields(self)))

    @staticmethod
    def joined(parts: Sequence[SiteRows]) -> SiteRows:
        """All one after the other; their kinds must be numbered alike."""
        kinds = (np.uint64, np.int64, np.int64, np.int64, np.int32, np.int32, np.bool_)
        none: list[NDArray[Any]] = [np.zeros(0, dtype=kind) for kind in kinds]
        columns = zip((part.name for part in fields(SiteRows)), none, strict=True)
        return SiteRows(*(np.concatenate([empty, *(getattr(p, name) for p in parts)]) for name, empty in columns))


@dataclass(frozen=True, eq=False)
class SiteChunk:
    """The rows of a chunk that are in order, with their kinds and names, and what was said while reading them."""

    rows: SiteRows
    kinds: tuple[Kind, ...]
    names: Texts
    origin: Origin
    read: int
    left_out: Mapping[str, int]
    said: tuple[BadRow, ...]


@dataclass(frozen=True, eq=False)
class Reading:
    """What is needed to check sites. ``saying``: somebody listens to single faults."""

    systems: Systems
    files: tuple[str, ...]
    catalogue: Catalogue
    saying: bool


def site_chunk(reading: Reading, file: int, raw: Raw) -> SiteChunk:
    """Check a chunk."""
    said: list[BadRow] = []
    log = Log(said.append if reading.saying else None)
    rows = checked_rows(BY_NAME["sites"], raw, file, reading.files, reading.catalogue, log)
    sieve = Sieve("sites", rows.origin, log)
    system = known_system(rows, reading.systems, sieve)
    fitted, removed = _days(rows, system, reading.systems, sieve)
    kind, kinds = _kinds(rows, sieve)
    site = rows.text("site")
    dated = (rows.figures("fitted") != NO_DAY) | (removed != FAR)
    numbers = SiteRows(
        keys_of(system, site), system, kind, np.maximum(rows.figures("count"), 1), fitted, removed, dated
    )
    good = np.flatnonzero(sieve.good)
    return SiteChunk(
        numbers.keep(good), kinds, site.keep(good), rows.origin.keep(good), log.rows, log.left_out, tuple(said)
    )


def _days(rows: Rows, system: Index, systems: Systems, sieve: Sieve) -> tuple[Days, Days]:
    """(n,) days on which the parts were fitted and removed; the system's, and FAR, where nothing is said."""
    built = systems.commissioned[system] if len(systems) else np.zeros(len(rows), dtype=np.int32)
    fitted, removed = rows.figures("fitted"), rows.figures("removed")
    early, late = ("is before commissioned", "not before commissioned"), ("is before fitted", "not before fitted")
    sieve.refuse((fitted != NO_DAY) & (fitted < built), "fitted", "dates out of order", lambda _: early)
    fitted = np.where(fitted == NO_DAY, built, fitted)
    sieve.refuse((removed != NO_DAY) & (removed < fitted), "removed", "dates out of order", lambda _: late)
    return fitted.astype(np.int32), np.where(removed == NO_DAY, FAR, removed).astype(np.int32)


def _kinds(rows: Rows, sieve: Sieve) -> tuple[Index, tuple[Kind, ...]]:
    """(n,) which kind each row is, and the kinds; a circumstance in two columns is refused."""
    code = np.zeros(len(rows), dtype=np.int64)
    for name in Kind._fields:
        texts = rows.text(name)
        both = code * (len(texts.values) + 1) + texts.code + 1
        _, first, code = np.unique(both, return_index=True, return_inverse=True)
    kinds = tuple(_kind(rows, int(row)) for row in (first if len(rows) else ()))
    twice = np.array([bool(kind.twice) for kind in kinds], dtype=bool)
    sieve.refuse(
        twice[code],
        "present",
        "circumstance in two columns",
        lambda row: (f"'{kinds[code[row]].twice}' is in two columns", "each in one of present, absent, unknown"),
    )
    return code, kinds


def _kind(rows: Rows, row: int) -> Kind:
    component, *around = (rows.text(name).word(row) for name in Kind._fields)
    return Kind(component, *(parted(text) for text in around))


class Kinds:
    """All kinds met so far, numbered."""

    def __init__(self) -> None:
        self.all: list[Kind] = []
        self._number: dict[Kind, int] = {}

    def numbers(self, kinds: tuple[Kind, ...]) -> Index:
        """(k,) the number of each kind; new ones get the next."""
        for kind in kinds:
            if kind not in self._number:
                self._number[kind] = len(self.all)
                self.all.append(kind)
        return np.array([self._number[kind] for kind in kinds], dtype=np.int64)


class Seen:
    """Keys met so far, in sorted runs of growing length: adding n keys m times costs n m log(m) in all."""

    def __init__(self) -> None:
        self._runs: list[Keys] = []

    def again(self, keys: Keys) -> Mask:
        """(n,) whether each key was met before, here or in an earlier call; they count as met from now on."""
        old = repeated(keys)
        for run in self._runs:
            old |= find_sorted(run, keys) != NOWHERE
        fresh = np.sort(keys[~old])
        while self._runs and self._runs[-1].size <= fresh.size:
            fresh = np.sort(np.concatenate([self._runs.pop(), fresh]), kind="stable")
        if fresh.size:
            self._runs.append(fresh)
        return old

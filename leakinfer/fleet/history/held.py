"""The tables of a history that are held in memory: all but the sites, checked against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.history.badrows import Log, Mask, Origin, Sieve
from leakinfer.fleet.history.reader import NO_DAY, Days, Field, History, Rows, Texts, nothing, read_rows
from leakinfer.fleet.history.tables import BY_NAME

Keys: TypeAlias = NDArray[np.uint64]
Index = NDArray[np.int64]
ODD = np.uint64(0x9E3779B97F4A7C15)  # spreads the systems' numbers over 64 bits
NOWHERE = -1
FAR = 2**30  # a day after all others
NO_ROWS = Origin((), np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, eq=False)
class Systems:
    """(S,) systems in order. ``record``: day on which the record begins; ``until``: the last of it, FAR if not said."""

    names: Any  # pyarrow array, to look names up
    type: Texts
    installer: Texts
    refrigerant: Texts
    commissioned: Days
    record: Days
    until: Days
    backlog: Mask  # whether parts may have leaked when the record began

    def __len__(self) -> int:
        return int(self.commissioned.size)

    def find(self, texts: Texts) -> Index:
        """(n,) which system each text names, or NOWHERE."""
        import pyarrow.compute as pc

        place = pc.index_in(texts.values, value_set=self.names).fill_null(NOWHERE).to_numpy()
        return np.append(place, NOWHERE)[texts.code].astype(np.int64)


@dataclass(frozen=True, eq=False)
class Held:
    """A table whose rows name a system, and some of them a visit or a site: (n,) numbers of them, NOWHERE for none."""

    rows: Rows
    system: Index
    visit: Index
    site: Keys  # key of the site named, 0 for none

    def keep(self, some: NDArray[np.generic]) -> Held:
        """Some of the rows."""
        return Held(self.rows.keep(some), self.system[some], self.visit[some], self.site[some])


@dataclass(frozen=True, eq=False)
class VisitTable:
    """(n,) all visits in the tables' order, also those outside the record: ``inside`` tells."""

    key: Keys  # sorted
    place: Index  # of each key the visit
    system: Index
    day: Days
    searched: Texts
    rank: Index  # order of the visits' names, for visits of one day
    inside: Mask

    def find(self, keys: Keys) -> Index:
        """(n,) which visit each key names, or NOWHERE."""
        found = find_sorted(self.key, keys)
        return np.where(found == NOWHERE, NOWHERE, np.append(self.place, NOWHERE)[found])


def keys_of(system: Index, texts: Texts) -> Keys:
    """(n,) 64-bit keys of names within systems, 0 for an empty name.

    Two of a million names share a key with a chance of 3e-8: n^2 / 2^65.
    """
    from pandas.util import hash_array

    words = np.array(texts.words(), dtype=object)
    hashed = np.append(hash_array(words, categorize=False), np.uint64(0)) if words.size else np.zeros(1, np.uint64)
    keys = hashed[texts.code] + (system.astype(np.uint64) + np.uint64(1)) * ODD
    return np.where(texts.code < 0, np.uint64(0), keys)


def find_sorted(ordered: NDArray[Any], wanted: NDArray[Any]) -> Index:
    """(n,) where each wanted number stands in an ordered array, or NOWHERE."""
    if not ordered.size:
        return np.full(wanted.shape, NOWHERE, dtype=np.int64)
    place = np.minimum(np.searchsorted(ordered, wanted), ordered.size - 1)
    return np.where(ordered[place] == wanted, place, NOWHERE)


def repeated(keys: NDArray[Any]) -> Mask:
    """(n,) whether the same key stands in an earlier row."""
    _, first = np.unique(keys, return_index=True)
    again = np.ones(keys.size, dtype=bool)
    again[first] = False
    return again


def gather(history: History, table: str, catalogue: Catalogue, chunk_rows: int, log: Log) -> Rows:
    """A whole table in memory."""
    none = Rows(table, {column.name: nothing(column, 0) for column in BY_NAME[table].columns}, NO_ROWS)
    parts = [none, *read_rows(history, table, catalogue, chunk_rows, log)]
    columns = {name: _together([part.columns[name] for part in parts]) for name in BY_NAME[table].names}
    return Rows(table, columns, _origins(history.files, [part.origin for part in parts]))


def _origins(files: Sequence[str], parts: Sequence[Origin]) -> Origin:
    file, line = (np.concatenate([getattr(part, name) for part in parts]) for name in ("file", "line"))
    return Origin(files, file, line)


def _together(parts: Sequence[Field]) -> Field:
    import pyarrow as pa

    texts = [part for part in parts if isinstance(part, Texts)]
    if not texts:
        return np.concatenate([part for part in parts if not isinstance(part, Texts)])
    coded = pa.chunked_array([part.values for part in texts], pa.string()).combine_chunks().dictionary_encode()
    place = np.append(coded.indices.to_numpy(), -1).astype(np.int32)
    codes, begin = [np.zeros(0, dtype=np.int32)], 0
    for part in texts:
        codes.append(place[np.where(part.code < 0, -1, part.code + begin)])
        begin += len(part.values)
    return Texts(coded.dictionary, np.concatenate(codes))


def systems_of(rows: Rows, log: Log) -> Systems:
    """The systems, less those named twice or with dates out of order."""
    sieve = Sieve("systems", rows.origin, log)
    built, begin, until = (rows.figures(name) for name in ("commissioned", "followed_from", "followed_until"))
    record = np.where(begin == NO_DAY, built, begin)
    _refuse_early(sieve, (begin != NO_DAY) & (begin < built), "followed_from", "commissioned")
    _refuse_early(sieve, (until != NO_DAY) & (until < record), "followed_until", "the begin of the record")
    _refuse_repeated(sieve, rows.text("system").code, "system", rows.text("system"))
    rows, record = rows.keep(sieve.good), record[sieve.good]
    built, until, tight = rows.figures("commissioned"), rows.figures("followed_until"), rows.text("tight_then")
    return Systems(
        names=rows.text("system").values.take(rows.text("system").code),
        type=rows.text("type").sorted(),
        installer=rows.text("installer").sorted(),
        refrigerant=rows.text("refrigerant").sorted(),
        commissioned=built,
        record=record.astype(np.int32),
        until=np.where(until == NO_DAY, FAR, until).astype(np.int32),
        backlog=(record > built) & ~says(tight, "yes"),
    )


def _refuse_early(sieve: Sieve, bad: Mask, column: str, after: str) -> None:
    sieve.refuse(bad, column, "dates out of order", lambda _: (f"is before {after}", f"not before {after}"))


def _refuse_repeated(sieve: Sieve, keys: NDArray[Any], column: str, texts: Texts) -> None:
    """Refuse rows that name what an earlier row names that is in order."""
    good = np.flatnonzero(sieve.good)
    bad = np.zeros(keys.size, dtype=bool)
    bad[good] = repeated(keys[good])
    sieve.refuse(bad, column, "twice", lambda row: (f"'{texts.word(row)}' is there already", "each once"))


def known_system(rows: Rows, systems: Systems, sieve: Sieve) -> Index:
    """(n,) the system of each row; rows that name none are refused."""
    texts = rows.text("system")
    system = systems.find(texts)
    sieve.refuse(
        system == NOWHERE,
        "system",
        "unknown system",
        lambda row: (f"unknown system '{texts.word(row)}'", "a system in the table of systems that is in order"),
    )
    return system


def visits_of(rows: Rows, systems: Systems, log: Log) -> VisitTable:
    """The visits, less those of unknown systems and those named twice; those outside the record are counted."""
    sieve = Sieve("visits", rows.origin, log)
    system = known_system(rows, systems, sieve)
    keys = keys_of(system, rows.text("visit"))
    _refuse_repeated(sieve, keys, "visit", rows.text("visit"))
    rows, system, keys = rows.keep(sieve.good), system[sieve.good], keys[sieve.good]
    day = rows.figures("date")
    inside = (day >= systems.record[system]) & (day <= systems.until[system])
    log.leave_out("visits: outside the record", int((~inside).sum()))
    order = np.argsort(keys)
    rank = rows.text("visit").sorted().code.astype(np.int64)
    return VisitTable(keys[order], order, system, day, rows.text("searched"), rank, inside)


def held_of(rows: Rows, systems: Systems, visits: VisitTable, log: Log) -> Held:
    """Rows of another table, less those of unknown systems or visits; those outside the record are counted.

    A visit outside the record stays out with all that was done there.
    """
    sieve = Sieve(rows.table, rows.origin, log)
    system = known_system(rows, systems, sieve)
    visit = np.full(len(rows), NOWHERE, dtype=np.int64)
    if "visit" in rows.columns:
        texts = rows.text("visit")
        visit = visits.find(keys_of(system, texts))
        sieve.refuse(
            visit == NOWHERE,
            "visit",
            "unknown visit",
            lambda row: (f"unknown visit '{texts.word(row)}'", "a visit of the same system in the table of visits"),
        )
        sieve.leave_out((visit != NOWHERE) & ~np.append(visits.inside, True)[visit], "at a visit outside the record")
    return Held(rows, system, visit, keys_of(system, rows.text("site"))).keep(sieve.good)


def exposures_of(rows: Rows, systems: Systems, visits: VisitTable, log: Log) -> Held:
    """The dated circumstances, less those that end before they begin."""
    sieve = Sieve("exposures", rows.origin, log)
    since, until = rows.figures("since"), rows.figures("until")
    _refuse_early(sieve, (until != NO_DAY) & (until < since), "until", "since")
    return held_of(rows.keep(sieve.good), systems, visits, log)


@dataclass(frozen=True, eq=False)
class Tables:
    """All that is held in memory."""

    systems: Systems
    visits: VisitTable
    leaks: Held
    exposures: Held
    findings: Held
    repairs: Held


def hold(history: History, catalogue: Catalogue, chunk_rows: int, log: Log) -> Tables:
    """Read and check all tables but the sites.

    Raises:
        InputError: a file cannot be read.
    """
    systems = systems_of(gather(history, "systems", catalogue, chunk_rows, log), log)
    visits = visits_of(gather(history, "visits", catalogue, chunk_rows, log), systems, log)
    exposures = exposures_of(gather(history, "exposures", catalogue, chunk_rows, log), systems, visits, log)
    leaks, findings, repairs = (
        held_of(gather(history, name, catalogue, chunk_rows, log), systems, visits, log)
        for name in ("leaks", "findings", "repairs")
    )
    return Tables(systems, visits, leaks, exposures, findings, repairs)


def says(texts: Texts, word: str) -> Mask:
    """(n,) whether each row holds the word."""
    return np.array([*(each == word for each in texts.words()), False], dtype=bool)[texts.code]

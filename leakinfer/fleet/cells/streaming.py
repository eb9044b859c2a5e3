"""One pass over the table of sites: plain parts are counted at once, the others and those named elsewhere are kept."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.counting import Frame, Profile, Sums, add_plain
from leakinfer.fleet.cells.expected import rate_of
from leakinfer.fleet.cells.placing import class_of, groups_of
from leakinfer.fleet.cells.sites import Kind, Kinds, Reading, Seen, SiteChunk, SiteRows, site_chunk
from leakinfer.fleet.history.badrows import Log, Sieve
from leakinfer.fleet.history.files import Raw
from leakinfer.fleet.history.held import NOWHERE, Index, Keys, Tables, find_sorted
from leakinfer.fleet.history.reader import History, raw_rows
from leakinfer.fleet.settings import Reduction

Array = NDArray[np.float64]
CHUNKS_AHEAD = 3  # read and waiting, for each process


@dataclass(frozen=True, eq=False)
class Wanted:
    """Which sites other tables speak of: keys of all, of those not plain, and classes in systems with a leak."""

    named: Keys
    special: Keys
    groups: Index

    @staticmethod
    def by(tables: Tables, classes: tuple[str, ...]) -> Wanted:
        """What these tables speak of."""
        special = np.unique(np.concatenate([tables.leaks.site, tables.exposures.site]))
        named = np.unique(np.concatenate([special, tables.findings.site, tables.repairs.site]))
        component = class_of(tables.leaks, classes)
        pending = (component != NOWHERE) & (tables.leaks.site == 0)
        groups = groups_of(tables.leaks.system, component, len(classes))[pending]
        return Wanted(named, special, np.unique(groups))


@dataclass(frozen=True, eq=False)
class Work:
    """All that is needed to count a chunk. ``classes``: all component classes, sorted."""

    reading: Reading
    frame: Frame
    profile: Profile
    wanted: Wanted
    classes: tuple[str, ...]
    reduction: Reduction

    def rates(self, kinds: Sequence[Kind]) -> Array:
        """(kinds, K) millionths of a leak that a component of each kind expects in a day."""
        each = [rate_of(kind, self.reading.catalogue, self.reduction) for kind in kinds]
        return np.array(each, dtype=float).reshape(len(each), self.frame.bands.count)

    def components(self, kinds: Sequence[Kind]) -> Index:
        """(kinds,) numbers of their component classes."""
        return np.array([self.classes.index(kind.component) for kind in kinds], dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Counted:
    """What rows of sites come to: risk of plain ones, what these expect by system, rows by kind, rows to keep."""

    sums: Sums
    system: Index
    micro: Index
    rows_of: Index
    special: SiteRows
    named: SiteRows


def counted(work: Work, rows: SiteRows, kinds: Sequence[Kind]) -> Counted:
    """Count the plain rows of a chunk; kinds by their numbers in it."""
    groups = groups_of(rows.system, work.components(kinds)[rows.kind], len(work.classes))
    special = rows.dated | _among(work.wanted.special, rows.key) | _among(work.wanted.groups, groups)
    plain, sums = rows.keep(~special), Sums()
    system, micro = add_plain(work.frame, work.profile, plain, work.rates(kinds), sums)
    return Counted(
        sums,
        system,
        micro,
        np.bincount(rows.kind, minlength=len(kinds)),
        rows.keep(special),
        rows.keep(_among(work.wanted.named, rows.key)),
    )


def _among(ordered: NDArray[np.generic], keys: NDArray[np.generic]) -> NDArray[np.bool_]:
    return np.asarray(find_sorted(ordered, keys) != NOWHERE)


def each_chunk(work: Work, history: History, chunk_rows: int, processes: int) -> Iterator[tuple[SiteChunk, Counted]]:
    """All chunks in the order of the files, checked and counted by so many processes."""
    raw = raw_rows(history, "sites", chunk_rows)
    if processes <= 1:
        yield from (_done(work, file, chunk) for file, chunk in raw)
        return
    # fresh processes: a copy of this one would inherit locks of pyarrow's threads
    with ProcessPoolExecutor(processes, get_context("spawn"), _remember, (work,)) as pool:
        waiting: deque[Future[tuple[SiteChunk, Counted]]] = deque()
        for file, chunk in raw:
            waiting.append(pool.submit(_in_process, file, chunk))
            if len(waiting) > CHUNKS_AHEAD * processes:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _done(work: Work, file: int, raw: Raw) -> tuple[SiteChunk, Counted]:
    chunk = site_chunk(work.reading, file, raw)
    return chunk, counted(work, chunk.rows, chunk.kinds)


_MINE: list[Work] = []  # of this process


def _remember(work: Work) -> None:
    _MINE[:] = [work]


def _in_process(file: int, raw: Raw) -> tuple[SiteChunk, Counted]:
    return _done(_MINE[0], file, raw)


@dataclass(eq=False)
class Stream:
    """What has been read of the sites so far.

    ``micro`` (S,): what the parts of each system expect, in millionths; ``rows_of``: rows by kind.
    """

    work: Work
    log: Log
    on_progress: Callable[[int], None] | None = None
    kinds: Kinds = field(default_factory=Kinds)
    sums: Sums = field(default_factory=Sums)
    rows_of: list[int] = field(default_factory=list)
    micro: Index = field(init=False)
    special: list[SiteRows] = field(default_factory=list)
    named: list[SiteRows] = field(default_factory=list)
    _seen: Seen = field(default_factory=Seen)

    def __post_init__(self) -> None:
        self.micro = np.zeros(self.work.frame.type.size, dtype=np.int64)

    def take(self, chunk: SiteChunk, result: Counted) -> None:
        """Add a chunk; where it names sites once more, those rows are left out and it is counted again."""
        self.log.add(chunk.read, chunk.left_out, chunk.said)
        again = self._seen.again(chunk.rows.key)
        if again.any():
            result = counted(self.work, self._once(chunk, again), chunk.kinds)
        number = self.kinds.numbers(chunk.kinds)
        self.sums.include(result.sums, number)
        np.add.at(self.micro, result.system, result.micro)
        self.rows_of += [0] * (len(self.kinds.all) - len(self.rows_of))
        for kind, rows in zip(number, result.rows_of, strict=True):
            self.rows_of[kind] += int(rows)
        for kept, rows in ((self.special, result.special), (self.named, result.named)):
            kept.append(replace(rows, kind=number[rows.kind]))
        if self.on_progress is not None:
            self.on_progress(self.log.rows)

    def _once(self, chunk: SiteChunk, again: NDArray[np.bool_]) -> SiteRows:
        """The rows less those that name a site once more."""
        sieve = Sieve("sites", chunk.origin, self.log)
        what = chunk.names
        allowed = "each once in a system"
        sieve.refuse(again, "site", "twice", lambda row: (f"'{what.word(row)}' is there already", allowed))
        return chunk.rows.keep(np.flatnonzero(sieve.good))

"""Risk as sums of whole numbers: by kind of site, type of system and a code for all the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.model import BACKLOG
from leakinfer.fleet.cells.sites import SiteRows
from leakinfer.fleet.cells.windows import (
    EVER,
    Bands,
    Index,
    Parts,
    Pieces,
    Risk,
    Stretches,
    Visits,
    amounts,
    backlog_of,
    pieces_of,
    risk_of,
    together,
)

if TYPE_CHECKING:
    from pandas import DataFrame

Array = NDArray[np.float64]
KEYS = ["kind", "type", "begun_kind", "code"]
BATCH = 20_000  # parts at a time
PARTS_KEPT = 64  # tables waiting to be added


@dataclass(frozen=True)
class Codes:
    """One number for (searched, band, begun_band, missed, missed_other)."""

    bands: int
    missed_most: int

    @property
    def shape(self) -> tuple[int, ...]:
        """How many values each has; the backlog comes before the bands."""
        most = self.missed_most + 1
        return (2, self.bands, self.bands + 1, most, most)

    @property
    def count(self) -> int:
        """How many codes there are."""
        return int(np.prod(self.shape))

    def of(self, searched: NDArray[Any], band: Index, risk: Risk) -> Index:
        """(n,) codes."""
        parts = (searched.astype(np.int64), band, risk.begun_band - BACKLOG, risk.missed, risk.missed_other)
        return np.ravel_multi_index(parts, self.shape).astype(np.int64)

    def columns(self, codes: Index) -> dict[str, Index]:
        """The columns of the cells."""
        searched, band, begun, missed, other = np.unravel_index(codes, self.shape)
        missing = {"missed": missed, "missed_other": other}
        return {"searched": searched, "band": band, "begun_band": begun + BACKLOG, **missing}


@dataclass(frozen=True, eq=False)
class Frame:
    """What all counting needs: visits, bands, codes, and the type of each system (S,)."""

    visits: Visits
    bands: Bands
    codes: Codes
    type: Index


class Sums:
    """A table of risk that grows: amounts by kind at the visit, type, kind when it began, and code."""

    def __init__(self) -> None:
        self._parts: list[DataFrame] = []

    def add(self, kind: Index, type_: Index, begun_kind: Index, code: Index, amount: Index) -> None:
        """Add rows (n,)."""
        import pandas as pd

        table = pd.DataFrame(dict(zip(KEYS, (kind, type_, begun_kind, code), strict=True)) | {"amount": amount})
        self._keep(table.groupby(KEYS, sort=False, as_index=False)["amount"].sum())

    def include(self, other: Sums, number: Index) -> None:
        """Add another table, whose kinds have these numbers here."""
        table = other.table()
        kinds = {name: number[table[name].to_numpy()] for name in ("kind", "begun_kind")}
        self._keep(table.assign(**kinds))

    def _keep(self, table: DataFrame) -> None:
        self._parts.append(table)
        if len(self._parts) > PARTS_KEPT:
            self._parts = [self.table()]

    def table(self) -> DataFrame:
        """All together, each key once."""
        import pandas as pd

        if not self._parts:
            return pd.DataFrame(np.zeros((0, len(KEYS) + 1), dtype=np.int64), columns=[*KEYS, "amount"])
        return pd.concat(self._parts, ignore_index=True).groupby(KEYS, sort=False, as_index=False)["amount"].sum()


@dataclass(frozen=True, eq=False)
class Profile:
    """What one plain part does in each system: a sparse (S, codes) of days, and (S, K) days at no visit missed."""

    by_code: Any
    fresh: Index


def whole(parts: Parts) -> Stretches:
    """One stretch over all days for each part."""
    size = parts.system.size
    since = np.full(size, -EVER, dtype=np.int32)
    return Stretches(np.arange(size, dtype=np.int64), since, np.full(size, EVER, dtype=np.int32))


def profile_of(frame: Frame, built: NDArray[np.int32]) -> Profile:
    """The profile of a part that was fitted with its system and is still there; ``built`` (S,) days."""
    from scipy import sparse

    fresh = np.zeros((built.size, frame.bands.count), dtype=np.int64)
    missed_most, tables = frame.codes.missed_most, []
    for begin in range(0, built.size, BATCH):
        system = np.arange(begin, min(begin + BATCH, built.size), dtype=np.int64)
        size = system.size
        once, ever = np.ones(size, dtype=np.int64), np.full(size, EVER, dtype=np.int32)
        parts = Parts(system, built[system], ever, once)
        pieces = pieces_of(frame.visits, parts, whole(parts), frame.bands)
        add_fresh(frame.visits, pieces, pieces.days, fresh[begin:], pieces.part)
        risk = together(
            risk_of(frame.visits, parts, pieces, pieces.days, missed_most),
            backlog_of(frame.visits, parts, whole(parts), missed_most),
        )
        codes = codes_of(frame, parts, risk)
        tables.append(sparse.csr_matrix((risk.amount, (risk.part, codes)), shape=(size, frame.codes.count)))
    empty = sparse.csr_matrix((0, frame.codes.count), dtype=np.int64)
    return Profile(sparse.vstack([empty, *tables], format="csr"), fresh)


def codes_of(frame: Frame, parts: Parts, risk: Risk) -> Index:
    """(n,) codes of rows of risk."""
    band = frame.bands.at(frame.visits.day[risk.visit] - parts.fitted[risk.part])
    return frame.codes.of(frame.visits.searched[risk.visit], band, risk)


def add_fresh(visits: Visits, pieces: Pieces, amount: Index, into: Index, row: Index) -> None:
    """Add what can be found at the first visit after it began to (rows, K) amounts."""
    some = visits.scored[pieces.visit]
    np.add.at(into, (row[some], pieces.band[some]), amount[some])


def add_plain(frame: Frame, profile: Profile, rows: SiteRows, rates: Array, sums: Sums) -> tuple[Index, Index]:
    """Add plain parts to the risk; what they expect (``rates``: (kinds, K) a day): (n,) system and millionths."""
    from scipy import sparse

    types = int(frame.type.max(initial=0)) + 1
    pairs, row = np.unique(rows.kind * types + frame.type[rows.system], return_inverse=True)
    shape = (pairs.size, frame.type.size)
    times = sparse.csr_matrix((rows.count, (row.reshape(-1), rows.system)), shape=shape, dtype=np.int64)
    risk = (times @ profile.by_code).tocoo()
    kind, type_ = np.divmod(pairs[risk.row], types)
    sums.add(kind, type_, kind, risk.col.astype(np.int64), risk.data)
    some = rows.keep(np.flatnonzero(np.any(rates != 0, axis=1)[rows.kind]))
    expected = np.rint(profile.fresh[some.system] * some.count[:, None] * rates[some.kind]).astype(np.int64)
    return some.system, expected.sum(axis=1)


def add_parts(
    frame: Frame,
    parts: Parts,
    stretches: Stretches,
    kind: Index,
    leaks: tuple[Index, Index],
    rates: Array,
    sums: Sums,
    micro: Index,
) -> None:
    """Add parts with dates, stretches or leaks of their own. ``kind`` (R,) of each stretch; ``leaks``: part, visit."""
    missed_most = frame.codes.missed_most
    for begin in range(0, parts.system.size, BATCH):
        some, stretch = _batch(parts, stretches, begin)
        pieces = pieces_of(frame.visits, some, stretch, frame.bands)
        inside = (leaks[0] >= begin) & (leaks[0] < begin + BATCH)
        amount = amounts(pieces, some, leaks[0][inside] - begin, leaks[1][inside])
        first = int(np.searchsorted(stretches.part, begin))
        kinds = kind[first : first + stretch.part.size]
        risk = together(
            risk_of(frame.visits, some, pieces, amount, missed_most),
            backlog_of(frame.visits, some, stretch, missed_most),
        )
        now = kinds[stretch.at(risk.part, frame.visits.day[risk.visit])]
        type_ = frame.type[some.system[risk.part]]
        sums.add(now, type_, kinds[risk.stretch], codes_of(frame, some, risk), risk.amount)
        _add_expected(frame, some, pieces, amount, kinds, rates, micro)


def _batch(parts: Parts, stretches: Stretches, begin: int) -> tuple[Parts, Stretches]:
    """Some of the parts with their stretches, numbered from 0."""
    these = slice(begin, begin + BATCH)
    some = Parts(parts.system[these], parts.fitted[these], parts.removed[these], parts.count[these])
    low, high = np.searchsorted(stretches.part, [begin, begin + some.system.size])
    return some, Stretches(stretches.part[low:high] - begin, stretches.since[low:high], stretches.until[low:high])


def _add_expected(
    frame: Frame, parts: Parts, pieces: Pieces, amount: Index, kinds: Index, rates: Array, micro: Index
) -> None:
    """What parts expect, rounded for each part, band and kind."""
    import pandas as pd

    some = frame.visits.scored[pieces.visit]
    columns = {"part": pieces.part, "kind": kinds[pieces.stretch], "band": pieces.band, "days": amount}
    added = pd.DataFrame(columns)[some].groupby(["part", "kind", "band"], sort=False, as_index=False)["days"].sum()
    expected = np.rint(added["days"].to_numpy() * rates[added["kind"].to_numpy(), added["band"].to_numpy()])
    np.add.at(micro, parts.system[added["part"].to_numpy()], expected.astype(np.int64))

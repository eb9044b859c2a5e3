"""Cells as index arrays: what the likelihood of the rates looks at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.model import BACKLOG, FORMATS, UNPLACED, Cells

if TYPE_CHECKING:
    from pandas import DataFrame

Array = NDArray[np.float64]
Index = NDArray[np.intp]
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, eq=False)
class Way:
    """(W,) how a leak of a class came to be found: at a search or another visit, after so many of either missed it."""

    component: Index
    searched: NDArray[np.bool_]
    missed: Array
    missed_other: Array


@dataclass(frozen=True, eq=False)
class Groups:
    """(G,) systems of one type and installer with one number of leaks and nearly one expected number.

    ``installer`` is -1 where nobody knows who built it; ``expected`` (G,) by the shipped priors, the mean of a group;
    ``type_expected`` (T,) the sum over all systems of a type.
    """

    type: Index
    installer: Index
    expected: Array
    leaks: Array
    systems: Array
    type_expected: Array


@dataclass(frozen=True, eq=False)
class HazardData:
    """Risk rows (R,), sorted by lots (K,), and these by the cell (F,) in which their leaks are found.

    A row is one way of being found: ``amount`` component-years, of the backlog components. The rows of a lot, from
    ``row_begin[k]`` on, share all that has to do with how leaks begin: ``band`` points into (classes x bands), the
    last entry of a class being the backlog; ``old``: leaks that a visit had missed. ``lot_begin``: where a cell's lots
    begin. ``years`` (F,): component-years that no visit has passed yet.
    """

    way: Index
    amount: Array
    row_begin: Index
    band: Index
    around: Index
    type: Index
    old: NDArray[np.bool_]
    lot_begin: Index
    cell_component: Index
    cell_type: Index
    cell_band: Index
    cell_around: Index
    found: Array
    known_before: Array
    before: Array
    years: Array
    ways: Way
    present: Array  # (A, X) whether a circumstance is there
    unknown: Array  # (A, X) whether nobody looked for it
    edges: Array
    unplaced: Array  # (T,)
    groups: Groups
    installers: tuple[str, ...]
    size_component: Index
    size_low: Array  # (S,) log of the lower edge of the bin, Pa m3/s
    size_high: Array
    size_leaks: Array
    looked: Array  # (X,)
    there: Array
    lost: int  # leaks found where nothing was at risk, left out

    @cached_property
    def amounts(self) -> Any:
        """Sparse (K, W): what each lot holds of each way of being found."""
        return _by_row(self.amount, self.way, self.row_begin, self.ways.component.size)

    @cached_property
    def lots(self) -> Any:
        """Sparse (F, K): which lots a cell holds."""
        return _by_row(np.ones(self.band.size), np.arange(self.band.size), self.lot_begin, self.band.size)

    @cached_property
    def old_lots(self) -> Any:
        """As ``lots``, of leaks that a visit had missed."""
        places = np.flatnonzero(self.old)
        return _by_row(np.ones(places.size), places, np.searchsorted(places, self.lot_begin), self.band.size)

    @property
    def leaks(self) -> int:
        """Leaks found whose place is known."""
        return int(self.found.sum())


def names_in(cells: Cells) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Component classes, circumstances and system types that the cells speak of, sorted."""
    risk = cells.tables["risk"]
    around = {part.rstrip("?") for text in {*risk["around"], *risk["begun_around"]} for part in text.split(";") if part}
    types = {*risk["type"], *cells.tables["unplaced"]["type"]}
    return (
        tuple(sorted(set(risk["component"]) - {UNPLACED})),
        tuple(sorted(around | set(cells.tables["looked"]["exposure"]))),
        tuple(sorted(types)),
    )


def data_of(cells: Cells, classes: Sequence[str], exposures: Sequence[str], types: Sequence[str]) -> HazardData:
    """The cells as arrays over these names; cells of other classes are left out."""
    risk = cells.tables["risk"]
    risk = risk[risk["component"].isin(list(classes)) & (risk["days"] > 0)]
    key = list(FORMATS["found"][0])
    heads = risk[key].drop_duplicates().sort_values(key, ignore_index=True)
    cell = risk.groupby(key, sort=True).ngroup().to_numpy()
    found, lost = _found(cells, heads, key, set(classes))
    around = sorted(set(risk["begun_around"]) | set(heads["around"]))
    ways, way = _ways(_places(risk["component"], classes), risk)
    return HazardData(
        **_rows(risk, cell, way, classes, around, types, len(cells.scale.age_years) - 1),
        cell_component=_places(heads["component"], classes),
        cell_type=_places(heads["type"], types),
        cell_band=heads["band"].to_numpy(),
        cell_around=_places(heads["around"], around),
        found=found["found"].to_numpy(float),
        known_before=found["known_before"].to_numpy(float),
        before=found["before"].to_numpy(float),
        ways=ways,
        present=_mentions(around, exposures, ""),
        unknown=_mentions(around, exposures, "?"),
        edges=np.array(cells.scale.age_years),
        unplaced=_by(cells.tables["unplaced"], "type", "found", types),
        **_of_systems(cells, types),
        **_of_sizes(cells, classes),
        looked=_by(cells.tables["looked"], "exposure", "looked", exposures),
        there=_by(cells.tables["looked"], "exposure", "there", exposures),
        lost=lost,
    )


def _by_row(figures: Array, column: Index, begin: Index, columns: int) -> Any:
    """A sparse matrix, its rows from ``begin[k]`` to before ``begin[k + 1]``."""
    from scipy.sparse import csr_matrix

    narrow = column.astype(np.int32), begin.astype(np.int32)  # PyTensor knows no wider places
    return csr_matrix((figures, *narrow), shape=(begin.size - 1, columns))


def _rows(
    risk: DataFrame,
    cell: Index,
    way: Index,
    classes: Sequence[str],
    around: Sequence[str],
    types: Sequence[str],
    bands: int,
) -> dict[str, Any]:
    """The risk rows by cell and lot, and the component-years of each cell."""
    backlog = (risk["begun_band"] == BACKLOG).to_numpy()
    begun = np.where(backlog, bands, risk["begun_band"].to_numpy())
    band = _places(risk["component"], classes) * (bands + 1) + begun
    old = (risk["missed"] + risk["missed_other"]).to_numpy() > 0
    amount = risk["days"].to_numpy(float) / np.where(backlog, 1.0, DAYS_A_YEAR)
    keys = [cell, band, _places(risk["begun_around"], around), _places(risk["type"], types), old, way]
    cells = int(cell.max()) + 1 if cell.size else 0
    years = np.bincount(cell, np.where(old | backlog, 0.0, amount), cells).astype(float)
    return {**_lots(np.stack(keys, axis=1), amount, cells), "years": years}


def _lots(keys: Index, amount: Array, cells: int) -> dict[str, Any]:
    """Rows with one key of (cell, band, around, type, old, way) added, and where lots and cells begin."""
    rows, place = np.unique(keys, axis=0, return_inverse=True)
    lots, row_begin = np.unique(rows[:, :5], axis=0, return_index=True)
    return {
        "way": rows[:, 5],
        "amount": np.bincount(place.reshape(-1), amount, len(rows)).astype(float),
        "row_begin": np.append(row_begin, len(rows)),
        "band": lots[:, 1],
        "around": lots[:, 2],
        "type": lots[:, 3],
        "old": lots[:, 4].astype(bool),
        "lot_begin": np.searchsorted(lots[:, 0], np.arange(cells + 1)),
    }


def condensed(data: HazardData) -> HazardData:
    """The same likelihood with fewer rows: cells in which nothing was found become one for each class and type.

    What they expect is only ever summed, so their rows add wherever band, way, circumstances and age agree. Whether a
    leak was missed before matters only where it is known of some.
    """
    types = data.cell_type.max(initial=0) + 1
    empty = -1 - data.cell_component * types - data.cell_type
    merged = np.where(data.found == 0, empty, np.arange(data.found.size))
    _, heads, cell_of = np.unique(merged, return_index=True, return_inverse=True)
    lot = np.repeat(np.arange(data.band.size), np.diff(data.row_begin))
    cell = np.repeat(np.arange(data.found.size), np.diff(data.lot_begin))[lot]
    old = data.old[lot] & (data.known_before[cell] > 0)
    keys = [cell_of.reshape(-1)[cell], data.band[lot], data.around[lot], data.type[lot], old, data.way]
    kept = ("cell_component", "cell_type", "cell_band", "cell_around", "found", "known_before", "before", "years")
    return replace(
        data,
        **_lots(np.stack(keys, axis=1), data.amount, heads.size),
        **{name: getattr(data, name)[heads] for name in kept},
    )


def _mentions(around: Sequence[str], exposures: Sequence[str], mark: str) -> Array:
    """(A, X) whether each text names a circumstance, with this mark behind it."""
    named = [[f"{exposure}{mark}" in text.split(";") for exposure in exposures] for text in around]
    return np.array(named, dtype=float).reshape(len(around), len(exposures))


def _found(cells: Cells, heads: DataFrame, key: list[str], classes: set[str]) -> tuple[DataFrame, int]:
    """The leaks of each cell at risk, and how many lie in none."""
    table = cells.tables["found"]
    table = table[table["component"].isin(list(classes))]
    figures = list(FORMATS["found"][1])
    found = heads[key].merge(table, on=key, how="left")[figures].fillna(0)
    return found, int(table["found"].sum() - found["found"].sum())


def _ways(component: Index, risk: DataFrame) -> tuple[Way, Index]:
    columns = [component, *(risk[name].to_numpy() for name in ("searched", "missed", "missed_other"))]
    kinds, way = np.unique(np.stack(columns, axis=1), axis=0, return_inverse=True)
    named = Way(kinds[:, 0], kinds[:, 1].astype(bool), kinds[:, 2].astype(float), kinds[:, 3].astype(float))
    return named, way.reshape(-1)


def _of_systems(cells: Cells, types: Sequence[str]) -> dict[str, Any]:
    table = cells.tables["systems"]
    table = table[table["type"].isin(list(types))]
    installers = tuple(sorted(set(table["installer"]) - {""}))
    type_ = _places(table["type"], types)
    expected = table["expected_micro"].to_numpy(float) / 1e6
    systems = table["systems"].to_numpy(float)
    by_type = np.bincount(type_, weights=expected, minlength=len(types)).astype(float)
    who = _places(table["installer"], ("", *installers)) - 1
    groups = Groups(type_, who, expected / systems, table["leaks"].to_numpy(float), systems, by_type)
    return {"groups": groups, "installers": installers}


def _of_sizes(cells: Cells, classes: Sequence[str]) -> dict[str, Any]:
    table = cells.tables["sizes"]
    table = table[table["component"].isin(list(classes))]
    step = np.log(10.0) / cells.scale.size_per_decade
    low = table["size_bin"].to_numpy(float) * step
    return {
        "size_component": _places(table["component"], classes),
        "size_low": low,
        "size_high": low + step,
        "size_leaks": table["leaks"].to_numpy(float),
    }


def _places(names: Any, order: Sequence[str]) -> Index:
    """(n,) where each name stands in ``order``."""
    place = {name: number for number, name in enumerate(order)}
    return np.array([place[name] for name in names], dtype=np.intp)


def _by(table: DataFrame, key: str, figure: str, order: Sequence[str]) -> Array:
    """A figure by name, zero where there is none."""
    held = dict(zip(table[key], table[figure], strict=True))
    return np.array([held.get(name, 0) for name in order], dtype=float)

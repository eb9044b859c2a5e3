"""The reduction against a slow second count, and against itself with the rows in any order and any split."""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.model import FORMATS, Cells
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.settings import FleetSettings, load_settings
from tests.fleet.histories import Tables, invent, write
from tests.fleet.recount import recount

SECOND = {
    "found": ("found", "known", "before"),
    "risk": ("risk",),
    "unplaced": ("unplaced",),
    "systems": ("systems", "micro"),
    "sizes": ("sizes",),
    "looked": ("looked", "there"),
    "repairs": ("repairs", "held"),
    "trials": ("trials",),
}


def reduced(folders: list[Path], **more: Any) -> Cells:
    return reduce_history(folders, load_catalogue(), load_settings(), **more)


def as_counts(cells: Cells, table: str) -> dict[tuple[Any, ...], tuple[int, ...]]:
    keys, figures = FORMATS[table]
    rows = zip(*(cells.tables[table][name].tolist() for name in (*keys, *figures)), strict=True)
    return {row[: len(keys)]: row[len(keys) :] for row in rows}


def assert_counts(
    cells: Cells,
    tables: Tables,
    since: date | None = None,
    until: date | None = None,
    settings: FleetSettings | None = None,
) -> None:
    span = (since.toordinal() if since else 0, until.toordinal() if until else 10**9)
    second = recount(tables, load_catalogue(), settings or load_settings(), *span)
    for table, names in SECOND.items():
        keys = {key for name in names for key, count in second[name].items() if count}
        assert as_counts(cells, table) == {key: tuple(second[name][key] for name in names) for key in keys}, table


@pytest.mark.parametrize("seed", range(60))
def test_cells_are_those_of_a_slow_second_count(tmp_path: Path, seed: int) -> None:
    tables = invent(seed)
    assert_counts(reduced([write(tmp_path, tables)]), tables)


@pytest.mark.parametrize("seed", range(100, 140))
def test_cells_where_many_dates_fall_together_and_ages_leave_the_bands(tmp_path: Path, seed: int) -> None:
    # Dates lie 73 days apart, so that visits meet the ends of records, parts and bands (365, 730 days) to the day.
    tables, shipped = invent(seed, systems=5, step=73), load_settings()
    settings = replace(shipped, cells=replace(shipped.cells, age_years=(0.5, 1.0, 2.0, 4.0), missed_most=1))
    cells = reduce_history([write(tmp_path, tables)], load_catalogue(), settings)
    assert_counts(cells, tables, settings=settings)


@pytest.mark.parametrize("seed", range(60, 75))
def test_cells_of_a_span_count_only_its_visits(tmp_path: Path, seed: int) -> None:
    tables, cut = invent(seed), date(2013, 6, 1)
    write(tmp_path, tables)
    early, late = reduced([tmp_path], until=cut), reduced([tmp_path], since=cut)
    assert_counts(early, tables, until=cut)
    assert_counts(late, tables, since=cut)
    assert_counts(reduced([tmp_path], since=cut, until=date(2014, 6, 1)), tables, cut, date(2014, 6, 1))


def test_the_invented_histories_hold_the_hard_cases() -> None:
    met: Counter[str] = Counter()
    for seed in range(60):
        tables = invent(seed)
        second = recount(tables, load_catalogue(), load_settings())
        for key in second["risk"]:
            met["backlog"] += key[6] == -1
            met["missed by searches and others"] += key[7] > 0 and key[8] > 0
            met["circumstances changed"] += key[2] != key[5]
        met["unplaced"] += second["unplaced"].total()
        met["found at other visits"] += sum(count for key, count in second["found"].items() if not key[3])
        met["class without site"] += sum(bool(not row["site"] and row["component"]) for row in tables["leaks"])
        met["known before"] += second["known"].total()
        met["systems"] += second["systems"].total()
        met["sizes"] += second["sizes"].total()
        met["held"] += second["held"].total()
        met["truths"] += sum(count for key, count in second["trials"].items() if key[3])
        met["dated and looked for"] += second["there"].total()
    assert min(met.values()) >= 20, met
    assert len(met) == 12

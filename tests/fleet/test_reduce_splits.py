"""The same cells, bit for bit, however a history is ordered, split, written down or divided among processes."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.fleet.cells.model import Cells, load, save, total
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.settings import load_settings
from tests.fleet.histories import Tables, invent, write


def cells_of(*folders: Path, chunk_rows: int = 200_000, processes: int = 1) -> Cells:
    return reduce_history(folders, load_catalogue(), load_settings(), chunk_rows=chunk_rows, processes=processes)


def shuffled(tables: Tables, rng: random.Random) -> Tables:
    return {name: rng.sample(rows, len(rows)) for name, rows in tables.items()}


def dealt(tables: Tables, rng: random.Random, folders: int, *, whole_systems: bool) -> list[Tables]:
    """The rows dealt to several folders: all of a system to one of them, or each row anywhere."""
    where = {row["system"]: rng.randrange(folders) for row in tables["systems"]}
    split: list[Tables] = [{name: [] for name in tables} for _ in range(folders)]
    for name, rows in tables.items():
        for row in rows:
            split[where[row["system"]] if whole_systems else rng.randrange(folders)][name].append(row)
    return split


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6), form=st.sampled_from(["csv", "csv.gz", "parquet"]), chunk=st.integers(1, 9))
def test_order_form_parts_folders_and_chunks_change_nothing(seed: int, form: str, chunk: int) -> None:
    tables, rng = invent(seed, systems=4), random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        once = cells_of(write(Path(name, "once"), tables))
        split = dealt(shuffled(tables, rng), rng, 3, whole_systems=False)
        folders = [write(Path(name, str(n)), part, form, rng.randint(1, 3)) for n, part in enumerate(split)]
        again = cells_of(*folders, chunk_rows=chunk)
    assert again.as_bytes() == once.as_bytes()
    assert again.counts.rows == sum(len(rows) for rows in tables.values())


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6))
def test_cells_of_parts_of_a_fleet_add_to_those_of_the_whole(seed: int) -> None:
    tables, rng = invent(seed, systems=5), random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        whole = cells_of(write(Path(name, "whole"), tables))
        split = dealt(tables, rng, 3, whole_systems=True)
        parts = [cells_of(write(Path(name, str(n)), part)) for n, part in enumerate(split)]
        save(whole, Path(name, "cells.json"))
        loaded = load(Path(name, "cells.json"))
    assert total(parts).as_bytes() == whole.as_bytes()
    assert total(parts[::-1]).as_bytes() == whole.as_bytes()
    assert loaded.as_bytes() == whole.as_bytes()
    assert loaded.digest == whole.digest


def test_the_number_of_processes_changes_nothing(tmp_path: Path) -> None:
    tables = invent(7, systems=30)
    tables["sites"] = random.Random(7).sample(tables["sites"], len(tables["sites"]))
    tables["sites"].append(tables["sites"][0])
    write(tmp_path, tables)
    one, two = cells_of(tmp_path, chunk_rows=9), cells_of(tmp_path, chunk_rows=9, processes=2)
    assert two.as_bytes() == one.as_bytes()
    assert one.counts.left_out["sites, site: twice"] == 1


@pytest.mark.parametrize("more", [{"chunk_rows": 0}, {"processes": 0}])
def test_impossible_settings_are_refused(tmp_path: Path, more: dict[str, int]) -> None:
    with pytest.raises(InputError, match="1 or more"):
        cells_of(write(tmp_path, invent(1)), **more)


def test_progress_is_told_in_rows(tmp_path: Path) -> None:
    tables, told = invent(3), list[int]()
    write(tmp_path, tables)
    reduce_history([tmp_path], load_catalogue(), load_settings(), chunk_rows=5, on_progress=told.append)
    assert told == sorted(told)
    assert told[0] == sum(len(rows) for name, rows in tables.items() if name != "sites")
    assert told[-1] == sum(len(rows) for rows in tables.values())


def test_a_history_without_rows_gives_empty_cells(tmp_path: Path) -> None:
    tables: Tables = {name: [] for name in invent(1)}
    cells = cells_of(write(tmp_path, tables))
    assert all(table.empty for table in cells.tables.values())
    assert (cells.counts.rows, cells.counts.systems, cells.counts.first_day) == (0, 0, None)
    other = cells_of(write(tmp_path / "more", invent(1)))
    assert other.plus(cells).as_bytes() == other.as_bytes()

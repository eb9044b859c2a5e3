"""Cells made by hand for tests, and rows of tables to compare."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from leakinfer.fleet.cells.model import FORMATS, Cells, Counts, Scale, joined
from leakinfer.fleet.history.writing import Tables


def cells_of(tables: Mapping[str, Sequence[Sequence[Any]]], ages: Sequence[float] = (0.0, 1e6)) -> Cells:
    """Cells from rows in the order of ``FORMATS``; tables not given are empty."""
    made = {}
    for name, (keys, figures) in FORMATS.items():
        frame = pd.DataFrame(list(tables.get(name, ())), columns=[*keys, *figures])
        made[name] = joined(name, [frame.astype(dict.fromkeys(figures, "int64"))])
    scale = Scale(tuple(ages), missed_most=3, expected_per_decade=6, size_per_decade=4, priors="made")
    return Cells(scale, Counts(), made)


def rows_of(tables: Tables, table: str, *names: str) -> list[tuple[str, ...]]:
    """Some columns of a written table."""
    return [tuple(row[name] for name in names) for row in tables[table]]

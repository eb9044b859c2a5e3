"""Files of a history, CSV or Parquet, as chunks of text columns that know where each row stands."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.errors import InputError

Numbers = NDArray[np.int64]
ENDINGS = (".csv", ".csv.gz", ".parquet")
BLOCK_BYTES = 1 << 23  # read at once of a CSV file; also the longest row
UTF8 = "UTF-8 text"


@dataclass(frozen=True, eq=False)
class Ragged:
    """Rows of a CSV file with another number of fields than its header: their lines and numbers of fields."""

    line: Numbers
    fields: Numbers


@dataclass(frozen=True, eq=False)
class Raw:
    """Some rows of one file: by column name a pyarrow array of text, and (n,) the line or row at which each stands."""

    columns: Mapping[str, Any]
    line: Numbers
    ragged: Ragged


NONE_RAGGED = Ragged(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


def find_parts(folders: Sequence[Path], table: str) -> list[Path]:
    """The files of one table in these folders, in order of their names.

    Raises:
        InputError: a folder that is not there, or that holds the table twice.
    """
    return [part for folder in folders for part in _parts_in(folder, table)]


def _parts_in(folder: Path, table: str) -> list[Path]:
    if not folder.is_dir():
        raise InputError("is not a folder", where=str(folder), allowed="a folder with the tables of a history")
    forms = [folder / f"{table}{ending}" for ending in ENDINGS if (folder / f"{table}{ending}").is_file()]
    inner = folder / table
    forms += [inner] if inner.is_dir() else []
    if len(forms) > 1:
        names = ", ".join(form.name for form in forms)
        raise InputError(f"holds the table of {table} twice: {names}", where=str(folder), allowed="one of them")
    if forms == [inner]:
        return sorted(path for path in inner.iterdir() if path.name.endswith(ENDINGS) and path.name[0] not in "._")
    return forms


def column_names(path: Path) -> list[str]:
    """The names of a file's columns.

    Raises:
        InputError: the file cannot be read, is empty, or names a column twice.
    """
    raw_names = _parquet_names(path) if path.suffix == ".parquet" else _csv_header(path)[0]
    names = [name.strip() for name in raw_names]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"column '{name}' is there twice", where=str(path), allowed="each column once")
    return names


def raw_chunks(path: Path, wanted: Sequence[str], chunk_rows: int) -> Iterator[Raw]:
    """The rows of a file in chunks of ``chunk_rows``, those of ``wanted`` columns that it has.

    Raises:
        InputError: the file cannot be read.
    """
    return (_parquet_chunks if path.suffix == ".parquet" else _csv_chunks)(path, wanted, chunk_rows)


def _parquet_names(path: Path) -> list[str]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return list(pq.read_schema(path).names)
    except (pa.ArrowException, OSError) as error:
        raise InputError("cannot be read as Parquet", where=str(path)) from error


def _parquet_chunks(path: Path, wanted: Sequence[str], chunk_rows: int) -> Iterator[Raw]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    first = 1
    try:
        with pq.ParquetFile(path) as file:
            names = [name for name in wanted if name in file.schema_arrow.names]
            for batch in file.iter_batches(batch_size=chunk_rows, columns=names):
                columns = {name: _as_text(batch.column(name), f"{path}: {name}") for name in names}
                yield Raw(columns, np.arange(first, first + batch.num_rows, dtype=np.int64), NONE_RAGGED)
                first += batch.num_rows
    except (pa.ArrowException, OSError) as error:
        raise InputError("cannot be read as Parquet", where=str(path)) from error


def _as_text(column: Any, where: str) -> Any:
    """A column of Parquet as the text that a CSV file would hold; nothing as an empty text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_timestamp(kind):
        column = pc.floor_temporal(column, unit="day").cast(pa.date32(), safe=False)
    elif pa.types.is_boolean(kind):
        column = pc.if_else(column, "yes", "no")
    elif pa.types.is_floating(kind):
        column = pc.if_else(pc.is_nan(column), None, column)
    elif pa.types.is_list(kind) or pa.types.is_large_list(kind):
        column = pc.binary_join(column.cast(pa.list_(pa.string())), ";")
    try:
        return column.cast(pa.string()).fill_null("")
    except pa.ArrowException as error:
        raise InputError(f"holds {kind}", where=where, allowed="text, numbers, dates") from error


def _csv_header(path: Path) -> tuple[list[str], int]:
    """The names of the columns, and the lines that they take."""
    opened = gzip.open if path.suffix == ".gz" else open
    try:
        with opened(path, "rb") as file, io.TextIOWrapper(file, "utf-8-sig", "replace", newline="") as text:
            reader = csv.reader(text)
            return next(reader), reader.line_num
    except StopIteration as error:
        raise InputError("is empty", where=str(path), allowed="a line with the names of the columns") from error
    except (OSError, EOFError, csv.Error) as error:
        raise InputError(f"cannot be read ({error})", where=str(path)) from error


def _csv_chunks(path: Path, wanted: Sequence[str], chunk_rows: int) -> Iterator[Raw]:
    import pyarrow as pa

    raw_names, header_lines = _csv_header(path)
    place = _Place(header_lines + 1)
    used = [name.strip() for name in raw_names if name.strip() in wanted]
    try:
        for table in _sized(_csv_batches(path, raw_names, place), chunk_rows):
            yield _raw(table, place, used)
        yield _raw(None, place, used)
    except UnicodeDecodeError as error:
        raise InputError("is not a text file", where=str(path), allowed=UTF8) from error
    except pa.ArrowException as error:
        what = f"cannot be read as CSV ({error})"
        raise InputError(what, where=str(path), allowed="commas between fields, every quote closed") from error
    except (OSError, EOFError) as error:
        raise InputError(f"cannot be read ({error})", where=str(path)) from error


def _csv_batches(path: Path, names: Sequence[str], place: _Place) -> Iterator[Any]:
    """The rows as pyarrow reads them, in blocks; rows with another number of fields go to ``place``."""
    import pyarrow as pa
    from pyarrow import csv as arrow

    reader = arrow.open_csv(
        path,
        # one thread: only then do ragged rows know their number
        read_options=arrow.ReadOptions(use_threads=False, block_size=BLOCK_BYTES),
        parse_options=arrow.ParseOptions(
            newlines_in_values=True, ignore_empty_lines=False, invalid_row_handler=place.take
        ),
        convert_options=arrow.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False, check_utf8=False
        ),
    )
    with reader:
        for batch in reader:
            yield pa.table(batch.columns, names=[name.strip() for name in names])


def _sized(tables: Iterable[Any], rows: int) -> Iterator[Any]:
    """The same rows in tables of ``rows`` each; the last one holds the rest."""
    import pyarrow as pa

    held: list[Any] = []
    count = 0
    for table in tables:
        held.append(table)
        count += table.num_rows
        if count >= rows:
            whole = pa.concat_tables(held)
            full = count - count % rows
            yield from (whole.slice(begin, rows).combine_chunks() for begin in range(0, full, rows))
            held, count = [whole.slice(full)], count % rows
    if count:
        yield pa.concat_tables(held).combine_chunks()


class _Place:
    """How far a CSV file is read: the next line and row, and the ragged rows that pyarrow has met, maybe ahead."""

    def __init__(self, line: int) -> None:
        self._line = line
        self._row = 2  # as pyarrow counts them, the header being 1
        self._ragged: list[tuple[int, int, int]] = []  # row, lines that it takes, fields
        self._passed = 0

    def take(self, row: Any) -> str:
        """Skip a row with another number of fields than the header, and remember it."""
        self._ragged.append((row.number, 1 + row.text.count("\n"), row.actual_columns))
        return "skip"

    def lines(self, heights: Numbers) -> tuple[Numbers, Ragged]:
        """(n,) at which line the next n whole rows begin, from the lines each takes; and the ragged ones between."""
        waiting = np.array(self._ragged[self._passed :], dtype=np.int64).reshape(-1, 3)
        whole_before = waiting[:, 0] - self._row - np.arange(len(waiting))
        met = waiting[whole_before < heights.size] if heights.size else waiting
        rows = np.ones(heights.size + len(met), dtype=bool)
        rows[met[:, 0] - self._row] = False
        taken = np.empty(rows.size, dtype=np.int64)
        taken[rows], taken[~rows] = heights, met[:, 1]
        begin = self._line + np.cumsum(taken) - taken
        self._line += int(taken.sum())
        self._row += rows.size
        self._passed += len(met)
        return begin[rows], Ragged(begin[~rows], met[:, 2])


def _raw(table: Any, place: _Place, wanted: Sequence[str]) -> Raw:
    """The rows of a table that are not blank; without a table, what is ragged after the last row."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if table is None:
        lines, ragged = place.lines(np.zeros(0, dtype=np.int64))
        return Raw({name: pa.array([], pa.string()) for name in wanted}, lines, ragged)
    heights = np.ones(table.num_rows, dtype=np.int64)
    for column in table.columns:
        heights += pc.count_substring(column, "\n").to_numpy()
    lines, ragged = place.lines(heights)
    blank = np.logical_and.reduce([pc.equal(column, "").to_numpy() for column in table.columns])
    if blank.any():
        table, lines = table.filter(pa.array(~blank)), lines[~blank]
    return Raw({name: table.column(name).combine_chunks() for name in wanted}, lines, ragged)

"""A history's tables, read in chunks and checked column by column against the format and the catalogue."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.errors import InputError
from leakinfer.fleet.history.badrows import BadRow, Log, Mask, Origin, Sieve
from leakinfer.fleet.history.files import Raw, column_names, find_parts, raw_chunks
from leakinfer.fleet.history.tables import BY_NAME, TABLES, Column, TableFormat
from leakinfer.reading import known

Codes = NDArray[np.int32]
Days = NDArray[np.int32]
Vocabulary: TypeAlias = Mapping[str, Mapping[str, Any]]
EMPTY = -1  # the code of an empty text
NO_DAY = -(2**30)  # an empty date
EPOCH = date(1970, 1, 1).toordinal()  # days are counted from here
A_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
MOST_COUNT = 1_000_000  # of equal ones in one row: more is a slip


@dataclass(frozen=True, eq=False)
class Texts:
    """A column of text: its different texts (a pyarrow array) and (n,) which of them a row holds, EMPTY for none."""

    values: Any
    code: Codes

    def words(self) -> list[str]:
        """The different texts."""
        return list(self.values.to_pylist())

    def word(self, row: int) -> str:
        """The text of one row."""
        return "" if self.code[row] == EMPTY else str(self.values[int(self.code[row])].as_py())

    def keep(self, rows: NDArray[np.generic]) -> Texts:
        """Some of the rows."""
        return Texts(self.values, self.code[rows])

    def sorted(self) -> Texts:
        """The same rows over the texts that occur, sorted."""
        import pyarrow.compute as pc

        used, place = np.unique(self.code, return_inverse=True)
        order = np.argsort(np.array(self.values.take(used[used >= 0]).to_pylist(), dtype=object), kind="stable")
        rank = np.empty(order.size, dtype=np.int32)
        rank[order] = np.arange(order.size, dtype=np.int32)
        hollow = used.size - order.size
        code = np.concatenate([np.full(hollow, EMPTY, dtype=np.int32), rank])[place.reshape(-1)]
        return Texts(pc.take(self.values, used[used >= 0][order]), code.astype(np.int32))


Field: TypeAlias = Texts | NDArray[Any]


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of one table: columns by name, and where the rows stand.

    Text and words are :class:`Texts`, dates (n,) days since 1970 or NO_DAY, whole numbers (n,) with 0 for none, numbers
    (n,) with not-a-number for none.
    """

    table: str
    columns: Mapping[str, Field]
    origin: Origin

    def __len__(self) -> int:
        return int(self.origin.line.size)

    def text(self, name: str) -> Texts:
        """A column of text."""
        field = self.columns[name]
        assert isinstance(field, Texts)
        return field

    def figures(self, name: str) -> NDArray[Any]:
        """A column of days or numbers."""
        field = self.columns[name]
        assert not isinstance(field, Texts)
        return field

    def keep(self, rows: NDArray[np.generic]) -> Rows:
        """Some of the rows: by mask or by numbers."""
        kept = {name: col.keep(rows) if isinstance(col, Texts) else col[rows] for name, col in self.columns.items()}
        return Rows(self.table, kept, self.origin.keep(rows))


@dataclass(frozen=True)
class History:
    """The files of a history: their names, and by table the numbers of its files."""

    files: tuple[str, ...]
    tables: Mapping[str, tuple[int, ...]]


def open_history(folders: Sequence[Path], log: Log) -> History:
    """Find the files of a history and check their columns; columns that nobody reads are said, once for a table.

    Raises:
        InputError: a folder, a needed table or a needed column is missing, or a file cannot be read.
    """
    files: list[str] = []
    tables: dict[str, tuple[int, ...]] = {}
    for table in TABLES:
        parts = find_parts(folders, table.name)
        if table.needed and not parts:
            where = ", ".join(str(folder) for folder in folders)
            raise InputError(f"no table of {table.name}", where=where, allowed=f"{table.name}.csv, .csv.gz or .parquet")
        tables[table.name] = tuple(range(len(files), len(files) + len(parts)))
        files.extend(str(part) for part in parts)
        _check_columns(table, parts, log)
    return History(tuple(files), tables)


def _check_columns(table: TableFormat, parts: Sequence[Path], log: Log) -> None:
    allowed = ", ".join(table.names)
    said: set[str] = set()
    for part in parts:
        names = column_names(part)
        missing = [column.name for column in table.columns if column.needed and column.name not in names]
        if missing:
            raise InputError(f"column '{missing[0]}' is missing", where=str(part), allowed=allowed)
        for name in names:
            if name not in table.names and name not in said:
                said.add(name)
                log.say(BadRow(table.name, str(part), "header", name, f"nobody reads column '{name}'", allowed, ""))


def raw_rows(history: History, table: str, chunk_rows: int) -> Iterator[tuple[int, Raw]]:
    """The rows of a table as text, in chunks, with the number of their file."""
    for number in history.tables[table]:
        for raw in raw_chunks(Path(history.files[number]), BY_NAME[table].names, chunk_rows):
            yield number, raw


def vocabulary(catalogue: Catalogue) -> Vocabulary:
    """What may stand in the columns that name parts of the catalogue, by column name."""
    around = dict.fromkeys(("exposure", "present", "absent", "unknown"), catalogue.exposures)
    return {"component": catalogue.components, "method": catalogue.methods, **around}


def checked_rows(table: TableFormat, raw: Raw, file: int, files: Sequence[str], catalogue: Catalogue, log: Log) -> Rows:
    """The rows of a chunk that are in order, column by column; the others go to ``log``."""
    origin = _origin(files, file, raw.line)
    sieve = Sieve(table.name, origin, log)
    log.rows += raw.line.size + raw.ragged.line.size
    _refuse_ragged(table, raw, _origin(files, file, raw.ragged.line), log)
    words = vocabulary(catalogue)
    columns = {column.name: _field(column, raw, sieve, words) for column in table.columns}
    rows = Rows(table.name, columns, origin)
    if table.name == "findings":
        _check_outcomes(rows, catalogue, sieve)
    return rows if sieve.good.all() else rows.keep(sieve.good)


def read_rows(history: History, table: str, catalogue: Catalogue, chunk_rows: int, log: Log) -> Iterator[Rows]:
    """A table in chunks of checked rows."""
    for file, raw in raw_rows(history, table, chunk_rows):
        yield checked_rows(BY_NAME[table], raw, file, history.files, catalogue, log)


def _origin(files: Sequence[str], file: int, line: NDArray[np.int64]) -> Origin:
    return Origin(files, np.full(line.size, file, dtype=np.int32), line)


def _refuse_ragged(table: TableFormat, raw: Raw, origin: Origin, log: Log) -> None:
    fields = raw.ragged.fields
    every = np.ones(fields.size, dtype=bool)
    allowed = "as many fields as there are columns"
    Sieve(table.name, origin, log).refuse(
        every, table.columns[0].name, "wrong number of fields", lambda row: (f"{fields[row]} fields", allowed)
    )


def _field(column: Column, raw: Raw, sieve: Sieve, words: Vocabulary) -> Field:
    """One column, bad rows taken out."""
    given = raw.columns.get(column.name)
    if given is None:
        return nothing(column, raw.line.size)
    texts = _texts(given, column, sieve)
    if column.needed:
        sieve.refuse(texts.code == EMPTY, column.name, "empty", lambda _: ("is empty", column.says))
    figures = _FIGURES.get(column.kind)
    if figures is not None:
        values, allowed = figures
        return _figures(texts, column, sieve, values, allowed + (f", {column.unit}" if column.unit else ""))
    _check_words(texts, column, sieve, words.get(column.name))
    return texts


def nothing(column: Column, rows: int) -> Field:
    """A column that is not there: all empty."""
    import pyarrow as pa

    if column.kind == "date":
        return np.full(rows, NO_DAY, dtype=np.int32)
    if column.kind in ("whole", "number"):
        return np.zeros(rows, dtype=np.int64) if column.kind == "whole" else np.full(rows, np.nan)
    return Texts(pa.array([], pa.string()), np.full(rows, EMPTY, dtype=np.int32))


def _texts(given: Any, column: Column, sieve: Sieve) -> Texts:
    """A column as its different texts, blanks around them taken off."""
    import pyarrow as pa
    import pyarrow.compute as pc

    try:
        given.validate(full=True)
    except pa.ArrowInvalid:
        given, broken = _unproved(given)
        sieve.refuse(broken, column.name, "not UTF-8", lambda _: ("is not UTF-8 text", "UTF-8 text"))
    coded = pc.utf8_trim_whitespace(given).dictionary_encode()
    code = coded.indices.to_numpy()
    empty = pc.index(coded.dictionary, "").as_py()
    return Texts(coded.dictionary, np.where(code == empty, np.int32(EMPTY), code) if empty >= 0 else code)


def _unproved(given: Any) -> tuple[Any, Mask]:
    """The column with what is not UTF-8 replaced, and where that was."""
    import pyarrow as pa

    texts = [value.decode("utf-8", "replace") for value in given.cast(pa.binary()).to_pylist()]
    return pa.array(texts, pa.string()), np.array(["\N{REPLACEMENT CHARACTER}" in text for text in texts], dtype=bool)


def _figures(
    texts: Texts, column: Column, sieve: Sieve, values: Callable[[Any], tuple[NDArray[Any], Mask]], allowed: str
) -> NDArray[Any]:
    """Days or numbers; ``values`` gives those of the different texts with one for empty behind, and which are bad."""
    figures, bad = values(texts.values)
    what = {"date": "a date", "whole": "a whole number", "number": "a number in range"}[column.kind]
    sieve.refuse(
        np.append(bad, False)[texts.code],
        column.name,
        f"not {what}",
        lambda row: (f"'{texts.word(row)}' is not {what}", allowed),
    )
    return figures[texts.code]


def _days(values: Any) -> tuple[NDArray[Any], Mask]:
    days = [_day(text) for text in values.to_pylist()]
    bad = np.array([day is None for day in days], dtype=bool)
    return np.array([NO_DAY if day is None else day for day in [*days, None]], dtype=np.int32), bad


def _day(text: str) -> int | None:
    try:
        return date.fromisoformat(text).toordinal() - EPOCH if A_DATE.fullmatch(text) else None
    except ValueError:
        return None


def _numbers(values: Any) -> tuple[NDArray[Any], Mask]:
    import pandas as pd

    numbers = np.append(pd.to_numeric(pd.Series(values.to_pylist(), dtype=object), errors="coerce"), np.nan)
    numbers = numbers.astype(float)
    return numbers, ~(np.isfinite(numbers[:-1]) & (numbers[:-1] >= 0))


def _wholes(values: Any) -> tuple[NDArray[Any], Mask]:
    numbers, bad = _numbers(values)
    bad = bad | (numbers[:-1] < 1) | (numbers[:-1] > MOST_COUNT) | (numbers[:-1] != np.floor(numbers[:-1]))
    return np.where(np.append(bad, True), 0, numbers).astype(np.int64), bad


_FIGURES: Mapping[str, tuple[Callable[[Any], tuple[NDArray[Any], Mask]], str]] = {
    "date": (_days, "a day as 2026-03-14"),
    "whole": (_wholes, f"1 to {MOST_COUNT}"),
    "number": (_numbers, "0 or above"),
}


def _check_words(texts: Texts, column: Column, sieve: Sieve, choices: Mapping[str, Any] | None) -> None:
    """Refuse texts with a line break, and words that are not among the choices."""
    import pyarrow.compute as pc

    broken = np.append(pc.match_substring_regex(texts.values, r"[\r\n]").to_numpy(zero_copy_only=False), False)
    sieve.refuse(
        broken[texts.code],
        column.name,
        "line break",
        lambda row: (f"'{texts.word(row)[:40]}' holds a line break", "one line; is a quote not closed?"),
    )
    choices = dict.fromkeys(column.words) if column.kind == "word" else choices
    if choices is None:
        return
    singular = {"word": "word", "words": "exposure"}.get(column.kind, column.name)
    faults = [_fault(text, column, singular, choices) for text in texts.words()]
    bad = np.array([*(fault is not None for fault in faults), False], dtype=bool)
    sieve.refuse(bad[texts.code], column.name, f"unknown {singular}", lambda row: faults[texts.code[row]] or ("", ""))


def _fault(text: str, column: Column, singular: str, choices: Mapping[str, Any]) -> tuple[str, str] | None:
    """What is wrong with a text and what is allowed; nothing if it is in order."""
    for word in parted(text) if column.kind == "words" else (text,) if text else ():
        try:
            known(word, choices, what=singular, where="")
        except InputError as error:
            return error.what, error.allowed
    return None


def parted(text: str) -> tuple[str, ...]:
    """The words of a field with several, sorted, each once."""
    return tuple(sorted({word.strip() for word in text.split(";")} - {""}))


def _check_outcomes(rows: Rows, catalogue: Catalogue, sieve: Sieve) -> None:
    """Refuse findings whose outcome the method does not have."""
    methods, outcomes = rows.text("method"), rows.text("outcome")
    pairs = methods.code.astype(np.int64) * (len(outcomes.values) + 1) + outcomes.code
    allowed = {}
    for pair, row in zip(*np.unique(pairs, return_index=True), strict=True):
        method = catalogue.methods.get(methods.word(int(row)))
        names = (method.silent, *(grade.outcome for grade in method.grades)) if method else ()
        if outcomes.word(int(row)) not in names:
            allowed[int(pair)] = ", ".join(names)
    sieve.refuse(
        np.isin(pairs, list(allowed)),
        "outcome",
        "unknown outcome",
        lambda row: (f"unknown outcome '{outcomes.word(row)}' of {methods.word(row)}", allowed[int(pairs[row])]),
    )

"""Rows of a history that cannot be used: said one by one, counted by reason, left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leakinfer.errors import InputError

Mask = NDArray[np.bool_]
Numbers = NDArray[np.int64]


@dataclass(frozen=True)
class BadRow:
    """One fault: table, file, line (of Parquet the row, from 1), column, what is wrong, what is allowed.

    ``reason``: the fault without the row's own words, as it is counted; empty: only said, nothing is left out.
    """

    table: str
    file: str
    spot: str
    column: str
    what: str
    allowed: str
    reason: str

    def error(self) -> InputError:
        """The fault in the one shape of errors."""
        return InputError(self.what, where=f"{self.file}: {self.spot}, {self.column}", allowed=self.allowed)

    def line(self) -> str:
        """The fault as one line."""
        return self.error().line()


OnBad = Callable[[BadRow], None]


@dataclass(eq=False)
class Log:
    """Rows read, and rows left out by reason; each fault goes to ``on_bad`` if there is one."""

    on_bad: OnBad | None = None
    rows: int = 0
    left_out: dict[str, int] = field(default_factory=dict)

    def leave_out(self, reason: str, rows: int) -> None:
        """Count rows left out."""
        if rows:
            self.left_out[reason] = self.left_out.get(reason, 0) + rows

    def say(self, bad: BadRow) -> None:
        """Pass a fault on, without counting."""
        if self.on_bad is not None:
            self.on_bad(bad)

    def add(self, rows: int, left_out: Mapping[str, int], said: Sequence[BadRow]) -> None:
        """What another log took down."""
        self.rows += rows
        for reason, count in left_out.items():
            self.leave_out(reason, count)
        for bad in said:
            self.say(bad)


@dataclass(frozen=True, eq=False)
class Origin:
    """Where rows stand: (n,) number of the file in ``files``, and line of a CSV file or row of a Parquet file."""

    files: Sequence[str]
    file: NDArray[np.int32]
    line: Numbers

    def keep(self, rows: NDArray[np.generic]) -> Origin:
        """Some of the rows: by mask or by numbers."""
        return Origin(self.files, self.file[rows], self.line[rows])

    def spot(self, row: int) -> tuple[str, str]:
        """File and place in it, in words."""
        name = self.files[self.file[row]]
        return name, f"{'row' if name.endswith('.parquet') else 'line'} {self.line[row]}"


What = Callable[[int], tuple[str, str]]


class Sieve:
    """Rows of one table, of which bad ones are taken out, each once: the first fault that is found counts."""

    def __init__(self, table: str, origin: Origin, log: Log) -> None:
        self._table, self._origin, self._log = table, origin, log
        self.good: Mask = np.ones(origin.line.size, dtype=bool)

    def refuse(self, bad: Mask, column: str, fault: str, what: What) -> None:
        """Take out the rows where ``bad``; ``what`` gives for a row what is wrong and what is allowed."""
        rows = np.flatnonzero(bad & self.good)
        if not rows.size:
            return
        self.good[rows] = False
        reason = f"{self._table}, {column}: {fault}"
        self._log.leave_out(reason, rows.size)
        if self._log.on_bad is not None:
            for row in rows.tolist():
                self._log.say(BadRow(self._table, *self._origin.spot(row), column, *what(row), reason))

    def leave_out(self, rows: Mask, fault: str) -> None:
        """Take out rows that are in order but of no use here; they are counted and not said."""
        found = rows & self.good
        self.good[found] = False
        self._log.leave_out(f"{self._table}: {fault}", int(found.sum()))

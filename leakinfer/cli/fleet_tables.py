"""``fleet check`` and ``fleet cells``: a history read row by row, and reduced to counts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli.answer import print_json
from leakinfer.cli.entry import USAGE_ERROR
from leakinfer.cli.fleet import fleet_libraries
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import heading, pairs, table, wrapped
from leakinfer.errors import InputError
from leakinfer.fleet.history.tables import TABLES, Column

if TYPE_CHECKING:
    from leakinfer.fleet.cells.model import Cells, Counts
    from leakinfer.fleet.history.badrows import BadRow

KINDS = {"text": "text", "date": "date", "whole": "whole number", "number": "number", "words": "texts parted by ;"}
SHOWN = 20  # bad rows named one by one, if not told otherwise
CHUNK_ROWS = 200_000

_PATH = click.Path(path_type=Path)
_processes = click.option(
    "--processes", default=1, type=click.IntRange(min=1), show_default=True, help="That read the table of sites."
)
_priors = click.option("--priors", type=_PATH, metavar="FOLDER", help="Priors whose names count, not the shipped.")
show_option = click.option(
    "--show", default=SHOWN, type=click.IntRange(min=0), show_default=True, help="Bad rows named one by one."
)


@dataclass
class Said:
    """Faults or remarks: how many there are in all, and the first of them."""

    most: int
    first: list[BadRow] = field(default_factory=list)
    count: int = 0

    def take(self, bad: BadRow) -> None:
        """Take down one more."""
        self.count += 1
        if len(self.first) < self.most:
            self.first.append(bad)

    def say(self, what: str) -> None:
        """Print them, one line each, on stderr."""
        for bad in self.first:
            click.echo(f"leakinfer: {bad.line()}", err=True)
        if self.count > len(self.first):
            click.echo(f"leakinfer: {self.count - len(self.first):,} more {what} (--show)", err=True)


class Heard:
    """All that is said of a history: faults leave a row out, remarks do not."""

    def __init__(self, most: int) -> None:
        self.faults, self.remarks = Said(most), Said(most)

    def take(self, bad: BadRow) -> None:
        """Take down what is said of one row or column."""
        (self.faults if bad.reason else self.remarks).take(bad)

    def say(self) -> int:
        """Print it on stderr; the exit code."""
        self.remarks.say("remarks")
        self.faults.say("rows with a fault")
        return USAGE_ERROR if self.faults.count else 0


@click.command("check")
@click.argument("folders", metavar="[HISTORY...]", nargs=-1, type=_PATH)
@click.option("--format", "as_format", is_flag=True, help="Show the format of a history, column by column.")
@show_option
@_processes
@_priors
@json_option
def check(
    folders: Sequence[Path], as_format: bool, show: int, processes: int, priors: Path | None, as_json: bool
) -> int:
    """Check HISTORY, one folder or several that are one history together: counts, and each row that cannot be used.

    Exit code 2 if any row has a fault. Nothing is changed.
    """
    if as_format:
        _print_format(as_json)
        return 0
    if not folders:
        raise InputError("no folder", where="fleet check", allowed="HISTORY..., or --format")
    heard = Heard(show)
    with fleet_libraries():
        rows = _rows_of(folders)
        cells = _reduced(folders, priors, processes, heard, quiet=as_json)
    if as_json:
        print_json({**_answer(cells.counts, heard), "tables": rows})
    else:
        click.echo(_page(cells.counts, heard, rows))
    return heard.say()


@click.command("cells")
@click.argument("folders", metavar="HISTORY...", nargs=-1, required=True, type=_PATH)
@click.option("--out", required=True, type=_PATH, metavar="FILE", help="The file of cells to write (JSON).")
@show_option
@_processes
@_priors
@json_option
def cells(folders: Sequence[Path], out: Path, show: int, processes: int, priors: Path | None, as_json: bool) -> int:
    """Reduce HISTORY to cells: counts without names or dates, which 'leakinfer fleet fit' reads and adds.

    Rows with a fault are left out and counted; then the exit code is 2.
    """
    from leakinfer.fleet.cells.model import save

    if out.is_dir():
        raise InputError("is a folder", where=str(out), allowed="a file to write")
    heard = Heard(show)
    with fleet_libraries():
        found = _reduced(folders, priors, processes, heard, quiet=as_json)
        save(found, out)
        sizes = {name: len(part) for name, part in found.tables.items()}
    if as_json:
        print_json({"file": str(out), "digest": found.digest, "cells": sizes, **_answer(found.counts, heard)})
    else:
        click.echo(_page(found.counts, heard, {}))
        click.echo(
            wrapped(f"Written: {out}, {sum(sizes.values()):,} cells. Next: leakinfer fleet fit {out}", first="\n  ")
        )
    return heard.say()


def _rows_of(folders: Sequence[Path]) -> dict[str, int]:
    """Rows by table, faulty ones too."""
    from leakinfer.fleet.history.badrows import Log
    from leakinfer.fleet.history.reader import open_history, raw_rows

    history = open_history(folders, Log())
    return {
        part.name: sum(raw.line.size + raw.ragged.line.size for _, raw in raw_rows(history, part.name, CHUNK_ROWS))
        for part in TABLES
    }


def _reduced(folders: Sequence[Path], priors: Path | None, processes: int, heard: Heard, *, quiet: bool) -> Cells:
    from leakinfer.fleet.cells.reduce import reduce_history
    from leakinfer.fleet.settings import load_settings

    catalogue = load_catalogue(priors)
    with _progress(quiet) as on_progress:
        return reduce_history(
            folders,
            catalogue,
            load_settings(),
            chunk_rows=CHUNK_ROWS,
            processes=processes,
            on_bad=heard.take,
            on_progress=on_progress,
        )


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[int], None] | None]:
    """A line on the terminal behind stderr that counts the rows; none where nobody watches."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield None
        return
    words = TextColumn("{task.completed:,.0f} rows read")
    with Progress(BarColumn(), words, TimeElapsedColumn(), console=console, transient=True) as bar:
        task = bar.add_task("", total=None)
        yield lambda rows: bar.update(task, completed=rows)


def _answer(counts: Counts, heard: Heard) -> dict[str, Any]:
    first, last = (_day(day) for day in (counts.first_day, counts.last_day))
    return {
        "sound": not heard.faults.count,
        "systems": counts.systems,
        "rows": counts.rows,
        "rows_left_out": sum(counts.left_out.values()),
        "left_out": counts.left_out,
        "first_day": first,
        "last_day": last,
        "bad_rows": heard.faults.count,
        "faults": [plain_fault(bad) for bad in heard.faults.first],
        "remarks": [plain_fault(bad) for bad in heard.remarks.first],
    }


def plain_fault(bad: BadRow) -> dict[str, str]:
    """A fault as plain data."""
    error = bad.error()
    place = {"table": bad.table, "file": bad.file, "spot": bad.spot, "column": bad.column}
    return {**place, "what": error.what, "allowed": error.allowed}


def _day(ordinal: int | None) -> str | None:
    return None if ordinal is None else date.fromordinal(ordinal).isoformat()


def _page(counts: Counts, heard: Heard, rows: dict[str, int]) -> str:
    first, last = (_day(day) or "-" for day in (counts.first_day, counts.last_day))
    said = [("systems", f"{counts.systems:,}"), ("visits from", f"{first} to {last}")]
    said += [(name, f"{count:,} rows") for name, count in rows.items() if name != "systems"]
    said += [("rows", f"{counts.rows:,}"), ("left out", f"{sum(counts.left_out.values()):,}")]
    said += [("with a fault", f"{heard.faults.count:,}")] if heard.faults.count else []
    said += [("remarks", f"{heard.remarks.count:,}, on what is used only in part")] if heard.remarks.count else []
    if not counts.left_out:
        return pairs([*said, ("sound", "every row is used")])
    reasons = [(f"{count:,}", reason) for reason, count in sorted(counts.left_out.items(), key=lambda pair: -pair[1])]
    return f"{pairs(said)}\n{heading('Left out')}\n{table(('rows', 'why'), reasons, right=(0,))}"


def _print_format(as_json: bool) -> None:
    if as_json:
        from dataclasses import asdict

        print_json({"tables": [asdict(part) for part in TABLES]})
        return
    click.echo(
        wrapped(
            "A history is a folder with these tables, each as NAME.csv, NAME.csv.gz, NAME.parquet, or a folder NAME of "
            "such parts. Days are written 2026-03-14. An empty field means that nobody wrote it down: unknown."
        )
    )
    for part in TABLES:
        click.echo(heading(f"{part.name}{' (needed)' if part.needed else ''}"))
        click.echo(wrapped(f"{part.says}."))
        rows = [(column.name, _holds(column), column.says) for column in part.columns]
        click.echo(table(("column", "holds", "what"), rows, fixed=(0,)))


def _holds(column: Column) -> str:
    words = " or ".join(column.words) if column.kind == "word" else KINDS[column.kind]
    unit = f", {column.unit}" if column.unit else ""
    return f"{words}{unit}{', needed' if column.needed else ''}"

"""``fleet orders``: work orders, as a firm has them, tried against a mapping and written as a history."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli.answer import print_json
from leakinfer.cli.fleet import fleet_libraries
from leakinfer.cli.fleet_tables import Heard, plain_fault, show_option
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import bullets, heading, pairs, wrapped
from leakinfer.errors import InputError

if TYPE_CHECKING:
    from leakinfer.fleet.history.badrows import Log
    from leakinfer.fleet.orders.book import Book, Understood
    from leakinfer.fleet.orders.mapping import Record

_PATH = click.Path(path_type=Path)
COMMONEST = 15  # words left over that are shown


@click.command("orders")
@click.argument("path", metavar="FILE", type=_PATH)
@click.option("--mapping", required=True, type=_PATH, metavar="MAP", help="What columns and words mean (TOML).")
@click.option("--begin", is_flag=True, help="Write a first MAP by looking at FILE.")
@click.option("--try", "as_trial", is_flag=True, help="Show row by row what is understood; write nothing.")
@click.option("--unclear", is_flag=True, help="With --try: only rows with words that no phrase takes.")
@click.option("--out", "folder", type=_PATH, metavar="FOLDER", help="Write the history to FOLDER.")
@show_option
@json_option
def orders(
    path: Path,
    mapping: Path,
    begin: bool,
    as_trial: bool,
    unclear: bool,
    folder: Path | None,
    show: int,
    as_json: bool,
) -> int:
    """Turn FILE, work orders as CSV or Parquet, into a history, by a mapping that you edit.

    First --begin, then --try and edit MAP until it says what is meant, then --out FOLDER. What was never written down
    stays unknown, also whether a visit was a search. Rows that cannot be used are said and left out; then
    the exit code is 2.
    """
    if sum((begin, as_trial, folder is not None)) != 1:
        raise InputError("one of three is wanted", where="fleet orders", allowed="--begin, --try or --out FOLDER")
    if not path.is_file():
        raise InputError("is not a file", where=str(path), allowed="work orders as CSV or Parquet")
    heard = Heard(show)
    with fleet_libraries():
        if begin:
            return _begin(path, mapping, as_json)
        if folder is None:
            return _try(path, mapping, unclear, heard, as_json)
        return _write(path, mapping, folder, heard, as_json)


def _begin(path: Path, mapping: Path, as_json: bool) -> int:
    from leakinfer.fleet.orders.begin import begin_mapping

    if mapping.exists():
        raise InputError("exists already", where=str(mapping), allowed="a new name")
    begun = begin_mapping(path)
    mapping.write_text(begun.text, encoding="utf-8")
    if as_json:
        print_json({"mapping": str(mapping), "look_at": list(begun.doubts)})
        return 0
    if begun.doubts:
        click.echo("  Look at this in the mapping:")
        click.echo(bullets(begun.doubts, "-"))
    command = f"leakinfer fleet orders {path} --mapping {mapping} --try"
    click.echo(wrapped(f"Written: {mapping}. Next: {command}"))
    return 0


def _understood(path: Path, mapping: Path, heard: Heard) -> tuple[Book, Log, Record]:
    from leakinfer.fleet.history.badrows import Log
    from leakinfer.fleet.orders.book import understand
    from leakinfer.fleet.orders.mapping import load_mapping

    log, dictionary = Log(heard.take), load_mapping(mapping, load_catalogue())
    return understand(path, dictionary, log), log, dictionary.mapping.record


def _try(path: Path, mapping: Path, unclear: bool, heard: Heard, as_json: bool) -> int:
    book, log, _ = _understood(path, mapping, heard)
    rows = [row for row in book.rows if row.left_over or not unclear]
    if as_json:
        print_json({"rows": [_row_answer(row) for row in rows], **_counts(book, log, heard)})
        return heard.say()
    for row in rows:
        click.echo(heading(f"{row.order.spot}: {row.system}, {row.day}, {row.kind.system.name}"))
        click.echo(pairs(_row_page(row)))
    click.echo(heading("All rows"))
    click.echo(pairs(_said(book, log)))
    return heard.say()


def _row_page(row: Understood) -> list[tuple[str, str]]:
    hits = [hit for piece in row.pieces for hit in piece.hits if hit.phrase.say != "nothing"]
    shown = [("understood", "; ".join(hit.words(row.kind) for hit in hits) or "nothing")]
    if row.left_over:
        shown.append(("not understood", " ".join(row.left_over)))
    return [*shown, ("so", _so(row))]


def _so(row: Understood) -> str:
    """What a row comes to."""
    said = row.said
    parts = [f"leak at {leak.words}" if leak.sites or leak.component else "leak, place unknown" for leak in said.leaks]
    parts += [f"{place.words} was tight" for place in said.tight]
    parts += [f"{place.words} {'exchanged' if new else 'repaired'}" for place, new in said.repaired.items()]
    parts.append({"yes": "searched", "no": "not searched"}.get(said.searched_word, "search unknown"))
    parts += ["topped up"] if said.topped_up else []
    masses = (("put in", row.added_kg), ("taken out", row.recovered_kg))
    return "; ".join([*parts, *(f"{kg:.3g} kg {words}" for words, kg in masses if kg is not None)])


def _row_answer(row: Understood) -> dict[str, Any]:
    said = row.said
    hits = [hit for piece in row.pieces for hit in piece.hits]
    return {
        "spot": row.order.spot,
        "system": row.system,
        "visit": row.visit,
        "day": row.day.isoformat(),
        "type": row.kind.system.id,
        "understood": [{"text": hit.text, "phrase": hit.number, "means": hit.words(row.kind)} for hit in hits],
        "not_understood": list(row.left_over),
        "leaks": [leak.words for leak in said.leaks],
        "tight": [place.words for place in said.tight],
        "repaired": {place.words: "exchanged" if new else "repaired" for place, new in said.repaired.items()},
        "searched": said.searched_word,
        "topped_up": said.topped_up,
        "added_kg": row.added_kg,
        "recovered_kg": row.recovered_kg,
    }


def _write(path: Path, mapping: Path, folder: Path, heard: Heard, as_json: bool) -> int:
    from leakinfer.fleet.history.writing import refuse_taken, write_history
    from leakinfer.fleet.orders.tables import order_tables

    refuse_taken(folder)
    book, log, record = _understood(path, mapping, heard)
    if not book.rows:
        heard.say()
        raise InputError("no row can be used", where=str(path), allowed="see --try")
    tables, remarks = order_tables(book, record, load_catalogue())
    write_history(tables, folder)
    rows = {name: len(part) for name, part in tables.items()}
    if as_json:
        print_json({"folder": str(folder), "tables": rows, "notes": dict(remarks), **_counts(book, log, heard)})
        return heard.say()
    said = [*_said(book, log), *((name, f"{count:,} rows") for name, count in rows.items())]
    click.echo(pairs([*said, *(("note", f"{count:,} {what}") for what, count in remarks.items())]))
    click.echo(wrapped(f"Written: {folder}. Next: leakinfer fleet check {folder}", first="\n  "))
    return heard.say()


def _said(book: Book, log: Log) -> list[tuple[str, str]]:
    unclear = sum(bool(row.left_over) for row in book.rows)
    said = [("rows", f"{log.rows:,}, of which {len(book.rows):,} can be used")]
    said += [("left out", f"{count:,} {reason}") for reason, count in sorted(log.left_out.items())]
    said.append(("unclear", f"{unclear:,} rows with words that no phrase takes"))
    commonest = book.words_left_over().most_common(COMMONEST)
    return [*said, ("such words", ", ".join(f"{word} {count}" for word, count in commonest))] if commonest else said


def _counts(book: Book, log: Log, heard: Heard) -> dict[str, Any]:
    words = Counter(dict(book.words_left_over().most_common(COMMONEST)))
    return {
        "rows_read": log.rows,
        "rows_used": len(book.rows),
        "left_out": dict(sorted(log.left_out.items())),
        "words_not_understood": dict(words),
        "bad_rows": heard.faults.count,
        "faults": [plain_fault(bad) for bad in heard.faults.first],
        "remarks": [plain_fault(bad) for bad in heard.remarks.first],
    }

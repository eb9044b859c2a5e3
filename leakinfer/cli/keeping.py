"""``export``, ``import`` and ``backup``: jobs as plain files that can be read elsewhere, and copies to be safe."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.cli.answer import print_json
from leakinfer.cli.entry import USAGE_ERROR
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import wrapped
from leakinfer.errors import InputError
from leakinfer.reading import read_text
from leakinfer.session.jobfile import opened
from leakinfer.store import Backup, Journal, backup, export_json, export_text, import_json, parse_export, write_export


@click.command("export")
@click.argument("path", metavar="JOB", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="A new file for it.")
@json_option
def export_job(path: Path, out: Path | None, as_json: bool) -> None:
    """Write all that was told in a job as one JSON file, with the checksums that 'leakinfer import' looks at.

    Without --out the screen gets it.
    """
    with Journal.open(path) as journal:
        data = export_json(journal)
    if out is not None:
        write_export(data, out)
        data = {"exported": str(out), "events": len(data["events"])}
    if as_json:
        print_json(data)
    elif out is None:
        click.echo(export_text(data), nl=False)
    else:
        click.echo(f"  Written: {out}, events {data['events']}")


@click.command("import")
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@click.argument("path", metavar="JOB", type=click.Path(path_type=Path))
@json_option
def import_job(file: Path, path: Path, as_json: bool) -> None:
    """Make the new job file JOB from a FILE that 'leakinfer export' wrote. A file that was changed is refused."""
    data = parse_export(read_text(file), str(file))
    import_json(data, path, where=str(file))
    note, count = _note(path), len(data["events"])
    if as_json:
        print_json({"imported": str(path), "events": count, "note": note})
        return
    click.echo(f"  Imported: {path}, events {count}")
    if note:
        click.echo(wrapped(f"It cannot be worked with here yet. {note}"))


def _note(path: Path) -> str:
    """What keeps the job from being worked with here, as learned priors that are on another machine."""
    try:
        with opened(path):
            return ""
    except InputError as error:
        return error.line()


@click.command("backup")
@click.argument("source", metavar="JOB|FOLDER", type=click.Path(path_type=Path))
@click.option(
    "--to", "target", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="Where copies are kept."
)
@json_option
def back_up(source: Path, target: Path, as_json: bool) -> int:
    """Copy a job, or all jobs of a folder, into a new folder named after the time; others may write meanwhile.

    Each copy is checked. To restore a job, copy its file back.
    """
    made = backup(source, target)
    if as_json:
        print_json(_answer(made))
    else:
        for saved in made.saved:
            click.echo(f"  Saved: {saved.copy}, events {saved.events}")
    for error in made.damaged:
        click.echo(f"leakinfer: {error.line()}", err=True)
    return USAGE_ERROR if made.damaged else 0


def _answer(made: Backup) -> dict[str, Any]:
    """One object with all copies and, if a job could not be saved, the first error in the shape of every command."""
    errors = [{"what": error.what, "where": error.where, "allowed": error.allowed} for error in made.damaged]
    saved = [{"job": str(one.source), "copy": str(one.copy), "events": one.events} for one in made.saved]
    first = {"error": errors[0]} if errors else {}
    return {"folder": str(made.folder), "saved": saved, "damaged": errors, **first}

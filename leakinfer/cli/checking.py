"""``check``: whether job files, system files, priors folders and learned priors can be used."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.catalogue.laying import provenance_words, with_learned
from leakinfer.catalogue.learned import is_learned, read_learned
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.reader import check_against, load_system, shipped_systems
from leakinfer.cli.answer import print_json
from leakinfer.cli.entry import USAGE_ERROR
from leakinfer.cli.options import json_option
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.reading import shipped
from leakinfer.session.jobfile import opened


@click.command("check")
@click.argument("files", metavar="[FILE|FOLDER]...", nargs=-1)
@json_option
def check(files: tuple[str, ...], as_json: bool) -> int:
    """Check job files, system files (.toml), priors folders and learned priors (.toml).

    Without any, all that comes with the program is checked.

    All are checked, also behind a bad one. Nothing is changed.
    """
    names = files or (str(shipped("priors")), *shipped_systems())
    results = [_checked(name) for name in names]
    bad = [result for result in results if isinstance(result["error"], InputError)]
    if as_json:
        _answer(results, bad)
    else:
        for result in results:
            if result["error"] is None:
                click.echo(f"  sound: {result['file']} ({result['words']})")
    for result in bad:
        click.echo(f"leakinfer: {result['error'].line()}", err=True)
    return USAGE_ERROR if bad else 0


def _answer(results: list[dict[str, Any]], bad: list[dict[str, Any]]) -> None:
    """One object with all files, and the first error in the shape of every other command."""
    files = [{**result, "error": _plain(result["error"])} for result in results]
    first = {"error": _plain(bad[0]["error"])} if bad else {}
    print_json({"sound": not bad, "files": files, **first})


def _plain(error: InputError | None) -> dict[str, str] | None:
    return None if error is None else {"what": error.what, "where": error.where, "allowed": error.allowed}


def _checked(name: str) -> dict[str, Any]:
    """What a file is and whether it is sound."""
    try:
        return {"file": name, "words": _words(name), "error": None}
    except InputError as error:
        return {"file": name, "words": "", "error": error}


def _words(name: str) -> str:
    path = Path(name)
    if path.is_dir():
        catalogue = load_catalogue(path)
        return f"priors: {len(catalogue.components)} kinds of parts, {len(catalogue.methods)} ways of testing"
    if path.suffix == ".toml" and path.is_file() and is_learned(path):
        return _learned_words(path)
    if path.suffix == ".toml" or name.partition(":")[0] in shipped_systems():
        system = load_system(name)
        catalogue = load_catalogue()
        check_against(system, catalogue.components, catalogue.exposures, name)
        return f"system: {system.name}, {len(system.sites)} sites"
    with opened(path) as held:
        Belief(held.job)
        return f"job: {held.job.system.name}, findings {len(held.job.findings)}, events {held.last}"


def _learned_words(path: Path) -> str:
    """Learned priors that can be laid over the shipped ones."""
    learned = read_learned(path)
    with_learned(load_catalogue(), learned, "", str(path))
    return f"learned priors: {len(learned.component)} kinds of parts, {provenance_words(learned.provenance)}"

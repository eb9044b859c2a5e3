"""``fleet fit`` and ``fleet compare``: learned priors from histories or cells, and how well they foretell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leakinfer.catalogue.learned import LearnedPriors, Moved
from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli.answer import print_json
from leakinfer.cli.fleet import fleet_libraries
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import bullets, pairs, table, wrapped
from leakinfer.errors import InputError

if TYPE_CHECKING:
    from leakinfer.fleet.cells.model import Cells
    from leakinfer.fleet.rates.compare import Scores
    from leakinfer.fleet.sampling import Effort

SHOWN = 12  # classes and circumstances on the screen; the report has all

_PATH = click.Path(path_type=Path)
sources = click.argument("sources", metavar="HISTORY|CELLS...", nargs=-1, required=True, type=_PATH)


def _effort_options(function: Any) -> Any:
    for option, default, words in (
        ("--draws", 600, "Draws of each chain that are kept."),
        ("--tune", 600, "Draws of each chain to tune the sampler with."),
        ("--chains", 4, "Chains."),
    ):
        function = click.option(option, default=default, type=click.IntRange(min=1), help=words, show_default=True)(
            function
        )
    return function


@click.command("fit")
@sources
@click.option("--out", required=True, type=click.Path(path_type=Path), help="The file of learned priors to write.")
@click.option("--seed", default=1, type=click.IntRange(min=0), help="Of the sampler.", show_default=True)
@_effort_options
@click.option("--processes", default=1, type=click.IntRange(min=1), help="That read the history.", show_default=True)
@click.option("--priors", type=click.Path(path_type=Path), metavar="FOLDER", help="Priors to move, not the shipped.")
@click.option("--force", is_flag=True, help="Write the file although the fit is refused, and mark it as untrusted.")
@json_option
def fit(
    sources: Sequence[Path], out: Path, seed: int, processes: int, priors: Path | None, force: bool, as_json: bool,
    **effort: int,
) -> None:  # fmt: skip
    """Learn priors from histories or cells, and write the file that 'leakinfer new --priors' reads.

    The posterior sample is stored beside it (.nc, ArviZ's netCDF), also when the fit is refused.
    """
    with fleet_libraries():
        from leakinfer.catalogue.learned import write_learned

        catalogue = load_catalogue(priors)
        cells = cells_from(sources, catalogue, processes)
        found = _fitted(cells, catalogue, seed, effort_of(effort, as_json), out)
        refuse(found, out, force=force)
        write_learned(found, out)
    _answer(found, out, as_json)


def refuse(found: LearnedPriors, out: Path, *, force: bool) -> None:
    """Raise with all reasons why a fit is not to be trusted, unless it was forced."""
    reasons = found.provenance.reasons
    if reasons and not force:
        what = f"is not written, the fit is not to be trusted: {'; '.join(reasons)}"
        raise InputError(what, where=str(out), allowed="more draws or data, or --force to write it marked as untrusted")


def effort_of(given: dict[str, int], quiet: bool) -> Effort:
    """How much to sample; with bars on the terminal behind stderr, none where nobody watches."""
    from rich.console import Console

    from leakinfer.fleet.sampling import Effort

    watched = not quiet and Console(stderr=True).is_terminal
    return Effort(given["chains"], given["tune"], given["draws"], progress=watched)


def cells_from(
    given: Sequence[Path],
    catalogue: Catalogue,
    processes: int,
    *,
    since: date | None = None,
    until: date | None = None,
) -> Cells:
    """The cells of histories (folders) and of files of cells, together."""
    from leakinfer.fleet.cells.model import load, total
    from leakinfer.fleet.cells.reduce import reduce_history
    from leakinfer.fleet.settings import load_settings

    folders, files = [path for path in given if path.is_dir()], [path for path in given if not path.is_dir()]
    if files and (since or until):
        raise InputError("holds no dates any more", where=str(files[0]), allowed="histories, which are folders")
    parts = [load(path) for path in files]
    for path, part in zip(files, parts, strict=True):
        if part.scale.priors != catalogue.digest:
            allowed = "cells counted anew with these priors: leakinfer fleet cells"
            raise InputError("were counted with other priors", where=str(path), allowed=allowed)
    if folders:
        parts.append(reduce_history(folders, catalogue, load_settings(), processes=processes, since=since, until=until))
    return total(parts)


def _fitted(cells: Cells, catalogue: Catalogue, seed: int, effort: Effort, out: Path) -> LearnedPriors:
    """The fit of the rates and, where tests were written down, of the methods."""
    from leakinfer.fleet.methods.model import fit_methods
    from leakinfer.fleet.rates.learn import fit_cells, learned
    from leakinfer.fleet.sampling import save
    from leakinfer.fleet.settings import load_settings

    settings = load_settings()
    found = fit_cells(cells, catalogue, settings, seed, effort)
    save(found.sample.raw, out.with_suffix(".nc"))
    methods = fit_methods(cells, catalogue, settings, seed, effort)
    if methods is None:
        return learned(found, cells, catalogue, settings, seed)
    save(methods.sample.raw, out.with_suffix(".methods.nc"))
    return learned(found, cells, catalogue, settings, seed, methods.learned, [methods.sample.diagnostics])


def _answer(found: LearnedPriors, out: Path, as_json: bool) -> None:
    if as_json:
        from msgspec import to_builtins

        print_json({"file": str(out), "learned": to_builtins(found)})
        return
    click.echo(_page(found))
    if found.provenance.reasons:
        click.echo(bullets(("NOT TO BE TRUSTED", *found.provenance.reasons), "!"))
    click.echo(wrapped(f"Written: {out}. Next: leakinfer fleet report {out}", first="\n  "))


def _page(found: LearnedPriors) -> str:
    origin = found.provenance
    said = [
        ("history", f"{origin.systems} systems, {origin.rows} rows ({origin.rows_left_out} left out, see fleet check)"),
        ("time", f"{origin.first_day} to {origin.last_day}"),
        ("sampler", f"R-hat {origin.worst_rhat:.3f}, ESS {origin.least_ess:.0f}, {origin.divergences} diverged"),
    ]
    rates = _moved_most([(one.id, one.leaks, one.mean) for one in found.component])
    ratios = _moved_most([(one.id, one.looked, one.ratio) for one in found.exposure])
    more = ("shipped", "learned", "95 %", "moved")
    return "\n".join(
        [
            pairs(said),
            "\n  Leaks a component-year, those that moved most first:\n",
            table(("component class", "leaks", *more), rates, right=(1, 2, 3, 4, 5), fixed=(0,)),
            "\n  Hazard ratios of circumstances:\n",
            table(("circumstance", "looked at", *more), ratios, right=(1, 2, 3, 4, 5), fixed=(0,)),
        ]
    )


def _moved_most(numbers: Sequence[tuple[str, int, Moved]]) -> list[tuple[str, ...]]:
    """Rows of the numbers that moved by the largest factor, up or down: id, how many bear on it, and the number."""
    ordered = sorted(numbers, key=lambda one: -abs(math.log(one[2].value / one[2].shipped)))
    return [
        (
            name,
            str(count),
            f"{told.shipped:.2g}",
            f"{told.value:.2g}",
            f"{told.low:.2g} to {told.high:.2g}",
            f"x {told.value / told.shipped:.2f}",
        )
        for name, count, told in ordered[:SHOWN]
    ]


@click.command("compare")
@click.argument("folders", metavar="HISTORY...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--after", required=True, metavar="DATE", help="Fit to visits before this day, score those from it on.")
@click.option("--seed", default=1, type=click.IntRange(min=0), help="Of the sampler.", show_default=True)
@_effort_options
@click.option("--processes", default=1, type=click.IntRange(min=1), help="That read the history.", show_default=True)
@json_option
def compare(folders: Sequence[Path], after: str, seed: int, processes: int, as_json: bool, **effort: int) -> None:
    """Do learned priors foretell later years better than the shipped ones, or than bare counts?

    Log scores of the leaks found from DATE on, cell by cell, in nats: the higher the better.
    """
    split = _day(after)
    with fleet_libraries():
        from leakinfer.fleet.rates.compare import compare as scored
        from leakinfer.fleet.rates.learn import fit_cells
        from leakinfer.fleet.settings import load_settings

        catalogue = load_catalogue()
        earlier = cells_from(folders, catalogue, processes, until=split)
        later = cells_from(folders, catalogue, processes, since=split)
        found = fit_cells(earlier, catalogue, load_settings(), seed, effort_of(effort, as_json))
        scores = scored(found, earlier, later, seed)
    if as_json:
        print_json(asdict(scores))
        return
    click.echo(_score_page(scores))


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"'{text}' is no date", where="--after", allowed="a day as 2024-01-01") from error


def _score_page(scores: Scores) -> str:
    rows = [("learned", f"{scores.learned:.1f}", "", "")]
    for name, other, errors in (
        ("shipped", scores.shipped, scores.over_shipped),
        ("counts per class", scores.counts, scores.over_counts),
    ):
        rows.append((name, f"{other:.1f}", f"{scores.learned - other:+.1f}", f"{errors:.1f}"))
    heads = ("priors", "log score", "learned is better by", "in standard errors")
    said = f"{scores.leaks} leaks found later, in {scores.cells} cells; log score in nats, the higher the better."
    return f"{wrapped(said)}\n\n{table(heads, rows, right=(1, 2, 3), fixed=(0,))}"

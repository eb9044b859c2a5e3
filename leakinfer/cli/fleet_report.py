"""``fleet report``: a page to read on a file of learned priors."""

from __future__ import annotations

from pathlib import Path

import click

from leakinfer.catalogue.learned import read_learned
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli.answer import print_json
from leakinfer.cli.fleet import fleet_libraries
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import wrapped


@click.command("report")
@click.argument("path", metavar="LEARNED", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="PAGE", help="The page; else LEARNED with .html.")
@click.option("--priors", type=click.Path(path_type=Path), metavar="FOLDER", help="The priors that the fit moved.")
@json_option
def report(path: Path, out: Path | None, priors: Path | None, as_json: bool) -> None:
    """Write one HTML page on LEARNED, a file of learned priors: what moved, and what to do about it.

    Everything is inside the page: it can be mailed, printed and read without a network.
    """
    catalogue = load_catalogue(priors)
    learned = read_learned(path)
    page = path.with_suffix(".html") if out is None else out
    with fleet_libraries():
        from leakinfer.report.fleet.page import write_page

        write_page(learned, catalogue, page, str(path))
    if as_json:
        print_json({"page": str(page), "trusted": learned.provenance.trusted})
        return
    if not learned.provenance.trusted:
        click.echo(wrapped("The fit is not to be trusted, and the page says so at its top.", first="  note "))
    click.echo(wrapped(f"Written: {page}"))

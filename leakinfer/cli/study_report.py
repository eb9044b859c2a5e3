"""``study report``: a page to read on a study that was played."""

from __future__ import annotations

from pathlib import Path

import click

from leakinfer.cli.answer import print_json
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import wrapped
from leakinfer.cli.study import study_libraries

_PATH = click.Path(path_type=Path)


@click.command("report")
@click.argument("folder", metavar="FOLDER", type=_PATH)
@click.option("--out", required=True, type=_PATH, metavar="PAGE", help="The page to write (HTML).")
@json_option
def report(folder: Path, out: Path, as_json: bool) -> None:
    """Write one HTML page on the study in FOLDER: which way of searching is better, and can the chances be trusted?

    Everything is inside the page: it can be mailed, printed and read without a network.
    """
    with study_libraries():
        from leakinfer.report.study.page import write_page
        from leakinfer.study.measures import results
        from leakinfer.study.policies import POLICIES
        from leakinfer.study.running import read
        from leakinfer.study.small import regrets

        tables = read(folder)
        shipped = [POLICIES[name] for name in tables.plan.policies if name in POLICIES]
        write_page(results(tables, regrets(shipped)), out)
    if as_json:
        print_json({"page": str(out), "jobs": len(tables.jobs)})
        return
    click.echo(wrapped(f"Written: {out}"))

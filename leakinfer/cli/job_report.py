"""``report``: the report on a job, as a page or as a PDF."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import click

from leakinfer.cli.answer import print_json
from leakinfer.cli.extras import needing
from leakinfer.cli.options import chosen_units, job_argument, json_option
from leakinfer.cli.screen import bullets, wrapped
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.planner.plan import dearer_work, make_plan
from leakinfer.report.job.record import Record
from leakinfer.session.given import day_of
from leakinfer.session.jobfile import opened
from leakinfer.words.units import METRIC, Units, units_named

EXTRA = ("jinja2", "markupsafe", "fpdf", "fontTools", "matplotlib")  # what the extra installs


@click.command("report")
@job_argument
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE", help="Ends with .html or .pdf.")
@click.option("--units", metavar="metric|us|P,T,M", help="Units of the reader, as 'psig,F,oz'; else as you read.")
@click.option("--title", metavar="TEXT", help="What people call the job; without it as it was begun.")
@click.option("--today", metavar="DAY", help="If not today.")
@json_option
def report(
    path: Path, priors: Path | None, out: Path, units: str | None, title: str | None, today: str | None, as_json: bool
) -> None:
    """Write the report on JOB: for the customer, the file and the next technician.

    Everything is inside the file: it can be mailed, printed and read without a network.
    """
    write, chosen = _writer(out), chosen_units(METRIC) if units is None else units_named(units, "--units")
    day = date.today() if today is None else day_of(today, "--today")
    record = _record(path, priors, title, chosen, day)
    with needing("report", EXTRA):
        write(record, out)
    if as_json:
        print_json({"report": str(out), "decision": record.ending.word, "notices": list(record.notices)})
        return
    if record.notices:
        click.echo(bullets(record.notices, "note"))
    click.echo(wrapped(f"Written: {out}"))


def _record(path: Path, priors: Path | None, title: str | None, units: Units, day: date) -> Record:
    with opened(path, priors) as held:
        events = held.journal.events()
        belief, notices = Belief(held.job), held.notices
    plan = dearer_work(belief, make_plan(belief))
    told = title or events[0].body.get("title")
    name = " ".join(str(told).split()) if told else path.stem
    return Record(name, belief, plan, events, day, units, notices)


def _writer(out: Path) -> Callable[[Record, Path], None]:
    """What writes a file of that ending."""
    writers = {".html": _write_page, ".pdf": _write_pdf}
    if out.suffix.lower() not in writers:
        raise InputError(f"'{out.suffix}' is no ending of a report", where="--out", allowed=", ".join(writers))
    return writers[out.suffix.lower()]


def _write_page(record: Record, out: Path) -> None:
    from leakinfer.report.job.page import job_page

    out.write_text(job_page(record), "utf-8", newline="\n")


def _write_pdf(record: Record, out: Path) -> None:
    from leakinfer.report.job.pdf import job_pdf

    out.write_bytes(job_pdf(record))

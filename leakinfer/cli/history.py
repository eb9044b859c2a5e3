"""``history``: job files written down as the tables of a history."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import click

from leakinfer.cli.answer import print_json
from leakinfer.cli.entry import USAGE_ERROR
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import pairs, wrapped
from leakinfer.errors import InputError
from leakinfer.fleet.export.jobs import Attended, Exported, JobRecord, before, job_tables, visit_days
from leakinfer.fleet.history.writing import Tables, refuse_taken, systems_in, together, write_history
from leakinfer.job.events import FACTS, REPAIR, RETURN, after, begun
from leakinfer.job.job import Job
from leakinfer.session.given import day_of
from leakinfer.session.jobfile import opened
from leakinfer.store import Event, live


@click.command("history")
@click.argument("paths", metavar="JOB...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", "folder", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="To write to.")
@click.option("--add", is_flag=True, help="Add to the history that is in FOLDER.")
@click.option("--installer", default="", metavar="NAME", help="The firm or crew that built these systems.")
@click.option(
    "--commissioned",
    multiple=True,
    metavar="[JOB=]DATE",
    help="When a system was built, as 2019-05-01 or cellar=2019-05-01; without it the age that the job was told.",
)
@json_option
def history(
    paths: Sequence[Path], folder: Path, add: bool, installer: str, commissioned: Sequence[str], as_json: bool
) -> int:
    """Write each JOB down as one system of a history: seven tables (CSV) that 'leakinfer fleet' reads.

    The file's name becomes the system's. A visit counts as a search where sweeps, shrouds or tests of single places
    took in every place that is fitted; else it is left open. A job that cannot be used is said and left out; then the
    exit code is 2.
    """
    built = _built(commissioned, paths)
    if not add:
        refuse_taken(folder)
    taken = set(systems_in(folder))
    done: dict[str, Exported] = {}
    faults: list[InputError] = []
    for path in paths:
        try:
            _refuse_twice(path, taken | set(done), folder)
            done[path.stem] = job_tables(_record(path, built.get(path.stem), installer))
        except InputError as error:
            faults.append(error)
    tables = together(exported.tables for exported in done.values())
    if done:
        write_history(tables, folder)
    _print(tables, done, folder, faults, as_json)
    for fault in faults:
        click.echo(f"leakinfer: {fault.line()}", err=True)
    return USAGE_ERROR if faults else 0


def _built(given: Sequence[str], paths: Sequence[Path]) -> dict[str, date]:
    """By system, the day on which it was built.

    Raises:
        InputError: no day, no such job, or a day without a job where there are several.
    """
    names = [path.stem for path in paths]
    built: dict[str, date] = {}
    for text in given:
        name, equals, day = text.rpartition("=")
        name = Path(name).stem if equals else names[0]
        if name not in names or (not equals and len(names) > 1):
            what = f"no job '{name}'" if equals else "says not of which job"
            raise InputError(what, where="--commissioned", allowed=", ".join(f"{one}=DATE" for one in names[:12]))
        built[name] = day_of(day, "--commissioned")
    return built


def _refuse_twice(path: Path, taken: set[str], folder: Path) -> None:
    if path.stem in taken:
        allowed = f"systems that are not in {folder} yet, or a file of another name"
        raise InputError(f"system '{path.stem}' is there already", where=str(path), allowed=allowed)


def _record(path: Path, commissioned: date | None, installer: str) -> JobRecord:
    """A job file with its dates.

    Raises:
        InputError: it cannot be used, or nobody told when the system was built.
    """
    with opened(path) as held:
        events, catalogue = live(held.journal.events()), held.job.catalogue
    job = begun(events[0].body, catalogue, str(path))
    stages: list[Job] = []
    for event in events[1:]:
        if event.kind in (REPAIR, RETURN):
            stages.append(job)
        job = after(job, event.kind, event.body, str(path))
    visits = _visits(events, job)
    built = _commissioned(path, events, job, visits[0].day) if commissioned is None else commissioned
    return JobRecord(path.stem, (*stages, job), visits, built, installer)


def _commissioned(path: Path, events: Sequence[Event], job: Job, first: date) -> date:
    told = [events[0].body.get("facts", {}), *(event.body for event in events if event.kind == FACTS)]
    if not any("age_years" in facts for facts in told):
        allowed = f"--commissioned DATE, or 'leakinfer fact {path} age=...'"
        raise InputError("nobody told how old the system is", where=str(path), allowed=allowed)
    return before(first, job.facts.age_years)


def _visits(events: Sequence[Event], job: Job) -> tuple[Attended, ...]:
    """The first visit and each return: the day (UTC), and who told most there."""
    begins = [0, *(place for place, event in enumerate(events) if event.kind == RETURN)]
    told = [date.fromisoformat(events[place].when[:10]) for place in begins]
    days = visit_days(told, [later.years for later in job.returns])
    ends = [*begins[1:], len(events)]
    return tuple(Attended(day, _who(events[begin:end])) for day, begin, end in zip(days, begins, ends, strict=True))


def _who(events: Sequence[Event]) -> str:
    names = Counter(event.who for event in events if event.who)
    return names.most_common(1)[0][0] if names else ""


def _print(
    tables: Tables, done: Mapping[str, Exported], folder: Path, faults: Sequence[InputError], as_json: bool
) -> None:
    left_out = sum((Counter(exported.left_out) for exported in done.values()), Counter())
    if as_json:
        plain = [{"what": one.what, "where": one.where, "allowed": one.allowed} for one in faults]
        first: dict[str, Any] = {"error": plain[0]} if plain else {}
        rows = {name: len(part) for name, part in tables.items()}
        about = {"folder": str(folder), "systems": list(done), "rows": rows, "left_out": dict(left_out)}
        print_json({**about, "not_usable": plain, **first})
        return
    if not done:
        return
    said = [("systems", ", ".join(done)), *((name, f"{len(rows)} rows") for name, rows in tables.items())]
    said += [("left out", f"{count} {reason}") for reason, count in left_out.items()]
    click.echo(pairs(said))
    click.echo(wrapped(f"Written: {folder}. Next: leakinfer fleet check {folder}", first="\n  "))

"""``notes`` and ``advice``: how a place is repaired and kept tight, and what to tell the owner."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.catalogue.model import Advice, Repair
from leakinfer.cli.answer import print_json
from leakinfer.cli.options import job_argument, json_option
from leakinfer.cli.screen import bullets, heading, pairs, wrapped
from leakinfer.job.advice import advice_for
from leakinfer.job.job import Job
from leakinfer.planner.candidates import cautions
from leakinfer.reading import known
from leakinfer.session.ending import cautions_of
from leakinfer.session.jobfile import opened
from leakinfer.words.numbers import minutes, percent


@click.command("notes")
@job_argument
@click.argument("site", metavar="SITE")
@json_option
def notes(path: Path, priors: Path | None, site: str, as_json: bool) -> None:
    """How SITE is repaired, proved tight afterwards, and kept from leaking again."""
    with opened(path, priors) as held:
        job = held.job
    place = job.site(known(site, [found.id for found in job.sites], what="site", where="site"))
    entry = job.catalogue.repairs[place.component]
    if as_json:
        print_json({"site": site, "name": place.name, **_repair_answer(job, entry)})
        return
    click.echo(heading(f"{place.name} ({site})"))
    click.echo(bullets(cautions_of(job, entry), "!"))
    click.echo("\n" + pairs(_rows(job, entry)))


def _rows(job: Job, entry: Repair) -> list[tuple[str, str]]:
    first = "; the charge comes out first" if entry.opens_circuit else ""
    return [
        ("part", job.catalogue.components[entry.component].name),
        ("repair", entry.repair),
        ("takes", f"about {minutes(entry.minutes)} once all is ready{first}"),
        ("prove it", entry.verify),
        ("so that it lasts", entry.prevent),
        ("may fail", f"the old leak is still there afterwards in {percent(entry.fails)}"),
        ("known by", f"{entry.known}: {entry.source}"),
    ]


def _repair_answer(job: Job, entry: Repair) -> dict[str, Any]:
    return {
        "component": entry.component,
        "repair": entry.repair,
        "verify": entry.verify,
        "prevent": entry.prevent,
        "minutes": entry.minutes,
        "opens_circuit": entry.opens_circuit,
        "fails": entry.fails,
        "cautions": cautions_of(job, entry),
        "source": entry.source,
        "known": entry.known,
    }


@click.command("advice")
@job_argument
@json_option
def advice(path: Path, priors: Path | None, as_json: bool) -> None:
    """What to tell the owner beside the leaks: from what is fitted, what was found there, and what you noticed.

    'leakinfer fact JOB noticed=oil_left_behind' tells what your eyes saw; a wrong word lists those that there are.
    """
    with opened(path, priors) as held:
        job = held.job
    entries = advice_for(job)
    if as_json:
        print_json({"advice": [_advice_answer(job, entry) for entry in entries]})
        return
    click.echo(heading("Tell the owner"))
    for entry in entries:
        click.echo(wrapped(f"{entry.name}: {entry.text}", "    ", "  - "))
        if entry.cautions:
            click.echo(wrapped(" ".join(cautions(job, entry.cautions)), "      ", "    ! "))
    if not entries:
        click.echo("  Nothing so far.")
    told = [entry.id for entry in job.catalogue.advice.values() if entry.told and entry.id not in job.facts.seen]
    click.echo(wrapped(f"If you see it, tell it (leakinfer fact {path} noticed=...): {', '.join(told)}", first="\n  "))


def _advice_answer(job: Job, entry: Advice) -> dict[str, Any]:
    return {
        "advice": entry.id,
        "name": entry.name,
        "text": entry.text,
        "cautions": list(cautions(job, entry.cautions)),
        "source": entry.source,
        "known": entry.known,
    }

"""``repair``, ``back``, ``aired`` and ``log``: what happens after a search, and all that was told so far."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.catalogue.model import Repair
from leakinfer.cli import pages
from leakinfer.cli.answer import belief_answer, print_json
from leakinfer.cli.given import years
from leakinfer.cli.options import job_argument, json_option, who_option
from leakinfer.cli.screen import bullets, pairs, wrapped
from leakinfer.job.belief import Belief
from leakinfer.job.events import AIRED, REPAIR, RETURN, after, begun, body_of
from leakinfer.job.job import Job
from leakinfer.job.later import Aired, Repaired, Return
from leakinfer.physics.units import parse_quantity
from leakinfer.planner.candidates import cautions
from leakinfer.session.jobfile import opened, tell
from leakinfer.store import live
from leakinfer.words.job import event_words, part_words, place_words, return_words


@click.command("repair")
@job_argument
@click.argument("target", metavar="SITE|UNIT")
@click.option("--exchanged", is_flag=True, help="The part is new.")
@click.option("--note", default="", metavar="TEXT", help="Anything to remember.")
@who_option
@json_option
def repair(path: Path, priors: Path | None, target: str, exchanged: bool, note: str, who: str, as_json: bool) -> None:
    """A site or a whole repair unit of JOB was repaired. What is told after that is told of the repaired system."""
    with opened(path, priors) as held:
        told = Repaired(target, exchanged, note=" ".join(note.split()))
        job, belief = tell(held, REPAIR, body_of(told), who=who, where="repair")
    if as_json:
        print_json({"repair": body_of(job.repairs[-1]), **belief_answer(belief)})
        return
    click.echo(wrapped(f"{'New part' if exchanged else 'Repaired'}: {part_words(job, target)}", first="\n  "))
    click.echo(pages.change_page(Belief(held.job), belief, None))
    click.echo("\n  Prove it:")
    click.echo(bullets(dict.fromkeys(entry.verify for entry in entries_of(job, target)), "-"))


def entries_of(job: Job, target: str) -> list[Repair]:
    """What the catalogue says of repairs of a site, or of each kind of part of a repair unit."""
    kinds = dict.fromkeys(site.component for site in job.sites if target in (site.id, site.unit))
    return [job.catalogue.repairs[kind] for kind in kinds]


def cautions_of(job: Job, entry: Repair) -> list[str]:
    """The cautions of a repair that apply to the job's refrigerant, those of fire first."""
    return list(cautions(job, entry.cautions))


@click.command("back")
@job_argument
@click.option("--after", "after_time", required=True, metavar="TIME", help="Since the visit before, as '6 months'.")
@click.option("--missing", metavar="MASS", help="What is missing since then, as '200 g' or '7 oz'.")
@click.option("--not-recharged", is_flag=True, help="The charge was not put right when the visit before ended.")
@who_option
@json_option
def back(
    path: Path,
    priors: Path | None,
    after_time: str,
    missing: str | None,
    not_recharged: bool,
    who: str,
    as_json: bool,
) -> None:
    """A later visit to JOB begins: hoses are off, panels closed, the system stands on its charge."""
    kg = None if missing is None else parse_quantity(missing, "mass", "--missing")
    with opened(path, priors) as held:
        told = Return(years(after_time, "--after"), not not_recharged, kg)
        job, belief = tell(held, RETURN, body_of(told), who=who, where="back")
    if as_json:
        print_json({"back": body_of(job.returns[-1]), **belief_answer(belief)})
        return
    click.echo(wrapped(f"Back: {return_words(body_of(told))}", first="\n  "))
    click.echo(pages.change_page(Belief(held.job), belief, None))
    click.echo(wrapped(f"Where to look: leakinfer next {path}", first="\n  "))


@click.command("aired")
@job_argument
@click.argument("place", metavar="PLACE")
@who_option
@json_option
def aired(path: Path, priors: Path | None, place: str, who: str, as_json: bool) -> None:
    """PLACE was aired until a probe held in the middle of it fell silent: old gas there no longer counts."""
    with opened(path, priors) as held:
        job, belief = tell(held, AIRED, body_of(Aired(place)), who=who, where="aired")
    if as_json:
        print_json({"aired": body_of(job.airings[-1]), **belief_answer(belief)})
        return
    click.echo(wrapped(f"Aired: {place_words(job, place)}. Check the probe on a known leak before it goes on."))


@click.command("log")
@job_argument
@json_option
def log(path: Path, priors: Path | None, as_json: bool) -> None:
    """All that JOB was told, in order, without what was taken back."""
    with opened(path, priors) as held:
        events = live(held.journal.events())
        catalogue = held.job.catalogue
    job = begun(events[0].body, catalogue, str(path))
    lines: list[dict[str, Any]] = [_line(events[0], f"job on {job.system.name}")]
    for event in events[1:]:
        job = after(job, event.kind, event.body, str(path))
        lines.append(_line(event, event_words(job, event)))
    if as_json:
        print_json({"job": str(path), "log": lines})
        return
    rows = [
        (str(line["number"]), f"{line['when'][:16].replace('T', ' ')}{_who(line)}  {line['words']}") for line in lines
    ]
    click.echo(pairs(rows))


def _line(event: Any, words: str) -> dict[str, Any]:
    return {
        "number": event.number,
        "when": event.when,
        "who": event.who,
        "kind": event.kind,
        "words": words,
        "body": dict(event.body) if event.kind != "begin" else {},
    }


def _who(line: dict[str, Any]) -> str:
    return f" {line['who']}" if line["who"] else ""

"""``repair``, ``back``, ``aired`` and ``log``: what happens after a search, and all that was told so far."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.cli import pages
from leakinfer.cli.answer import belief_answer, print_json
from leakinfer.cli.options import chosen_units, job_argument, json_option, who_option
from leakinfer.cli.screen import bullets, pairs, wrapped
from leakinfer.job.belief import Belief
from leakinfer.job.events import AIRED, BEGIN, REPAIR, RETURN, body_of
from leakinfer.job.later import Aired, Repaired, Return
from leakinfer.physics.units import parse_quantity
from leakinfer.session.ending import entries_of
from leakinfer.session.given import years
from leakinfer.session.jobfile import opened, tell
from leakinfer.store import Event
from leakinfer.words.history import Line, told_so_far
from leakinfer.words.job import part_words, place_words, return_words
from leakinfer.words.units import BOTH


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
    click.echo(wrapped(f"Back: {return_words(body_of(told), chosen_units())}", first="\n  "))
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
        lines = told_so_far(held.journal.events(), held.job.catalogue, str(path))
    if as_json:
        print_json({"job": str(path), "log": [_line(line) for line in lines]})
        return
    units = chosen_units()
    rows = [
        (str(line.event.number), f"{line.event.when[:16].replace('T', ' ')}{_who(line.event)}  {line.words(units)}")
        for line in lines
    ]
    click.echo(pairs(rows))


def _line(line: Line) -> dict[str, Any]:
    event = line.event
    return {
        "number": event.number,
        "when": event.when,
        "who": event.who,
        "kind": event.kind,
        "words": line.words(BOTH),
        "body": dict(event.body) if event.kind != BEGIN else {},
    }


def _who(event: Event) -> str:
    return f" {event.who}" if event.who else ""

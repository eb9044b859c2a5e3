"""``skip``, ``site`` and ``undo``: what the job is told while it goes on, beside what tests find."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.circuit.model import Site
from leakinfer.cli.answer import print_json
from leakinfer.cli.options import chosen_units, job_argument, json_option, who_option
from leakinfer.cli.screen import wrapped
from leakinfer.errors import InputError
from leakinfer.job.events import SITE, SKIP, body_of
from leakinfer.job.finding import Skip
from leakinfer.reading import known
from leakinfer.session.jobfile import opened, tell
from leakinfer.words.history import event_words
from leakinfer.words.job import test_words
from leakinfer.words.numbers import percent


@click.command("skip")
@job_argument
@click.argument("target", metavar="TARGET")
@click.option("--reason", required=True, metavar="TEXT", help="Why, as 'no key'.")
@click.option("--method", metavar="M", help="Only this way of testing; without it all of them.")
@who_option
@json_option
def skip(
    path: Path, priors: Path | None, target: str, reason: str, method: str | None, who: str, as_json: bool
) -> None:
    """Leave TARGET out: a site, zone, spot, circumstance or place. It keeps its weight, it is only not proposed."""
    if not reason.strip():
        raise InputError("is empty", where="--reason", allowed="a few words, as 'no key'")
    with opened(path, priors) as held:
        told = Skip(target, " ".join(reason.split()), method)
        job, _ = tell(held, SKIP, body_of(told), who=who, where="skip")
    if as_json:
        print_json({"skip": body_of(told), "skips": [body_of(one) for one in job.skips]})
        return
    what = test_words(job, method, target) if method else target
    click.echo(wrapped(f"Left out: {what} ({told.reason})"))


@click.command("site")
@job_argument
@click.option("--id", "name", required=True, metavar="WORD", help="A short name of small letters, digits and _.")
@click.option("--name", "words", required=True, metavar="TEXT", help="What people call it.")
@click.option("--component", required=True, metavar="CLASS", help="What kind of part it is.")
@click.option("--zone", required=True, metavar="ZONE", help="The air round it.")
@click.option("--section", required=True, metavar="SECTION", help="The part of the circuit.")
@click.option("--unit", default="", metavar="UNIT", help="The repair unit, if not one of its own.")
@click.option("--exposure", "exposures", multiple=True, metavar="X", help="A circumstance that it may have.")
@click.option("--count", type=click.IntRange(1), default=1, metavar="N", help="How many equal ones.")
@click.option("--no-view", is_flag=True, help="No line of sight reaches it.")
@who_option
@json_option
def site(path: Path, priors: Path | None, who: str, as_json: bool, **given: Any) -> None:
    """Add a place of your own to JOB."""
    with opened(path, priors) as held:
        zones = {zone.id: zone.place for zone in held.job.system.zones}
        place = zones[known(given["zone"], zones, what="zone", where="--zone")]
        own = Site(
            given["name"],
            given["words"],
            given["component"],
            place,
            given["zone"],
            given["section"],
            given["unit"],
            given["count"],
            not given["no_view"],
            tuple(given["exposures"]),
        )
        _, belief = tell(held, SITE, body_of(own), who=who, where="site")
    chance = belief.matters_probability[own.id]
    if as_json:
        print_json({"site": body_of(own), "matters_probability": float(chance)})
        return
    click.echo(f"  Added: {own.name} ({own.id}), chance of a leak {percent(chance)}")


@click.command("undo")
@job_argument
@who_option
@json_option
def undo(path: Path, priors: Path | None, who: str, as_json: bool) -> None:
    """Take back the last thing told; again takes back the one before."""
    with opened(path, priors) as held:
        event = held.journal.undo_last(who)
        gone = next(told for told in held.journal.events() if told.number == event.body["number"])
    if as_json:
        print_json({"undone": {"number": gone.number, "kind": gone.kind, "body": dict(gone.body)}})
        return
    click.echo(wrapped(f"Taken back: {event_words(held.job, gone, chosen_units())}"))

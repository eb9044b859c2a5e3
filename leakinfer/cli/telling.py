"""``record``, ``skip``, ``site`` and ``undo``: what the job is told while it goes on."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import Site
from leakinfer.cli import pages
from leakinfer.cli.answer import belief_answer, print_json, surprise_answer
from leakinfer.cli.given import AIRS, STATES, celsius
from leakinfer.cli.jobfile import opened, tell
from leakinfer.cli.options import job_argument, json_option, who_option, word_option
from leakinfer.cli.screen import percent, wrapped
from leakinfer.cli.words import finding_words, surprising, test_words
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import FINDING, SITE, SKIP, body_of
from leakinfer.job.finding import Finding, Skip
from leakinfer.job.job import Job
from leakinfer.physics.units import parse_quantity
from leakinfer.reading import known


@click.command("record")
@job_argument
@click.argument("method", metavar="METHOD")
@click.argument("target", metavar="TARGET")
@click.argument("outcome", metavar="OUTCOME")
@word_option("--state", STATES, "The system during the test, if not as now.")
@word_option("--air", AIRS, "The air outdoors during the test, if not as now.")
@click.option("--outdoor", metavar="TEMPERATURE", help="As '75 F'.")
@click.option("--indoor", metavar="TEMPERATURE", help="As '22 C'.")
@click.option("--false-cause", "causes", multiple=True, metavar="X", help="Something else that the test answers to.")
@click.option("--earlier", is_flag=True, help="Already checked before this job.")
@click.option("--note", default="", metavar="TEXT", help="Anything to remember.")
@who_option
@json_option
def record(
    path: Path, priors: Path | None, method: str, target: str, outcome: str, who: str, as_json: bool, **given: Any
) -> None:
    """Tell what a test found: METHOD on TARGET gave OUTCOME.

    'leakinfer methods' lists methods and outcomes, 'leakinfer systems NAME' the targets. For a method that weighs,
    OUTCOME may be the charge that was weighed, as '1.9 kg', and TARGET is 'whole'.
    """
    with opened(path, priors) as held:
        before = held.job
        finding = _finding(before, method, target, outcome, given)
        job, belief = tell(held, FINDING, body_of(finding), who=who, where="record")
    surprise = surprising(before, finding)
    if as_json:
        answer = {"finding": body_of(finding), "surprise": surprise_answer(surprise)}
        print_json({**answer, **belief_answer(belief)})
        return
    click.echo("\n" + wrapped(f"Noted: {finding_words(job, finding)}"))
    click.echo(pages.change_page(Belief(before), belief, surprise))


def _finding(job: Job, method: str, target: str, outcome: str, given: dict[str, Any]) -> Finding:
    name, kg = _outcome(job, method, outcome)
    condition = _condition(job, given)
    return Finding(method, target, name, condition, tuple(given["causes"]), kg, given["earlier"], given["note"])


def _condition(job: Job, given: dict[str, Any]) -> Condition:
    """The present condition, with what the options say otherwise."""
    changes = {name: given[name] for name in ("state", "air") if given[name] is not None}
    for name in ("outdoor", "indoor"):
        if given[name] is not None:
            changes[f"{name}_c"] = celsius(given[name], f"--{name}")
    condition: Condition = structs.replace(job.condition(), **changes)
    possible = {"outdoor_c": condition.outdoor_c, "indoor_c": condition.indoor_c}
    job.with_facts(possible, "record")  # refuses a temperature that no job has
    return condition


def _outcome(job: Job, method: str, outcome: str) -> tuple[str, float | None]:
    """The outcome in words, and the weight in kg if it was one."""
    chosen = job.catalogue.methods[known(method, job.catalogue.methods, what="method", where="record: method")]
    if chosen.kind != "total" or not re.match(r"\s*[-+.0-9]", outcome):
        return outcome, None
    kg = parse_quantity(outcome, "mass", "record: outcome")
    return job.weight_outcome(chosen, kg), kg


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
    parts = [str(gone.body[key]) for key in ("method", "target", "outcome", "id") if gone.body.get(key)]
    words = " ".join(parts or [f"{key} = {value}" for key, value in gone.body.items()])
    click.echo(f"  Taken back: {gone.kind} {words}")

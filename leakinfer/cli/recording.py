"""``record``: what a test found, in words or as it was read from a gauge, and what that moves."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click
from msgspec import structs, to_builtins

from leakinfer.catalogue.model import Method
from leakinfer.cli import pages
from leakinfer.cli.answer import belief_answer, print_json, surprise_answer
from leakinfer.cli.conditions import condition_of, condition_options
from leakinfer.cli.given import minutes
from leakinfer.cli.options import job_argument, json_option, who_option
from leakinfer.cli.readings import kind_of, outcome_read, reading_of, reading_options
from leakinfer.cli.screen import wrapped
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import FINDING, body_of
from leakinfer.job.finding import Finding, Hold, outcome_names
from leakinfer.job.job import Job
from leakinfer.job.verdicts import verdict_of
from leakinfer.physics.units import parse_quantity
from leakinfer.planner.costs import minutes as planned_minutes
from leakinfer.planner.model import Candidate
from leakinfer.planner.setups import ways
from leakinfer.reading import known
from leakinfer.session.jobfile import opened, tell
from leakinfer.words.job import finding_words, surprising, verdict_words


@click.command("record")
@job_argument
@click.argument("method", metavar="METHOD")
@click.argument("target", metavar="TARGET")
@click.argument("outcome", metavar="[OUTCOME]", required=False)
@condition_options
@reading_options
@click.option("--false-cause", "causes", multiple=True, metavar="X", help="Something else that the test answers to.")
@click.option("--earlier", is_flag=True, help="Already checked before this job.")
@click.option("--took", metavar="TIME", help="As '20 min'; without it what was planned for the test.")
@click.option("--note", default="", metavar="TEXT", help="Anything to remember.")
@who_option
@json_option
def record(
    path: Path,
    priors: Path | None,
    method: str,
    target: str,
    outcome: str | None,
    who: str,
    as_json: bool,
    **given: Any,
) -> None:
    """Tell what a test found: METHOD on TARGET gave OUTCOME.

    'leakinfer methods' lists methods and outcomes, 'leakinfer systems NAME' the targets. For a method that weighs,
    OUTCOME may be the charge that was weighed, as '1.9 kg', and TARGET is 'whole'. With a reading OUTCOME is left out:

    \b
      hold    --start 232psi --end 229psi --start-temp 75F --end-temp 70F
              --hours 24
      vacuum  --start '500 micron' --end '900 micron' --minutes 20 --temp 70F
      shroud  --volume 40l --minutes 30 --start-ppm 0 --end-ppm 12
    """  # noqa: D301 - a backspace keeps the lines of the next paragraph
    with opened(path, priors) as held:
        before = held.job
        finding = finding_of(before, method, target, outcome, given)
        job, belief = tell(held, FINDING, body_of(finding), who=who, where="record")
    surprise = surprising(before, finding)
    verdict = verdict_of(before, finding, belief.rates.matters_g_per_year)
    if as_json:
        answer = {"finding": body_of(finding), "verdict": to_builtins(verdict), "surprise": surprise_answer(surprise)}
        print_json({**answer, **belief_answer(belief)})
        return
    click.echo("\n" + wrapped(f"Noted: {finding_words(job, finding)}"))
    if verdict is not None:
        click.echo(wrapped(verdict_words(job, verdict, finding)))
    click.echo(pages.change_page(Belief(before), belief, surprise))


def finding_of(job: Job, method: str, target: str, outcome: str | None, given: Mapping[str, Any]) -> Finding:
    """The finding that the arguments and options tell.

    Raises:
        InputError: something unknown, missing or impossible.
    """
    chosen = job.catalogue.methods[known(method, job.catalogue.methods, what="method", where="record: method")]
    known(target, job.targets(chosen), what=f"target of {method}", where="record: target")
    kind = kind_of(chosen, given)
    reading = None if kind is None else reading_of(kind, given)
    start_kpa = reading.start_kpa if isinstance(reading, Hold) else None
    name, kg = _outcome(job, chosen, outcome, read=reading is not None)
    finding = Finding(
        method=method,
        target=target,
        outcome=name,
        condition=condition_of(job, chosen, target, given, start_kpa),
        false_causes=tuple(given["causes"]),
        reading_kg=kg,
        earlier=given["earlier"],
        note=given["note"],
    )
    if kind is not None:
        finding = structs.replace(finding, **{kind.name: reading})
    if outcome is None:
        finding = structs.replace(finding, outcome=outcome_read(job, finding) or name)
    return structs.replace(finding, minutes=_took(job, finding, given["took"]))


def _outcome(job: Job, method: Method, outcome: str | None, *, read: bool) -> tuple[str, float | None]:
    """The outcome in words, and the weight in kg if it was one; of a reading the words come later."""
    if outcome is None:
        if not read:
            allowed = ", ".join(outcome_names(method)) + (", or a weight" if method.kind == "total" else "")
            raise InputError("is missing", where="record: outcome", allowed=allowed)
        return method.silent, None
    if method.kind != "total" or not re.match(r"\s*[-+.0-9]", outcome):
        return outcome, None
    kg = parse_quantity(outcome, "mass", "record: outcome")
    return job.weight_outcome(method, kg), kg


def _took(job: Job, finding: Finding, told: str | None) -> float | None:
    """Minutes spent: told, or planned; None for what was done before the job and what cannot be planned."""
    if told is not None:
        return minutes(told, "--took")
    if finding.earlier:
        return None
    there = ways(job, consent=False)
    condition = finding.condition
    if condition.state != job.facts.state and condition.state not in there:
        return None
    place = job.place_of(finding.method, finding.target)
    return round(planned_minutes(job, Candidate(finding.method, finding.target, condition, place), there).total, 1)

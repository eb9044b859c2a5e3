"""``record``: what a test found, in words or as it was read from a gauge, and what that moves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from msgspec import to_builtins

from leakinfer.cli import pages
from leakinfer.cli.answer import belief_answer, print_json, surprise_answer
from leakinfer.cli.conditions import condition_options
from leakinfer.cli.options import chosen_units, job_argument, json_option, who_option
from leakinfer.cli.readings import reading_options
from leakinfer.cli.screen import wrapped
from leakinfer.job.belief import Belief
from leakinfer.job.events import FINDING, body_of
from leakinfer.job.verdicts import verdict_of
from leakinfer.session.jobfile import opened, tell
from leakinfer.session.recording import finding_of
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
    units = chosen_units()
    click.echo("\n" + wrapped(f"Noted: {finding_words(job, finding, units)}"))
    if verdict is not None:
        click.echo(wrapped(verdict_words(job, verdict, finding, units)))
    click.echo(pages.change_page(Belief(before), belief, surprise))

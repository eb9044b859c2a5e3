"""``next``, ``sites`` and ``why``: questions that change nothing."""

from __future__ import annotations

from pathlib import Path

import click

from leakinfer.cli import pages
from leakinfer.cli.answer import belief_answer, plan_answer, print_json, why_answer
from leakinfer.cli.options import chosen_units, job_argument, json_option, word_option
from leakinfer.cli.screen import bullets
from leakinfer.cli.where import next_page
from leakinfer.job.belief import Belief
from leakinfer.job.why import explain
from leakinfer.planner.model import OBJECTIVES, Objective
from leakinfer.planner.plan import dearer_work, make_plan
from leakinfer.session.jobfile import opened

SHOWN_TESTS = 5


@click.command("next")
@job_argument
@word_option("--objective", OBJECTIVES, "What to rank the tests by.", OBJECTIVES[0])
@click.option("--top", type=click.IntRange(1), metavar="N", help=f"How many tests; else {SHOWN_TESTS}, --json all.")
@json_option
def next_test(path: Path, priors: Path | None, objective: Objective, top: int | None, as_json: bool) -> None:
    """Where to look next in JOB, the likely places, and whether to stop."""
    with opened(path, priors) as held:
        belief = Belief(held.job)
        plan = make_plan(belief, objective)
        if plan.stop.stop:
            plan = dearer_work(belief, plan)
        if as_json:
            print_json({**plan_answer(belief, plan, top), "notices": list(held.notices)})
            return
    click.echo(next_page(belief, plan, top or SHOWN_TESTS, str(path), chosen_units(), held.notices))


@click.command("sites")
@job_argument
@click.option("--all", "everything", is_flag=True, help="Also those that are hardly likely and that nobody tested.")
@json_option
def sites(path: Path, priors: Path | None, everything: bool, as_json: bool) -> None:
    """All places of JOB by repair unit, and what is known of each."""
    with opened(path, priors) as held:
        belief = Belief(held.job)
        if as_json:
            print_json({**belief_answer(belief), "notices": list(held.notices)})
            return
    click.echo(pages.sites_page(belief, everything, chosen_units()))


@click.command("why")
@job_argument
@click.argument("site", metavar="SITE")
@json_option
def why(path: Path, priors: Path | None, site: str, as_json: bool) -> None:
    """Why SITE is likely or not: from the base rate through age and circumstances to every finding."""
    with opened(path, priors) as held:
        explanation = explain(held.job, site, where="site")
    if as_json:
        print_json({**why_answer(explanation), "notices": list(held.notices)})
        return
    if held.notices:
        click.echo(bullets(held.notices, "note"))
    click.echo(pages.why_page(held.job, explanation, chosen_units()))

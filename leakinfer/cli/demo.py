"""``demo``: the invented job, step by step, for people or as one object."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli.answer import plan_answer, print_json, ranked_answer, surprise_answer
from leakinfer.cli.options import chosen_units, json_option
from leakinfer.cli.scenario import PROPOSED, Played, Scenario, begin, play, read_scenario
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import body_of
from leakinfer.planner.plan import make_plan
from leakinfer.reading import shipped
from leakinfer.store import create
from leakinfer.words.job import surprising

KEPT_NAME = "demo.job"


@click.command("demo")
@click.option("--keep", type=click.Path(path_type=Path), metavar="FOLDER", help=f"Leave the job there as {KEPT_NAME}.")
@json_option
def demo(keep: Path | None, as_json: bool) -> None:
    """Play an invented job: what is proposed, what is found and what it moves, until two leaks are confirmed."""
    path = shipped("data_demo", "scenario.toml")
    scenario = read_scenario(path)
    job, first = begin(scenario, load_catalogue(), path.name)
    kept = None if keep is None else _room(keep)
    if as_json:
        steps = tuple(play(scenario, job, path.name))
        print_json({**_answer(scenario, steps), "job": None if kept is None else str(kept)})
    else:
        from leakinfer.cli import demo_pages  # which shares the number of proposals with this module

        units = chosen_units()
        click.echo(demo_pages.start(scenario, Belief(job), units))
        shown: list[Played] = []
        for number, played in enumerate(play(scenario, job, path.name), start=1):
            click.echo(demo_pages.step(number, played, shown, units))
            shown.append(played)
        steps = tuple(shown)
        click.echo(demo_pages.end(steps[-1].after, make_plan(steps[-1].after), units))
    if kept is not None:
        _keep(kept, first, steps, scenario.who)
        if not as_json:
            click.echo(f"\n  Kept: {kept}. Try: leakinfer next {kept}")


def _room(folder: Path) -> Path:
    """The path of the job to keep, in a folder that is there now.

    Raises:
        InputError: there is one already, or the folder cannot be made.
    """
    path = folder / KEPT_NAME
    if path.exists():
        raise InputError("exists already", where=str(path), allowed="a new folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"cannot be made ({error.strerror})", where=str(folder), allowed="a folder") from error
    return path


def _keep(path: Path, first: tuple[str, Any], steps: tuple[Played, ...], who: str) -> None:
    kind, body = first
    with create(path, body, kind=kind, who=who) as journal:
        for played in steps:
            for kind, told in played.events:
                journal.append(kind, told, who=who, expected_last=None)


def _answer(scenario: Scenario, steps: tuple[Played, ...]) -> dict[str, Any]:
    end = steps[-1].after
    return {
        "title": scenario.title,
        "invented": True,
        "steps": [_step_answer(played) for played in steps],
        "end": plan_answer(end, make_plan(end), None),
    }


def _step_answer(played: Played) -> dict[str, Any]:
    return {
        "title": played.step.title,
        "story": played.step.story,
        "proposed": [ranked_answer(test) for test in played.plan.next[:PROPOSED]],
        "finding": body_of(played.finding),
        "surprise": surprise_answer(surprising(played.before.job, played.finding)),
        "units": {unit: float(chance) for unit, chance in played.after.unit_probability.items()},
        "confirmed": list(played.after.confirmed()),
    }

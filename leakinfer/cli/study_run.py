"""``study run`` and ``study policies``: simulated jobs, played by every way of searching."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leakinfer.cli.answer import print_json
from leakinfer.cli.options import json_option
from leakinfer.cli.screen import heading, pairs, table, wrapped
from leakinfer.cli.study import study_libraries
from leakinfer.errors import InputError
from leakinfer.words.numbers import percent

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from leakinfer.study.measures import Arm
    from leakinfer.study.running import Plan, Tables

NEEDED = ("pandas", "pyarrow")

_PATH = click.Path(path_type=Path)


@click.command("run")
@click.argument("path", metavar="STUDY.toml", type=_PATH)
@click.option(
    "--out", required=True, type=_PATH, metavar="FOLDER", help="Where the study is kept: new, or begun there."
)
@click.option("--processes", type=click.IntRange(min=1), help="That play; without it one for each core.")
@click.option("--scheduler", metavar="ADDRESS", help="Of a Dask cluster whose workers play instead.")
@json_option
def run(path: Path, out: Path, processes: int | None, scheduler: str | None, as_json: bool) -> None:
    """Play the jobs of STUDY.toml by every way of searching that it names, and keep the tables in FOLDER.

    It may be stopped at any time: the same command goes on where it was. Ways of your own (module:function) are looked
    for in the folder that you are in.
    """
    if processes and scheduler:
        raise InputError("both given", where="--processes, --scheduler", allowed="one of them")
    if os.getcwd() not in sys.path:
        sys.path.insert(0, os.getcwd())
    with study_libraries():
        for library in NEEDED if scheduler is None else (*NEEDED, "distributed"):
            import_module(library)  # what is missing is told now, not after hours of playing
        from leakinfer.study.measures import summary
        from leakinfer.study.running import load_plan, read

        plan = load_plan(path)
        _play(plan, out, _workers(plan, processes, scheduler), quiet=as_json)
        tables = read(out)
        arms = summary(tables)
    if as_json:
        print_json(_answer(out, tables, arms))
        return
    click.echo(_page(tables, arms))
    click.echo(wrapped(f"Kept in {out}. Next: leakinfer study report {out} --out study.html", first="\n  "))


def _workers(plan: Plan, processes: int | None, scheduler: str | None) -> AbstractContextManager[Executor | None]:
    from leakinfer.study.running import executors

    if scheduler:
        return executors.cluster(scheduler)
    return executors.processes(min(processes or executors.cores(), plan.blocks))


def _play(plan: Plan, out: Path, workers: AbstractContextManager[Executor | None], *, quiet: bool) -> None:
    from leakinfer.study.running import run as play

    try:
        with workers as executor, _progress(quiet) as tell:
            play(plan, out, executor, on_progress=tell, on_remark=_remark)
    except KeyboardInterrupt as error:
        click.echo("leakinfer: stopped; the same command goes on where it was", err=True)
        raise click.Abort from error


def _remark(said: str) -> None:
    click.echo(f"leakinfer: {said}", err=True)


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """A bar on the terminal behind stderr that counts the searches; none where nobody watches."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda done, total: None
        return
    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("searches played,"),
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=None)
        bar.stop_task(task)

        def tell(done: int, total: int) -> None:
            if bar.tasks[0].total is None:  # what is kept from before says nothing on the pace
                bar.reset(task, total=total, completed=done)
            else:
                bar.update(task, completed=done)

        yield tell


def _answer(out: Path, tables: Tables, arms: Sequence[Arm]) -> dict[str, Any]:
    """Plain data; what has no number, as a median that is never reached, is null."""
    import msgspec

    rows = {name: len(getattr(tables, name)) for name in ("jobs", "steps", "chances")}
    told: list[dict[str, Any]] = json.loads(msgspec.json.encode(arms))
    return {"folder": str(out), "rows": rows, "provenance": msgspec.to_builtins(tables.provenance), "summary": told}


def _page(tables: Tables, arms: Sequence[Arm]) -> str:
    heads, plan = ("way of searching", "minutes", "all confirmed", "never", "missed", "in vain", "cost"), tables.plan
    parts = [wrapped(f"{plan.name}. Jobs: {plan.jobs} in each of {', '.join(plan.systems)}", first="")]
    for truth in tables.truths:
        rows = [_row(one) for one in arms if one.truth == truth.id]
        parts += [heading(truth.name), table(heads, rows, right=range(1, len(heads)), fixed=(0,))]
    return "\n".join([*parts, "", pairs(MEANING)])


MEANING = (
    ("minutes", "to the end of the search, mean"),
    ("all confirmed", "median minutes until every leak that matters was confirmed"),
    ("never", "share of the jobs with such leaks in which one of them never was"),
    ("missed", "share of jobs in which such a leak was left"),
    ("in vain", "repairs of what does not leak, per 100 jobs"),
    ("cost", "mean minutes with the price of what was missed and repaired in vain"),
)


def _row(one: Arm) -> tuple[str, ...]:
    shares = (_known(one.never.value, percent), _known(one.missed.value, percent))
    numbers = [_known(value, lambda amount: f"{amount:.0f}") for value in (one.wrong.value, one.cost.value)]
    minutes = [_known(value, lambda amount: f"{amount:.0f}") for value in (one.minutes.value, one.confirm.value)]
    return (one.policy, *minutes, *shares, *numbers)


def _known(value: float, words: Callable[[float], str]) -> str:
    """A number in words; ``never`` for one without end, ``-`` for none."""
    if math.isnan(value):
        return "-"
    return "never" if math.isinf(value) else words(value)


@click.command("policies")
@json_option
def policies(as_json: bool) -> None:
    """The ways of searching that a plan may name; one of your own is module:function, or FILE.toml:id for a list."""
    with study_libraries():
        from leakinfer.study.policies import POLICIES

        told = {name: getattr(one, "tells", "") for name, one in POLICIES.items()}
    if as_json:
        print_json({"policies": [{"id": name, "tells": words} for name, words in told.items()]})
        return
    click.echo(pairs(list(told.items())))

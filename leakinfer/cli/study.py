"""``study``: the commands that compare ways of searching on simulated jobs; none is imported before it is used."""

from __future__ import annotations

from contextlib import AbstractContextManager

import click

from leakinfer.cli.entry import Program
from leakinfer.cli.extras import needing

# By command: its module in this package, the name there, and what it does.
COMMANDS = {
    "policies": ("study_run", "policies", "the ways of searching that can be compared"),
    "run": ("study_run", "run", "play the jobs of a plan, by every way of searching"),
    "report": ("study_report", "report", "a page to read on a study that was played"),
}

# What the extra installs; named where one of them is missing.
EXTRA = ("dask", "distributed", "jinja2", "matplotlib", "pandas", "pyarrow", "scipy")


class StudyProgram(Program):
    """The commands of the group."""

    offered = COMMANDS


@click.group("study", cls=StudyProgram, invoke_without_command=True)
@click.pass_context
def study(context: click.Context) -> None:
    """Compare ways of searching on simulated jobs whose truth is known.

    Begin with a plan as data_demo/study/small.toml: run it, then read the report.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def study_libraries() -> AbstractContextManager[None]:
    """A library of the extra that is missing inside the block becomes one line that says how to get it."""
    return needing("study", EXTRA)

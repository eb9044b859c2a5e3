"""``fleet``: the commands that learn priors from the history of many systems; none is imported before it is used."""

from __future__ import annotations

from contextlib import AbstractContextManager

import click

from leakinfer.cli.entry import Program
from leakinfer.cli.extras import needing

# By command: its module in this package, the name there, and what it does.
COMMANDS = {
    "orders": ("fleet_orders", "orders", "turn work orders, as a firm has them, into a history"),
    "check": ("fleet_tables", "check", "check a history row by row, or show its format"),
    "cells": ("fleet_tables", "cells", "reduce histories to a small file of counts"),
    "fit": ("fleet_fit", "fit", "learn priors from histories or cells"),
    "compare": ("fleet_fit", "compare", "do learned priors foretell later years better?"),
    "report": ("fleet_report", "report", "a page to read on learned priors"),
}

# What the extra installs; named where one of them is missing.
EXTRA = (
    "arviz",
    "h5netcdf",
    "h5py",
    "jinja2",
    "matplotlib",
    "pandas",
    "pyarrow",
    "pymc",
    "pytensor",
    "scipy",
    "xarray",
)


class FleetProgram(Program):
    """The commands of the group."""

    offered = COMMANDS


@click.group("fleet", cls=FleetProgram, invoke_without_command=True)
@click.pass_context
def fleet(context: click.Context) -> None:
    """Learn priors from what many systems have shown: histories of jobs or of work orders.

    Begin with 'leakinfer history JOB...' or 'leakinfer fleet orders FILE', then check, fit and report.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def fleet_libraries() -> AbstractContextManager[None]:
    """A library of the extra that is missing inside the block becomes one line that says how to get it."""
    return needing("fleet", EXTRA)

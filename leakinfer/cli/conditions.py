"""The options of ``record`` that tell the condition of a test."""

from __future__ import annotations

import click

from leakinfer.cli.options import F, word_option
from leakinfer.session.given import AIRS, STATES


def condition_options(function: F) -> F:
    """``--state`` and what else may have been otherwise than now during a test."""
    for option in reversed(
        (
            word_option("--state", STATES, "The system during the test, if not as now."),
            word_option("--heating", ("yes", "no"), "Whether it ran in heating, if not as now."),
            click.option("--test-pressure", metavar="PRESSURE", help="Of the test gas, as '230 psi' or '16 bar'."),
            click.option("--isolated", metavar="PART", help="What the test gas or vacuum was shut into, or 'whole'."),
            click.option("--high", metavar="PRESSURE", help="What the high-side gauge showed."),
            click.option("--low", metavar="PRESSURE", help="What the low-side gauge showed."),
            click.option("--shroud", is_flag=True, help="The spot was wrapped in a sheet or bag."),
            word_option("--air", AIRS, "The air outdoors during the test, if not as now."),
            click.option("--outdoor", metavar="TEMPERATURE", help="As '75 F'."),
            click.option("--indoor", metavar="TEMPERATURE", help="As '22 C'."),
        )
    ):
        function = option(function)
    return function

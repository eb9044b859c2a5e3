"""The options of ``record`` that tell a reading."""

from __future__ import annotations

import click

from leakinfer.cli.options import F


def reading_options(function: F) -> F:
    """What a gauge, a thermometer or a meter showed."""
    for name, metavar, words in reversed(
        (
            ("start", "PRESSURE", "Gauge at the start, as '232 psi'; of a vacuum as '500 micron' or '67 Pa'."),
            ("end", "PRESSURE", "Gauge at the end."),
            ("start_temp", "TEMPERATURE", "Of the gas at the start, as '75 F'."),
            ("end_temp", "TEMPERATURE", "Of the gas at the end."),
            ("hours", "HOURS", "How long the hold lasted, as 24 or '45 min'."),
            ("resolution", "PRESSURE", "Smallest step of the gauge, if not the usual one."),
            ("accuracy", "PRESSURE", "How well the gauge repeats, if not as usual."),
            ("volume", "VOLUME", "Inside what was held, as '7 l'; of a shroud, the air under it."),
            ("minutes", "MINUTES", "How long the vacuum stood or the shroud was on, as 20 or '1 h'."),
            ("temp", "TEMPERATURE", "Of the circuit under vacuum."),
            ("middle", "PRESSURE", "Vacuum read in between: tells air from moisture."),
            ("middle_minutes", "MINUTES", "When that was."),
            ("start_ppm", "PPM", "Meter as the shroud was closed."),
            ("end_ppm", "PPM", "Meter at the end."),
        )
    ):
        function = click.option(f"--{name.replace('_', '-')}", name, metavar=metavar, help=words)(function)
    return function

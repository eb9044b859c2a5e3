"""Arguments and options that several commands share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from leakinfer.reading import known
from leakinfer.words.units import BOTH, Units

F = TypeVar("F", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead.")
who_option = click.option("--who", default="", metavar="NAME", help="Who tells it.")


def chosen_units(without: Units = BOTH) -> Units:
    """What the person reads in, by ``--units`` of the program or by the environment; ``without`` where neither says."""
    told = click.get_current_context().find_root().obj
    return told if isinstance(told, Units) else without


def word_option(option: str, words: Sequence[str], words_for: str, default: str | None = None) -> Callable[[F], F]:
    """An option that takes one of a few words; the error lists them."""

    def chosen(_: click.Context, __: click.Parameter, value: str | None) -> str | None:
        return None if value is None else known(value, words, what=option.lstrip("-"), where=option)

    return click.option(option, callback=chosen, metavar="|".join(words), default=default, help=words_for)


def priors_option(words: str) -> Callable[[F], F]:
    """``--priors``: a folder, or a file of learned priors."""
    return click.option("--priors", type=click.Path(path_type=Path), metavar="FILE|FOLDER", help=words)


def job_argument(function: F) -> F:
    """``JOB``, the job file, and ``--priors``."""
    given = priors_option("Work with these priors instead of those that the job began with.")(function)
    return click.argument("path", metavar="JOB", type=click.Path(path_type=Path))(given)

"""Arguments and options that several commands share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from leakinfer.reading import known

F = TypeVar("F", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead.")
who_option = click.option("--who", default="", metavar="NAME", help="Who tells it.")


class Words(click.ParamType):
    """One of a few words; the error lists them."""

    name = "word"

    def __init__(self, words: Sequence[str]) -> None:
        self.words = tuple(words)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The word itself."""
        where = param.opts[0] if param else ""
        return known(str(value), self.words, what=where.lstrip("-"), where=where)

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """The words, for the help."""
        return "|".join(self.words)


def job_argument(function: F) -> F:
    """``JOB``, the job file, and ``--priors``."""
    given = click.option(
        "--priors",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="Work with the priors of this folder instead of those that the job began with.",
    )(function)
    return click.argument("path", metavar="JOB", type=click.Path(path_type=Path))(given)

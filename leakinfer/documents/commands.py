"""The reference of all commands, from the commands themselves and the examples in ``examples.toml``."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import click

from leakinfer.catalogue.model import Value
from leakinfer.cli import main
from leakinfer.documents.markdown import table
from leakinfer.reading import read_toml

EXAMPLES = Path(__file__).with_name("examples.toml")
HEAD = """# The commands of leakinfer

Made from the commands by `python -m leakinfer.documents`; a test compares it with them and runs most examples, one
after the other, beside `data_demo/`. What is typed has its unit with it: `232psi`, `16 bar`, `75 F`, `1 lb 4 oz`. What
is printed has kPa, C and g with psi, F and oz behind; `leakinfer --units us COMMAND` prints the latter alone, `metric`
bar, C and g, `psig,C,g` any three. `LEAKINFER_UNITS` in the environment chooses once for all. JSON is always metric.

A command ends with exit code 0; with 2 and one line on standard error where something told is refused, which then
changed nothing; with 1 where the answer could not be written; with 130 after an interrupt. `--json` prints one object
for other programs. Cautions are reminders: local codes, the nameplate and licensed practice decide.
"""


class Example(Value, frozen=True):
    """A command as a person types it. ``command``: whose example it is. ``runs``: whether a test runs it.

    ``slow``: it takes more than some seconds. ``says``: what it does, in a sentence.
    """

    command: str
    line: str
    says: str
    slow: bool = False
    runs: bool = True


class _Examples(Value, frozen=True):
    example: tuple[Example, ...]


class Described(NamedTuple):
    """A command, its full name and where it was found."""

    name: str
    command: click.Command
    context: click.Context


def examples() -> tuple[Example, ...]:
    """All examples, in the order in which they run."""
    return read_toml(EXAMPLES, _Examples).example


def described() -> Iterator[Described]:
    """All commands that do something, those of groups with the group's name."""
    yield from _within(main, "leakinfer", click.Context(main, info_name="leakinfer"))


def _within(command: click.Command, name: str, context: click.Context) -> Iterator[Described]:
    if not isinstance(command, click.Group):
        yield Described(name, command, context)
        return
    for part in command.list_commands(context):
        found = command.get_command(context, part)
        assert found is not None
        yield from _within(found, f"{name} {part}", click.Context(found, info_name=part, parent=context))


def commands_page() -> str:
    """The whole reference, as Markdown."""
    known = tuple(described())
    links = ", ".join(f"[{one.name.partition(' ')[2]}](#{one.name.replace(' ', '-')})" for one in known)
    return "\n".join([HEAD, links, "", *(_section(one, examples()) for one in known)])


def _section(one: Described, shown: Sequence[Example]) -> str:
    """A command: its usage, what it does, its options, its examples."""
    usage = " ".join([one.name, *one.command.collect_usage_pieces(one.context)])
    parts = [f"## {one.name}", f"```text\n{usage}\n```", _told(one.command.help or "")]
    options = [param for param in one.command.params if isinstance(param, click.Option)]
    records = filter(None, [option.get_help_record(one.context) for option in options])
    rows = [(f"`{names}`", told) for names, told in records]
    parts += [table(("option", "meaning"), rows)] if rows else []
    own = [f"{example.says}\n\n```sh\n{example.line}\n```" for example in shown if example.command == one.name]
    return "\n\n".join([*parts, *own]) + "\n"


def _told(text: str) -> str:
    """Help as paragraphs; those that keep their lines on a screen keep them here."""
    paragraphs = re.split(r"\n\s*\n", inspect.cleandoc(text))
    return "\n\n".join(_paragraph(paragraph) for paragraph in paragraphs)


def _paragraph(text: str) -> str:
    if text.startswith("\b\n"):
        return f"```text\n{text[2:]}\n```"
    return " ".join(text.split())

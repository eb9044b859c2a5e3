"""The reference of the commands is what the commands are, and the examples in it run."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from leakinfer import documents
from leakinfer.cli import main
from leakinfer.documents.commands import Example, commands_page, described, examples
from leakinfer.reading import shipped

# beside the code that is tested, which may be an installed wheel
PAGE = Path(documents.__file__).with_name("commands.md")


def test_the_page_is_what_the_commands_say() -> None:
    """If not: ``python -m leakinfer.documents``."""
    assert PAGE.read_text(encoding="utf-8") == commands_page()


def test_every_command_has_an_example_and_every_example_a_command() -> None:
    names = [one.name for one in described()]
    assert len(names) > 30
    assert {example.command for example in examples()} == set(names)
    assert all(example.line.startswith(example.command) for example in examples())


def test_every_command_and_every_option_says_what_it_is() -> None:
    mute = [one.name for one in described() if not one.command.help]
    options = [(one.name, param) for one in described() for param in one.command.params]
    mute += [f"{name} {param.name}" for name, param in options if isinstance(param, click.Option) and not param.help]
    assert mute == []


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with the invented data beside it."""
    (tmp_path / "data_demo").symlink_to(shipped("data_demo").resolve())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(wanted: Callable[[Example], bool]) -> list[str]:
    """Run examples in order; what went wrong."""
    failed = []
    for example in filter(wanted, examples()):
        result = CliRunner().invoke(main, shlex.split(example.line)[1:])
        if result.exit_code != 0:
            failed.append(f"{example.line}: exit code {result.exit_code}: {result.output[-300:]}")
    return failed


def test_the_examples_run(there: Path) -> None:
    assert run(lambda example: example.runs and not example.slow) == []
    assert {"attic.job", "report.html", "attic.json", "copy.job"} <= {path.name for path in there.iterdir()}


@pytest.mark.slow
def test_the_slow_examples_run(there: Path) -> None:
    assert run(lambda example: example.runs and example.slow) == []
    assert {"cells.json", "study.html"} <= {path.name for path in there.iterdir()}

"""Commands run in this process or in one of their own, and what they must look like when they refuse."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

import leakinfer
from leakinfer.cli import main

MAIN = "from leakinfer.cli import main; main()"


def run(*arguments: str | Path, columns: int = 80) -> Result:
    """A command with its exit code, stdout and stderr; nothing but an exit may come out of it."""
    result = CliRunner().invoke(main, [str(one) for one in arguments], env={"COLUMNS": str(columns)})
    if not isinstance(result.exception, SystemExit | None):
        raise result.exception
    return result


def page(*arguments: str | Path, columns: int = 80) -> str:
    """What a command that succeeds prints for people."""
    result = run(*arguments, columns=columns)
    assert (result.exit_code, result.stderr) == (0, ""), result.stderr
    return result.stdout


def answer(*arguments: str | Path) -> dict[str, Any]:
    """The one object that a command that succeeds prints; its numbers are finite."""
    return as_object(page(*arguments, "--json"))


def as_object(text: str) -> dict[str, Any]:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    found = json.loads(text, parse_constant=refuse)
    assert isinstance(found, dict)
    return found


def refusal(*arguments: str | Path) -> str:
    """The one line with which a command refuses; with ``--json`` the same comes as an object, too."""
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    line = result.stderr.removesuffix("\n")
    assert line.startswith("leakinfer: ")
    assert "\n" not in line
    as_json = run(*arguments, "--json")
    assert (as_json.exit_code, as_json.stderr) == (2, result.stderr)
    error = as_object(as_json.stdout)["error"]
    assert set(error) == {"what", "where", "allowed"}
    parts = [f"{error['where']}: " if error["where"] else "", error["what"]]
    parts.append(f"; allowed: {error['allowed']}" if error["allowed"] else "")
    assert line == "leakinfer: " + "".join(parts)
    return line


def begun(folder: Path, *more: str, name: str = "a.job", system: str = "ducted_split") -> Path:
    """A new job."""
    path = folder / name
    page("new", path, "--system", system, *more)
    return path


def contents(folder: Path) -> dict[str, bytes]:
    return {str(found.relative_to(folder)): found.read_bytes() for found in folder.rglob("*") if found.is_file()}


def environment(**more: str) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(Path(leakinfer.__file__).parent.parent)} | more


def process(script: str, *arguments: str | Path, **more: Any) -> subprocess.Popen[Any]:
    """A Python process of its own that runs ``script``."""
    command = [sys.executable, "-c", script, *map(str, arguments)]
    pipes: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "env": environment()}
    return subprocess.Popen(command, **(pipes | more))


def group_alone(group: str, *not_loaded: str) -> str:
    """What a group of commands prints by itself, in a process of its own that loads nothing of what it names."""
    script = (
        "import sys\nfrom leakinfer.cli import main\n"
        f"try:\n    main([{group!r}])\nexcept SystemExit as done:\n    assert not done.code\n"
        f"loaded = {{name for name in sys.modules if name.startswith({not_loaded!r})}}\n"
        "assert not loaded, loaded\n"
    )
    alone = process(script)
    shown, errors = alone.communicate(timeout=60)
    assert (alone.returncode, errors) == (0, "")
    return str(shown)

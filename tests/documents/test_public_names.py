"""The public names: light to import, the same for people, programs and types, each with a text and an example."""

from __future__ import annotations

import ast
import doctest
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import FunctionType
from typing import Any, assert_type

import pytest

import leakinfer
from leakinfer.catalogue.model import Catalogue
from leakinfer.documents.library import FOLLOWS, GROUPS, chains, library_page, names, sections
from leakinfer.errors import InputError
from leakinfer.job.job import Job

from .raising import raises

# beside the code that is tested, which may be an installed wheel
PACKAGE = Path(leakinfer.__file__).parent
PAGE = PACKAGE / "documents" / "library.md"
SLOW = {"fit_cells"}  # chains of examples that begin so: they sample
HEAVY = {"numpy", "msgspec", "click", "rich", "sqlite3", "pandas", "pyarrow", "scipy", "pymc", "arviz", "matplotlib"}

LOADED = """
import json, sys
import leakinfer
before = sorted(sys.modules)
listed = sorted(dir(leakinfer))
leakinfer.InputError
print(json.dumps([before, listed, sorted(sys.modules)]))
"""


def test_importing_the_package_loads_nothing_heavy() -> None:
    child = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True)
    before, listed, after = json.loads(child.stdout)
    assert not {name.split(".")[0] for name in before} & HEAVY
    assert [name for name in before if name.startswith("leakinfer.")] == []
    assert set(leakinfer.__all__) <= set(listed)
    assert [name for name in after if name.startswith("leakinfer.")] == ["leakinfer.errors"]


def typed() -> Iterator[tuple[str, str]]:
    """What a type checker sees: by public name, its home."""
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING")
    for node in block.body:
        assert isinstance(node, ast.ImportFrom)
        for part in node.names:
            yield part.asname or part.name, f"{node.module}.{part.name}"


def test_people_programs_and_types_see_the_same_names() -> None:
    homes = {name: f"leakinfer.{home}" for name, home in leakinfer.HOMES.items()}
    assert dict(typed()) == homes
    assert sorted(leakinfer.__all__) == sorted(names())
    for name, home in homes.items():
        module, _, own = home.rpartition(".")
        assert getattr(leakinfer, name) is getattr(sys.modules[module], own)


def test_types_come_through() -> None:
    """``mypy --strict`` checks this test; a name that is not there is an error to it, not anything."""
    assert_type(leakinfer.load_catalogue(), Catalogue)
    assert leakinfer.Job is Job
    with pytest.raises(AttributeError, match="has no attribute 'no_such_name'"):
        leakinfer.no_such_name  # type: ignore[attr-defined]  # noqa: B018


def test_no_part_takes_a_public_name_from_the_top() -> None:
    """A part that took a public name from the top would hide on what floor it lives."""
    taken = set()
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)) if "from leakinfer import" in text else ():
            if isinstance(node, ast.ImportFrom) and node.module == "leakinfer":
                taken |= {(path.name, part.name) for part in node.names}
    assert taken
    assert [each for each in taken if each[1] in leakinfer.__all__] == []


def test_the_page_is_what_the_names_say() -> None:
    """If not: ``python -m leakinfer.documents``."""
    assert PAGE.read_text(encoding="utf-8") == library_page()


@pytest.mark.parametrize("name", names())
def test_every_name_says_what_it_is_and_shows_it(name: str) -> None:
    told = sections(getattr(leakinfer, name))
    assert len(told[""]) > 20
    shown = doctest.DocTestParser().get_examples(told.get("Example", ""))
    assert any(re.search(rf"\b{name}\b", each.source) for each in shown)
    assert any(each.want for each in shown) or name in ("run_study", "Situation")  # one writes, one is never made


def callables(name: str) -> Iterator[tuple[str, Any, type | None]]:
    """A name, and of a class its public methods."""
    found = getattr(leakinfer, name)
    yield name, found, None
    for own, part in vars(found).items() if isinstance(found, type) else ():
        if isinstance(part, FunctionType | classmethod | staticmethod) and not own.startswith("_"):
            yield f"{name}.{own}", part, found


@pytest.mark.parametrize("name", names())
def test_what_can_refuse_says_so(name: str) -> None:
    silent = [
        told
        for told, part, owner in callables(name)
        if raises(part, owner) and "InputError: " not in sections(part).get("Raises", "")
    ]
    assert silent == []


class Sample:
    """What the following of calls is tried on. The names are those of this package, so that they are followed."""

    def plain(self) -> None:
        raise InputError("no")

    def by_itself(self) -> None:
        self.plain()

    def by_type(self, other: Sample) -> None:
        other.by_itself()

    def caught(self) -> None:
        try:
            raise InputError("no")
        except ValueError:
            return

    def another(self) -> None:
        raise KeyError("no")


@pytest.mark.parametrize(
    ("method", "can"), [("plain", True), ("by_itself", True), ("by_type", True), ("caught", False), ("another", False)]
)
def test_calls_are_followed(method: str, can: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    for part in vars(Sample).values():
        if isinstance(part, FunctionType):
            monkeypatch.setattr(part, "__module__", "leakinfer.sample")
    assert raises(vars(Sample)[method], Sample) == can


def run(chain: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> str:
    """Run the examples of a chain, each going on from the one before; what was wrong, as doctest prints it."""
    shared: dict[str, Any] = {}
    runner = doctest.DocTestRunner()
    for name in chain:
        text = sections(getattr(leakinfer, name))["Example"]
        test = doctest.DocTestParser().get_doctest(text, shared, name, None, 0)
        assert test.examples
        test.globs = shared  # a copy otherwise
        runner.run(test, clear_globs=False)
    assert runner.tries > 0
    return capsys.readouterr().out if runner.failures else ""


def examples() -> list[Any]:
    """Chains as parameters, slow ones marked."""
    marks = {True: [pytest.mark.slow], False: []}
    return [pytest.param(chain, id=chain[0], marks=marks[chain[0] in SLOW]) for chain in chains()]


@pytest.mark.parametrize("chain", examples())
def test_the_examples_run(
    chain: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(chain, capsys) == ""


def test_an_example_that_is_wrong_is_noticed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(leakinfer.Loss, "__doc__", "A loss.\n\nExample:\n    >>> 1 + 1\n    3\n")
    assert "Expected:\n    3\nGot:\n    2" in run(("Loss",), capsys)


def test_every_example_runs_once_after_what_it_needs() -> None:
    order = [name for chain in chains() for name in chain]
    assert sorted(order) == sorted(names())
    assert all(order.index(first) < order.index(name) for name, first in FOLLOWS.items())
    assert set(GROUPS) <= set(names())

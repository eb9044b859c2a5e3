"""What a result depends on beside its plan: the program, its numbers, one's own policies. Digests are SHA-256."""

from __future__ import annotations

import ast
import hashlib
import io
import tokenize
from collections.abc import Callable, Iterable
from functools import cache
from importlib import import_module
from pathlib import Path

import msgspec
import numpy as np

from leakinfer import __version__
from leakinfer.catalogue.model import Value
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.reading import PACKAGE, shipped

# Folders and files whose code can change what is played; screens, pages and measures cannot.
BEARING = ("reading.py", "inference", "physics", "circuit", "catalogue", "job", "planner", "study")
APART = ("study/measures", "study/small")


class Program(Value, frozen=True):
    """Versions and digests. ``priors``: that of the catalogue; ``files``: of all files in ``priors/``; ``code``: of
    the code that plays, words about it apart; ``own``: of the modules of one's own policies, empty without one.
    """

    leakinfer: str
    numpy: str
    priors: str
    files: str
    code: str
    own: str


@cache
def program_of(policies: tuple[str, ...]) -> Program:
    """This program, as it plays these policies.

    Raises:
        InputError: the module of a policy of one's own cannot be read.
    """
    own = {name.rpartition(":")[0] for name in policies if ":" in name}
    return Program(
        leakinfer=__version__,
        numpy=np.__version__,
        priors=load_catalogue().digest,
        files=_digest(shipped("priors"), _files(shipped("priors"), (".toml", ".json"))),
        code=_digest(PACKAGE, _code(), acting),
        own=_own(sorted(own)) if own else "",
    )


def refuse_other(given: Program, here: Program, *, where: str, allowed: str) -> None:
    """Refuse work of another program.

    Raises:
        InputError: naming what differs.
    """
    for part, words in WORDS.items():
        asked, mine = getattr(given, part), getattr(here, part)
        if asked != mine:
            versions = f" ({asked or 'none'}, here {mine or 'none'})" if part in ("leakinfer", "numpy") else ""
            raise InputError(f"is of {words}{versions}", where=where, allowed=allowed)


WORDS = {
    "leakinfer": "another leakinfer",
    "numpy": "another numpy",
    "priors": "other priors",
    "files": "other files in priors",
    "code": "another state of leakinfer's code",
    "own": "another state of your own policies",
}


def _code() -> list[Path]:
    apart = [PACKAGE / name for name in APART]
    found = [path for name in BEARING for path in _files(PACKAGE / name, (".py",))]
    return [path for path in found if not any(path.is_relative_to(folder) for folder in apart)]


def _files(start: Path, endings: tuple[str, ...]) -> list[Path]:
    """The file itself, or all in the folder with these endings."""
    if start.is_file():
        return [start]
    return [path for path in start.rglob("*") if path.suffix in endings]


def acting(text: str) -> str:
    """The lines of a module that do something: a study goes on when only words about them have changed."""
    lines = text.splitlines()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            row, column = token.start
            lines[row - 1] = lines[row - 1][:column]
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            said = node.body[0]
            lines[said.lineno - 1 : said.end_lineno] = [""] * ((said.end_lineno or said.lineno) - said.lineno + 1)
    return "\n".join(line.rstrip() for line in lines if line.strip())


def _digest(root: Path, paths: Iterable[Path], of: Callable[[str], str] = str) -> str:
    """Of names and content, line ends apart."""
    content = {path.relative_to(root).as_posix(): of(path.read_text("utf-8")) for path in paths}
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()


def _own(places: list[str]) -> str:
    """Of the modules and files that policies of one's own are in."""
    found = hashlib.sha256()
    for place in places:
        path = place if place.endswith(".toml") else import_module(place).__file__
        if path is None:
            raise InputError("has no file", where=f"policies: {place}", allowed="a module in a file of its own")
        found.update(Path(path).read_bytes())
    return found.hexdigest()

"""The reference of the public names, from their own text; the examples there run in a test."""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
from collections.abc import Iterator
from typing import Any

import leakinfer
from leakinfer import HOMES
from leakinfer.documents.markdown import table

HEAD = """# The library

Made from the text of the public names by `python -m leakinfer.documents`; a test compares it with them and runs the
examples, in an empty folder. `import leakinfer` is light: each name is loaded when it is first used, and of the heavy
libraries only what it needs. The names of a fleet need `leakinfer[fleet]`, those of a study `leakinfer[study]`.

What is refused raises `InputError` with one line: what, where, what is allowed. Values are frozen, steps give new ones.
A catalogue, a system and whatever else has no name of its own here is a value too: its fields are told by `help`.
"""
# By the first name of each group, what it is about.
GROUPS = {
    "InputError": "A job",
    "begin_body": "A job in a file",
    "fleet_settings": "A fleet",
    "load_study": "A study",
}
# Examples that go on where that of another name ended.
FOLLOWS = {
    "open_job": "create_job",
    "tell": "open_job",
    "Cells": "reduce_history",
    "save_cells": "Cells",
    "load_cells": "save_cells",
    "learned_priors": "fit_cells",
    "compare_priors": "fit_cells",
    "write_learned": "learned_priors",
    "read_learned": "write_learned",
    "read_study": "run_study",
    "study_results": "read_study",
}
WIDE = 100  # a signature is broken into lines beyond
SECTION = re.compile(r"^(Args|Raises|Example):\n", re.MULTILINE)
ROLE = re.compile(r":\w+:`~?([^`]+)`")
Code = ast.FunctionDef | ast.ClassDef


def names() -> tuple[str, ...]:
    """The public names, in the order in which they are told."""
    return tuple(HOMES)


def sections(found: Any) -> dict[str, str]:
    """The parts of a name's text: what it is under "", then those that it has of Args, Raises and Example."""
    first, *rest = SECTION.split(inspect.cleandoc(found.__doc__ or ""))
    told = {head: textwrap.dedent(body).strip("\n") for head, body in zip(rest[::2], rest[1::2], strict=True)}
    return {"": first.strip(), **told}


def chains() -> tuple[tuple[str, ...], ...]:
    """Names whose examples share what they make, the first before those that go on from it."""
    found: dict[str, tuple[str, ...]] = {}
    for name in names():
        first = name
        while first in FOLLOWS:
            first = FOLLOWS[first]
        found[first] = (*found.get(first, ()), name)
    return tuple(found.values())


def library_page() -> str:
    """The whole reference, as Markdown."""
    links = ", ".join(f"[{name}](#{name.lower()})" for name in names())
    parts = [HEAD.strip(), links]
    for name in names():
        parts += [f"## {GROUPS[name]}"] if name in GROUPS else []
        parts += _told(name)
    return "\n\n".join(parts) + "\n"


def _told(name: str) -> Iterator[str]:
    """A name: its signature, its text, its members, its example."""
    found = getattr(leakinfer, name)
    told, code = sections(found), _code(found)
    yield f"### {name}"
    yield f"```python\n{_signature(name, code)}\n```"
    yield _plain(told[""])
    for head in ("Args", "Raises"):
        if head in told:
            yield f"**{head}:** {_plain(_joined(told[head]))}"
    members = list(_members(code))
    if members:
        yield table(("member", "what it is"), members)
    if "Example" in told:
        yield f"```pycon\n{told['Example']}\n```"


def _plain(text: str) -> str:
    """Text without the marks that Markdown does not know."""
    return ROLE.sub(r"`\1`", text)


def _joined(text: str) -> str:
    """Entries of a section on one line; those of more lines are continued further in."""
    return " ".join(" ".join(line.split()) for line in text.splitlines())


def _code(found: Any) -> Code:
    """The definition as code: its text is the same under every Python, which what Python makes of it is not."""
    code = ast.parse(textwrap.dedent(inspect.getsource(found))).body[0]
    assert isinstance(code, Code)
    return code


def _signature(name: str, code: Code) -> str:
    """How it is called; of a protocol, that it is one."""
    if isinstance(code, ast.FunctionDef):
        marks = map(ast.unparse, code.decorator_list)
        head = "".join(f"@{one}\n" for one in marks if one == "contextmanager")
        given, gives = _arguments(code.args), f" -> {ast.unparse(code.returns)}" if code.returns else ""
        return f"{head}{_call(name, given, gives)}"
    if any(ast.unparse(base) == "Protocol" for base in code.bases):
        return f"class {name}(Protocol)"
    made = [part for part in code.body if isinstance(part, ast.FunctionDef) and part.name == "__init__"]
    fields = [ast.unparse(part) for part in code.body if isinstance(part, ast.AnnAssign)]
    return _call(name, _arguments(made[0].args) if made else fields, "")


def _call(name: str, given: list[str], gives: str) -> str:
    line = f"{name}({', '.join(given)}){gives}"
    if len(line) <= WIDE:
        return line
    return "\n".join([f"{name}(", *(f"    {one}," for one in given), f"){gives}"])


def _arguments(args: ast.arguments) -> list[str]:
    """Each argument with its type and default, without self."""
    given = args.args
    defaults: list[ast.expr | None] = [*[None] * (len(given) - len(args.defaults)), *args.defaults]
    told = [_argument(*pair) for pair in zip(given, defaults, strict=True) if pair[0].arg != "self"]
    apart = [_argument(*pair) for pair in zip(args.kwonlyargs, args.kw_defaults, strict=True)]
    star = [f"*{ast.unparse(args.vararg)}"] if args.vararg else ["*"] if apart else []
    return [*told, *star, *apart]


def _argument(arg: ast.arg, default: ast.expr | None) -> str:
    return ast.unparse(arg) + ("" if default is None else f" = {ast.unparse(default)}")


def _members(code: Code) -> Iterator[tuple[str, str]]:
    """Public methods and properties of a class, with the first paragraph of each."""
    for part in code.body if isinstance(code, ast.ClassDef) else ():
        if isinstance(part, ast.FunctionDef) and not part.name.startswith("_"):
            kinds = {ast.unparse(one) for one in part.decorator_list}
            given = "" if kinds & {"property", "cached_property"} else f"({', '.join(_arguments(part.args))})"
            first = (ast.get_docstring(part) or "").split("\n\n")[0]
            yield f"`{part.name}{given}`", _plain(first)

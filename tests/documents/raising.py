"""Which callables can raise the error that people see, read from their code: followed from call to call within the
package, as far as it can be told what is called. Properties and values of unknown type are not followed."""

from __future__ import annotations

import ast
import builtins
import importlib
import inspect
import textwrap
from collections.abc import Iterator, Mapping
from functools import cache
from types import FunctionType
from typing import Any

from leakinfer.errors import InputError

CATCHES = ("InputError", "ValueError", "Exception", "BaseException")


def functions_of(found: Any) -> tuple[FunctionType, ...]:
    """What runs when a name is called: of a class, what makes it."""
    if isinstance(found, type):
        own = [vars(found).get(name) for name in ("__init__", "__post_init__", "__new__")]
        return tuple(each for each in own if isinstance(each, FunctionType) and _has_code(each))
    plain = inspect.unwrap(getattr(found, "__func__", found))
    return (plain,) if isinstance(plain, FunctionType) and _has_code(plain) else ()


def _has_code(found: FunctionType) -> bool:
    return found.__module__.startswith("leakinfer") and not found.__code__.co_filename.startswith("<")


def raises(found: Any, owner: type | None = None) -> bool:
    """Whether a call of a name can end in the error. ``owner``: the class of a method."""
    return any(_raises(each, owner or (found if isinstance(found, type) else None)) for each in functions_of(found))


_going: set[FunctionType] = set()


@cache
def _raises(function: FunctionType, owner: type | None) -> bool:
    if function in _going:  # a function that calls itself adds nothing
        return False
    _going.add(function)
    try:
        code = ast.parse(textwrap.dedent(inspect.getsource(function))).body[0]
        assert isinstance(code, ast.FunctionDef)
        known = _known(function, code, owner)
        return any(_bears(node, known) for statement in code.body for node in _open(statement))
    finally:
        _going.discard(function)


def _open(node: ast.AST) -> Iterator[ast.AST]:
    """All code that is not within a try that catches the error."""
    if isinstance(node, ast.Try) and any(_catches(handler) for handler in node.handlers):
        inside = [*node.handlers, *node.orelse, *node.finalbody]
    else:
        yield node
        inside = list(ast.iter_child_nodes(node))
    for each in inside:
        yield from _open(each)


def _catches(handler: ast.ExceptHandler) -> bool:
    return handler.type is None or any(name in ast.unparse(handler.type) for name in CATCHES)


def _bears(node: ast.AST, known: Mapping[str, Any]) -> bool:
    if isinstance(node, ast.Raise) and node.exc is not None:
        made = _resolved(node.exc.func if isinstance(node.exc, ast.Call) else node.exc, known)
        return isinstance(made, type) and issubclass(made, InputError)
    if not isinstance(node, ast.Call):
        return False
    owner = _resolved(node.func.value, known) if isinstance(node.func, ast.Attribute) else None
    owner = owner.cls if isinstance(owner, Instance) else owner if isinstance(owner, type) else None
    return raises(_resolved(node.func, known), owner)


class Instance:
    """A value of a class, of which nothing else is known."""

    def __init__(self, cls: type) -> None:
        self.cls = cls


def _known(function: FunctionType, code: ast.FunctionDef, owner: type | None) -> dict[str, Any]:
    """Names in a function: of its module, of its arguments by their types, of its own imports and new values."""
    known: dict[str, Any] = {**vars(builtins), **function.__globals__}
    arguments = [*code.args.args, *code.args.kwonlyargs]
    for arg in arguments:
        kind = None if arg.annotation is None else _resolved(arg.annotation, known)
        known[arg.arg] = Instance(kind) if isinstance(kind, type) else None
    if owner is not None and arguments:
        known[arguments[0].arg] = Instance(owner) if arguments[0].arg == "self" else owner
    for node in ast.walk(code):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("leakinfer"):
            module = importlib.import_module(node.module or "")
            known |= {name.asname or name.name: getattr(module, name.name, None) for name in node.names}
        elif isinstance(node, ast.Assign) and isinstance(node.value, ast.Call):
            kind = _resolved(node.value.func, known)
            for target in node.targets:
                if isinstance(target, ast.Name):
                    known[target.id] = Instance(kind) if isinstance(kind, type) else None
    return known


def _resolved(node: ast.expr, known: Mapping[str, Any]) -> Any:
    """The object behind a name or a dotted name; None where it cannot be told."""
    if isinstance(node, ast.Name):
        return known.get(node.id)
    if isinstance(node, ast.Attribute):
        within = _resolved(node.value, known)
        return inspect.getattr_static(within.cls if isinstance(within, Instance) else within, node.attr, None)
    return None

"""Plain data as TOML text that people can read: short numbers, one line for a small table, comments above the rest."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

FIGURES = 6  # of a number; further ones say nothing of a fleet
BARE = re.compile(r"[A-Za-z0-9_-]+")


def rounded(number: float) -> float:
    """A number with ``FIGURES`` significant figures."""
    return float(f"{number:.{FIGURES}g}")


def toml_text(content: Mapping[str, Any], comments: Mapping[str, str], head: Sequence[str] = ()) -> str:
    """Text of a file: ``head`` as comments, then single values, tables, and lists of tables.

    ``comments`` by key of ``content``. What is None is left out; a table in a table stands in one line.
    """
    lines = [f"# {line}".rstrip() for line in head]
    given = {key: value for key, value in content.items() if value is not None}
    plain = {key: value for key, value in given.items() if not _is_table(value) and not _is_tables(value)}
    if plain:
        lines.append("")
    for key, value in plain.items():
        lines += [*_comment(comments, key), _line(key, value)]
    for key, value in given.items():
        if _is_table(value):
            lines += ["", *_comment(comments, key), f"[{_key(key)}]", *_lines(value)]
    for key, value in given.items():
        if _is_tables(value):
            lines += ["", *_comment(comments, key)]
            lines += [line for table in value for line in (f"[[{_key(key)}]]", *_lines(table), "")][:-1]
    return "\n".join(lines) + "\n"


def _is_table(value: Any) -> bool:
    """A table of its own; a small one of numbers stands in one line."""
    return isinstance(value, Mapping) and not all(isinstance(part, float) for part in value.values())


def _is_tables(value: Any) -> bool:
    return isinstance(value, (list, tuple)) and bool(value) and all(isinstance(part, Mapping) for part in value)


def _comment(comments: Mapping[str, str], key: str) -> list[str]:
    return [f"# {line}" for line in comments[key].splitlines()] if key in comments else []


def _lines(table: Mapping[str, Any]) -> list[str]:
    return [_line(key, value) for key, value in table.items() if value is not None]


def _line(key: str, value: Any) -> str:
    return f"{_key(key)} = {_value(value)}"


def _key(key: str) -> str:
    return key if BARE.fullmatch(key) else _string(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(rounded(value))
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, Mapping):
        inside = ", ".join(_line(key, part) for key, part in value.items() if part is not None)
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_value(part) for part in value)}]"
    return str(int(value))


def _string(text: str) -> str:
    """A basic string: JSON's escapes are TOML's, which also wants the delete character escaped (TOML 1.0, String)."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")

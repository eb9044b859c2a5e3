"""Inputs changed at random for the fuzz: bytes, lines and, where a file can be parsed, its values, keys and cells."""

from __future__ import annotations

import csv
import io
import json
import random
import tomllib
from collections.abc import Callable
from typing import Any, Literal

Form = Literal["toml", "json", "csv", "text", "bytes"]
NASTY_NUMBERS = (
    "0",
    "-0.0",
    "-1",
    "1e-320",
    "1e-300",
    "1e300",
    "1e999",
    "nan",
    "inf",
    "-inf",
    "9" * 25,
    "0.5",
    "1",
    "2",
)
NASTY_TEXTS = (
    "",
    " ",
    "\x00",
    "\u2028",
    "\ud7ff",
    "a" * 3000,
    "whole",
    "elsewhere",
    "../x",
    "=1+1",
    '"',
    "\\",
    "*",
    "(",
)
NASTY_VALUES: tuple[Any, ...] = (
    *(0, -1, 1, 2, 10**25, 2**63, -0.0, 1e-320, 1e-300, 0.5, 1e17, 1e300, float("inf"), float("nan")),
    *(True, False, [], {}, [[]], [""], {"": ""}, *NASTY_TEXTS),
)
MOST_BYTES = 200_000


def mutated(data: bytes, form: Form, others: list[bytes], dice: random.Random) -> bytes:
    """The data with one to four changes; what can no longer be parsed is changed as text, and now and then all is."""
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        if form == "bytes" or dice.random() < 0.1:
            data = _bytes(data, others, dice)
        elif dice.random() < 0.25:
            data = _text(data, dice)
        else:
            data = _structured(data, form, dice)
    return data[:MOST_BYTES]


def _bytes(data: bytes, others: list[bytes], dice: random.Random) -> bytes:
    begin = dice.randrange(len(data) + 1)
    end = min(len(data), begin + dice.choice((0, 1, 2, 8, 64, 4096)))
    other = dice.choice(others)
    cut = dice.randrange(len(other) + 1)
    put = (
        b"",
        dice.randbytes(1),
        dice.randbytes(8),
        b"\x00" * 4,
        b"\xff" * 4,
        other[cut : cut + dice.choice((1, 64, 2048))],
    )
    return data[:begin] + dice.choice(put) + data[end:]


def _text(data: bytes, dice: random.Random) -> bytes:
    """Lines left out, doubled, exchanged, or with a word put in."""
    lines = data.split(b"\n")
    one, other = dice.randrange(len(lines)), dice.randrange(len(lines))
    kind = dice.randrange(4)
    if kind == 0:
        del lines[one]
    elif kind == 1:
        lines.insert(other, lines[one])
    elif kind == 2:
        lines[one], lines[other] = lines[other], lines[one]
    else:
        at, word = dice.randrange(len(lines[one]) + 1), dice.choice(NASTY_NUMBERS + NASTY_TEXTS).encode()
        lines[one] = lines[one][:at] + word + lines[one][at:]
    return b"\n".join(lines)


def _structured(data: bytes, form: Form, dice: random.Random) -> bytes:
    change: dict[Form, Callable[[str, random.Random], str]] = {"toml": _toml, "json": _json, "csv": _csv}
    if form not in change:
        return _text(data, dice)
    try:
        return change[form](data.decode(), dice).encode()
    except (ValueError, csv.Error, RecursionError):  # not of that form any more
        return _text(data, dice)


def _toml(text: str, dice: random.Random) -> str:
    return "".join(
        f"{json.dumps(key)} = {inline(value)}\n" for key, value in _changed(tomllib.loads(text), dice).items()
    )


def _json(text: str, dice: random.Random) -> str:
    return json.dumps(_changed(json.loads(text), dice))


def inline(value: Any) -> str:
    """A value as TOML on one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {inline(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(inline, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value) if isinstance(value, (int, float)) else str(value)


def _spots(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) in plain data."""
    found: list[tuple[Any, Any]] = []
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        found += [(value, key), *_spots(value[key])]
    return found


def _changed(tree: Any, dice: random.Random) -> Any:
    """Plain data with one value replaced, taken from elsewhere, left out, doubled, or under another key."""
    spots = _spots(tree)
    if not spots:
        return tree
    (holder, key), (there, other) = dice.choice(spots), dice.choice(spots)
    kind = dice.randrange(6)
    if kind <= 1:
        holder[key] = dice.choice(NASTY_VALUES)
    elif kind == 2:
        holder[key] = json.loads(json.dumps(there[other], default=str))  # a copy: no rings
    elif kind == 3:
        del holder[key]
    elif kind == 4 and isinstance(holder[key], (int, float)):
        holder[key] = holder[key] * dice.choice((-1, 0, 0.5, 2, 1e3, 1e6, 1e-6))
    elif isinstance(holder, list):
        holder.insert(key, holder[key])
    else:
        holder[dice.choice([str(other), "x", key + "_"])] = holder.pop(key)
    return tree


def _csv(text: str, dice: random.Random) -> str:
    """A cell replaced or taken from elsewhere; a row or column left out or doubled."""
    rows = list(csv.reader(io.StringIO(text)))
    rows = [row for row in rows if row] or [[""]]
    one, other = dice.choice(rows), dice.choice(rows)
    kind, at = dice.randrange(5), dice.randrange(len(one))
    if kind <= 1:
        one[at] = dice.choice(NASTY_NUMBERS + NASTY_TEXTS + ("2026-02-30", "0001-01-01", "9999-12-31", "yes", "1,5"))
    elif kind == 2:
        one[at] = dice.choice(other)
    elif kind == 3:
        rows.insert(dice.randrange(len(rows) + 1), list(one))
    else:
        for row in rows if dice.random() < 0.3 else [one]:
            del row[at : at + 1]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()

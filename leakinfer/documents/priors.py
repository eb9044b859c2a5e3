"""The page on the priors: every number in ``priors/`` with its unit, its source and how it is known, from the files."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from leakinfer.documents.markdown import table
from leakinfer.reading import Known, read_text, shipped

NAMES = ("id", "name", "state", "refrigerant", "outcome", "title")  # keys that say whose numbers they are
HEAD = """# The numbers of leakinfer

Made from the files in `priors/` by `python -m leakinfer.documents`; a test compares it with them. Change the files, not
this page.

How a number is known: **published** (read in the source that is named), **secondary** (read in a text that quotes the
source), **memory** (a source is named that was not at hand), **computed** (worked out as told), **judgement** (an
estimate; no source was found). Nearly all base rates, minutes and prices are judgement: a fleet's own history should
move them (`leakinfer fleet fit`).
"""


@dataclass(frozen=True)
class Entry:
    """Numbers that share a source. ``of``: whose they are. ``known`` is empty where only the head of the file says."""

    of: str
    values: tuple[tuple[str, Any], ...]
    unit: str
    known: str
    source: str


def files() -> list[Path]:
    """All TOML files of the priors, those of the folder first."""
    folder = shipped("priors")
    return [*sorted(folder.glob("*.toml")), *sorted(folder.glob("*/*.toml"))]


def entries(data: Mapping[str, Any]) -> list[Entry]:
    """All numbers of a file, those that share a source together."""
    known = data.get("sources", {}).get("known", "")  # of all numbers in the file
    return list(_entries(data, (), "", known))


def _entries(part: Mapping[str, Any], path: tuple[str, ...], unit: str, known: str) -> Iterator[Entry]:
    """The numbers of a table, then those of tables within it that have a source of their own, or that of this one."""
    if "known" in part:  # elsewhere ``unit`` is a repair unit
        unit, known = str(part.get("unit", unit)), str(part["known"])
    inner: list[tuple[Mapping[str, Any], tuple[str, ...]]] = []
    values = tuple((" ".join(trail), value) for trail, value in _leaves(part, (), inner))
    if values:
        yield Entry(" ".join(path), values, unit, known, _source(part))
    for within, trail in inner:
        yield from _entries(within, (*path, *trail), unit, known)


def _leaves(
    part: Mapping[str, Any], trail: tuple[str, ...], inner: list[tuple[Mapping[str, Any], tuple[str, ...]]]
) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Numbers with their keys; tables that have a source of their own, and members of lists, go to ``inner``."""
    for key, value in part.items():
        if isinstance(value, Mapping):
            if "known" in value:
                inner.append((value, (*trail, key)))
            else:
                yield from _leaves(value, (*trail, key), inner)
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            inner += [(one, (*trail, _name(one, key, number))) for number, one in enumerate(value, start=1)]
        elif _is_number(value) or (isinstance(value, list) and value and all(map(_is_number, value))):
            yield (*trail, key), value


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _name(one: Mapping[str, Any], key: str, number: int) -> str:
    return next((str(one[name]) for name in NAMES if name in one), f"{key} {number}")


def _source(part: Mapping[str, Any]) -> str:
    """The source, and the note behind it."""
    return ". ".join(str(part[key]) for key in ("source", "note") if key in part)


def priors_page() -> str:
    """The whole page, as Markdown."""
    loaded = {path: read_text(path) for path in files()}
    found = {path: entries(tomllib.loads(text)) for path, text in loaded.items()}
    counts = Counter[str]()
    for one in (entry for listed in found.values() for entry in listed):
        counts[one.known] += sum(len(value) if isinstance(value, list) else 1 for _, value in one.values)
    known = [name for name in get_args(Known) if counts[name]]
    rows = [(name, f"{counts[name]:,}") for name in known]
    rows.append(("as the head of the file says: counts and minutes of systems and the like", f"{counts['']:,}"))
    parts = [HEAD, table(("how it is known", "numbers"), rows), _properties()]
    return "\n\n".join([*parts, *(_section(path, loaded[path], found[path]) for path in found)]) + "\n"


def _section(path: Path, text: str, listed: Sequence[Entry]) -> str:
    """A file: what stands at its head, then its numbers."""
    name = path.relative_to(shipped("priors")).as_posix()
    head = "\n".join(line[2:] for line in _head(text))
    rows = [(one.of, _values(one), one.unit, one.known, one.source) for one in listed]
    told = [table(("of", "numbers", "unit", "known", "source"), rows)] if rows else ["No numbers."]
    return "\n\n".join([f"## {name}", f"```text\n{head}\n```", *told])


def _head(text: str) -> Iterator[str]:
    """The comment at the begin of a file."""
    for line in text.splitlines():
        if not line.startswith("#"):
            return
        yield line


def _values(one: Entry) -> str:
    return ", ".join(f"{key} {_shown(value)}" for key, value in one.values)


def _shown(value: Any) -> str:
    return " ".join(map(repr, value)) if isinstance(value, list) else repr(value)


def _properties() -> str:
    """Where the table of fluid properties comes from."""
    data = json.loads(read_text(shipped("priors", "properties.json")))
    units = "; ".join(f"{name.replace('_', ' ')}: {unit}" for name, unit in data["units"].items())
    return (
        f"`properties.json` holds fluid properties, **computed** with CoolProp {data['coolprop']} by "
        f"`{data['command']}` ({data['source']}). {units}."
    )

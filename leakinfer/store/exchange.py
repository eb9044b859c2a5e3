"""A job as one JSON file (RFC 8259) that people and other programs can read, and back again without any loss.

The file is an object: ``format`` is "leakinfer job", ``version`` 1, ``events`` the list of all events in order, undone
ones and undo events included, ``seal`` the checksum of the last one. An event has ``number`` (from 1), ``kind``,
``body`` (an object), ``when`` (ISO 8601, UTC, milliseconds), ``who``, ``token`` (a text or null) and ``checksum``: 64
hexadecimal digits of SHA-256 over the checksum before (32 zero bytes for the first) and the ASCII text of a JSON list
of number, kind, body as text, when, who and, unless it is null, token. The body's text has its keys sorted and no
spaces. The checksums show what was changed by mishap or by hand; they are no signature.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, overload

import msgspec
from msgspec import Meta

from leakinfer.errors import InputError
from leakinfer.reading import checked
from leakinfer.store.event import TOKEN_LENGTH, UNDO, BrokenChain, Row, as_json, checked_rows
from leakinfer.store.journal import Journal
from leakinfer.store.making import make_job, make_text
from leakinfer.store.shelf import Shelf

FORMAT = "leakinfer job"
VERSION = 1
EXPORT_FILE = "a file written by 'leakinfer export', unchanged"

_Checksum = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
_Moment = Annotated[str, Meta(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z$")]

_Token = Annotated[str, Meta(min_length=1, max_length=TOKEN_LENGTH)]


class ExportedEvent(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One event of the file."""

    number: int
    kind: Annotated[str, Meta(min_length=1)]
    body: dict[str, Any]
    when: _Moment
    who: str
    token: _Token | None
    checksum: _Checksum


class Exported(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The whole file."""

    format: Literal["leakinfer job"]
    version: int
    events: tuple[ExportedEvent, ...]
    seal: _Checksum


def export_json(journal: Journal) -> dict[str, Any]:
    """The job as plain data; see the head of this module for its parts.

    Raises:
        InputError: the file is damaged or cannot be read.
    """
    rows = journal.rows()
    return {
        "format": FORMAT,
        "version": VERSION,
        "events": [_exported(row) for row in rows],
        "seal": rows[-1].checksum.hex(),
    }


def export_text(data: Mapping[str, Any]) -> str:
    """Exported data as the text of a file."""
    return json.dumps(data, ensure_ascii=False, indent=1) + "\n"


def write_export(data: Mapping[str, Any], path: Path) -> None:
    """Exported data as a new file.

    Raises:
        InputError: it exists or cannot be written. Nothing is left behind.
    """
    make_text(path, export_text(data))


def parse_export(text: str, where: str) -> dict[str, Any]:
    """The text of an exported file as plain data.

    Raises:
        InputError: it is not one JSON object, or one that readers could take in two ways.
    """
    try:
        data = json.loads(text, object_pairs_hook=_object, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise InputError(f"is not JSON ({error})", where=where, allowed=EXPORT_FILE) from error
    if not isinstance(data, dict):
        raise InputError("is not a JSON object", where=where, allowed=EXPORT_FILE)
    return data


@overload
def import_json(data: Any, to: Path, *, where: str = "import") -> Path: ...
@overload
def import_json(data: Any, to: Shelf, *, where: str = "import") -> str: ...
def import_json(data: Any, to: Path | Shelf, *, where: str = "import") -> Path | str:
    """A new job of exported data, the same to the last checksum: the file ``to``, or one more on a shelf.

    Returns the path, or the id on the shelf.

    Raises:
        InputError: the data were changed or are of another kind, which names ``where``, or the file exists or cannot
            be written. Nothing is left behind.
    """
    rows = imported_rows(data, where)
    if isinstance(to, Shelf):
        return to.place(rows)
    make_job(to, rows)
    return to


def imported_rows(data: Any, where: str) -> tuple[Row, ...]:
    """The rows of exported data, verified, for :meth:`Shelf.place`.

    Raises:
        InputError: the data were changed, or are of another kind or a newer version.
    """
    try:
        as_json(data, "the file")  # finite numbers, whole characters, not too deep: what follows can rely on it
    except InputError as error:
        raise InputError(error.what, where=where, allowed=EXPORT_FILE) from error
    version = data.get("version")
    if data.get("format") == FORMAT and isinstance(version, int) and version > VERSION:
        raise InputError(f"has version {version}", where=where, allowed=f"version {VERSION}, or a newer leakinfer")
    held = checked(data, Exported, where=where)
    try:
        rows = checked_rows(_row(event) for event in held.events)
        if held.seal != rows[-1].checksum.hex() or held.version != VERSION:
            raise BrokenChain("it ends too early")
        _check_sense(rows)
    except BrokenChain as error:
        raise InputError(f"was changed ({error})", where=where, allowed=EXPORT_FILE) from error
    return rows


def _exported(row: Row) -> dict[str, Any]:
    event = row.event()
    return {
        "number": event.number,
        "kind": event.kind,
        "body": event.body,
        "when": event.when,
        "who": event.who,
        "token": row.token,
        "checksum": row.checksum.hex(),
    }


def _row(event: ExportedEvent) -> Row:
    body = as_json(event.body)
    return Row(event.number, event.kind, body, event.when, event.who, event.token, bytes.fromhex(event.checksum))


def _check_sense(rows: Iterable[Row]) -> None:
    """Every moment is one of the calendar, and an undo names an event between the first and itself."""
    for row in rows:
        try:
            datetime.fromisoformat(row.moment)
        except ValueError as error:
            raise BrokenChain(f"event {row.number} was told on no day") from error
        named = json.loads(row.body).get("number") if row.kind == UNDO else None
        if row.kind == UNDO and not (type(named) is int and 1 < named < row.number):
            raise BrokenChain(f"event {row.number} undoes nothing")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; a key that comes twice is refused, since readers differ in which of them they take."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key comes twice")
    return found


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no number")

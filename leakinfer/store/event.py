"""Events, and the chain of checksums that ties each one to all before it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from leakinfer.errors import InputError

UNDO = "undo"
START = bytes(32)  # what the first event's checksum builds on
TOKEN_LENGTH = 200  # characters, at most
SHAPES = tuple((int, str, str, str, str, token, bytes) for token in (type(None), str))  # of a stored row


@dataclass(frozen=True)
class Event:
    """One thing that was told.

    ``number`` counts from 1 without gaps, ``body`` is a JSON object, ``when`` is ISO 8601 in UTC with milliseconds.
    """

    number: int
    kind: str
    body: Mapping[str, Any]
    when: str
    who: str


class Row(NamedTuple):
    """An event as it is stored: ``body`` as JSON text, ``checksum`` 32 bytes (SHA-256).

    ``token`` is what its teller called it, None if nothing: the same token is never stored twice.
    """

    number: int
    kind: str
    body: str
    moment: str
    who: str
    token: str | None
    checksum: bytes

    def event(self) -> Event:
        """The event in this row."""
        return Event(self.number, self.kind, json.loads(self.body), self.moment, self.who)


class BrokenChain(ValueError):
    """Stored rows that are not what was written; the message says where."""


def row(
    previous: Row | None, kind: str, body: Mapping[str, Any], moment: str, who: str, token: str | None = None
) -> Row:
    """The row that follows ``previous`` (None: the first).

    Raises:
        InputError: ``kind`` or ``token`` is blank, a text is not Unicode, or ``body`` is not a JSON object.
    """
    if not kind.strip():
        raise InputError("an event needs a kind", allowed="a word")
    number = previous.number + 1 if previous else 1
    told = None if token is None else checked_token(token)
    texts = (_unicode(kind, "the kind of an event"), as_json(body), moment, _unicode(who, "the who of an event"))
    content = (number, *texts, told)
    return Row(*content, _checksum(previous.checksum if previous else START, content))


def checked_token(token: str) -> str:
    """A token that can be kept.

    Raises:
        InputError: it is blank, too long or not Unicode.
    """
    if not (token.strip() and len(token) <= TOKEN_LENGTH):
        raise InputError(f"a token of {len(token.strip())} characters", allowed=f"1 to {TOKEN_LENGTH}")
    return _unicode(token, "the token of an event")


def as_json(body: Mapping[str, Any], what: str = "the body of an event") -> str:
    """``body`` as JSON text (RFC 8259) with sorted keys; tuples become lists. ``what`` names it in the error.

    Raises:
        InputError: it is not an object, or holds something that JSON does not know, as NaN.
    """
    allowed = "a JSON object of texts, finite numbers, true, false, null, lists and objects with text keys"
    if not isinstance(body, Mapping):
        raise InputError(f"{what} is a {type(body).__name__}", allowed=allowed)
    try:
        text = json.dumps(dict(body), ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    except (TypeError, ValueError, RecursionError) as error:
        raise InputError(f"{what} does not fit into JSON ({error})", allowed=allowed) from error
    return _unicode(text, what)


def checked_rows(rows: Iterable[tuple[Any, ...]]) -> tuple[Row, ...]:
    """Stored rows, in order, with numbers and checksums verified.

    Raises:
        BrokenChain: there is none, or one is missing or not as it was written.
    """
    kept: list[Row] = []
    tokens: set[str] = set()
    previous = START
    for place, values in enumerate(rows, start=1):
        found = Row(*values)
        if tuple(type(value) for value in found) not in SHAPES or found.number != place:
            raise BrokenChain(f"event {place} is missing or misshapen")
        if found.checksum != _checksum(previous, found[:6]):
            raise BrokenChain(f"event {place} is not as it was written")
        if found.token in tokens:
            raise BrokenChain(f"event {place} was told before")
        tokens |= set() if found.token is None else {found.token}
        previous = found.checksum
        kept.append(found)
    if not kept:
        raise BrokenChain("its first event is missing")
    return tuple(kept)


def live(events: Iterable[Event]) -> tuple[Event, ...]:
    """The events that hold: not undone, and without the undo events themselves."""
    told = tuple(events)
    undone = {event.body["number"] for event in told if event.kind == UNDO}
    return tuple(event for event in told if event.kind != UNDO and event.number not in undone)


def _checksum(previous: bytes, content: tuple[int, str, str, str, str, str | None]) -> bytes:
    """SHA-256 of the checksum before and of this row's content.

    Without a token it is the checksum of format 1, which had none: migrating keeps the chain as it was.
    """
    parts = content if content[-1] is not None else content[:-1]
    return hashlib.sha256(previous + json.dumps(parts).encode("ascii")).digest()


def _unicode(text: str, what: str) -> str:
    """``text`` if it can be stored as UTF-8, else an error that names ``what``."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise InputError(f"{what} holds half a character", allowed="Unicode text") from error
    return text

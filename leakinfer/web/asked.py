"""A request as the views see it: who asks, in which units, what was typed; and what their choices are."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

from leakinfer.errors import InputError
from leakinfer.words.units import AMERICAN, Units, units_of

if TYPE_CHECKING:
    from starlette.responses import Response

    from leakinfer.web.desk import Desk
    from leakinfer.web.doors import Doors

COOKIE_SECONDS = 400 * 24 * 3600  # as long as browsers keep one
SESSION_COOKIE, UNITS_COOKIE, WHO_COOKIE = "leakinfer_session", "leakinfer_units", "leakinfer_who"
SESSION = re.compile(r"[A-Za-z0-9_-]{20,60}")
FIELDS = 400  # of one form
LETTERS = 400  # of one entry
NAME_LETTERS = 40


class NotHere(InputError):
    """What the address names is not there."""


class Form:
    """What was typed, by name; a name may come several times."""

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        self.pairs = pairs

    def one(self, name: str) -> str:
        """The last entry of that name without spaces around it; empty if there is none."""
        return next((text.strip() for key, text in reversed(self.pairs) if key == name), "")

    def all(self, name: str) -> tuple[str, ...]:
        """All entries of that name that are not empty."""
        return tuple(text.strip() for key, text in self.pairs if key == name and text.strip())

    def number(self, name: str) -> int:
        """A whole number that one of our own pages put there; 0 if it is none."""
        text = self.one(name)
        return int(text) if text.isascii() and text.isdigit() and len(text) < 13 else 0


def form_of(text: bytes) -> Form:
    """The entries of a form's body or of an address.

    Raises:
        InputError: not a form, too many entries, or one that is too long.
    """
    allowed = f"up to {FIELDS} entries of up to {LETTERS} letters"
    try:
        pairs = parse_qsl(text.decode("ascii"), keep_blank_values=True, max_num_fields=FIELDS, errors="strict")
    except (ValueError, UnicodeError) as error:
        raise InputError("cannot be read", where="this form", allowed=allowed) from error
    if any(len(name) + len(entry) > LETTERS for name, entry in pairs):
        raise InputError("an entry is too long", where="this form", allowed=allowed)
    return Form([(name, "".join(c for c in entry if c.isprintable() or c in "\n\t")) for name, entry in pairs])


@dataclass(frozen=True)
class Asked:
    """A request.

    ``desk``: the jobs at work. ``doors``: who may ask. ``form``: what was sent, ``query``: what the address says.
    ``plain``: the script asked and wants an object instead of a page. ``secure``: the line is encrypted. ``file``: the
    one that the form brought.
    """

    desk: Desk
    path: Mapping[str, str]
    query: Form
    form: Form
    session: str
    units: Units
    who: str
    plain: bool
    here: str
    doors: Doors
    secure: bool = False
    file: bytes = b""

    @property
    def form_key(self) -> str:
        """What every form of this person carries: it cannot be known without the session's cookie."""
        return form_key(self.session)

    @property
    def token(self) -> str:
        """What the telling of this form is called: the same page, entries, button and person give the same name."""
        told = sorted(pair for pair in self.form.pairs if pair[0] not in ("form", "last"))
        return hashlib.sha256(repr((self.here, self.who, told)).encode()).hexdigest()[:40]


def keep(asked: Asked, response: Response, name: str, value: str) -> None:
    """Keep a value in a cookie of this browser that no script and no other page gets."""
    response.set_cookie(name, value, max_age=COOKIE_SECONDS, httponly=True, samesite="strict", secure=asked.secure)


def form_key(session: str) -> str:
    """The form's key of a session; needs no memory, so that a page survives a restart of the server."""
    return hmac.new(session.encode(), b"leakinfer: form", hashlib.sha256).hexdigest()[:40]


def session_of(cookies: Mapping[str, str]) -> tuple[str, bool]:
    """The session of a request, and whether it is new."""
    there = cookies.get(SESSION_COOKIE, "")
    return (there, False) if SESSION.fullmatch(there) else (secrets.token_urlsafe(24), True)


def units_told(cookies: Mapping[str, str]) -> Units:
    """The units that a person chose; without a choice psig, F and oz."""
    parts = cookies.get(UNITS_COOKIE, "").split(".")
    try:
        return units_of(*parts) if len(parts) == 3 else AMERICAN
    except InputError:
        return AMERICAN


def who_told(cookies: Mapping[str, str]) -> str:
    """The name that a person gave; kept as hexadecimal, since cookies take no other letters."""
    try:
        return bytes.fromhex(cookies.get(WHO_COOKIE, "")).decode("utf-8")[:NAME_LETTERS]
    except ValueError:
        return ""


def short(form: Form, name: str, label: str, most: int = NAME_LETTERS * 5) -> str:
    """A typed text in one line.

    Raises:
        InputError: it is too long.
    """
    text = " ".join(form.one(name).split())
    if len(text) > most:
        raise InputError(f"has {len(text)} letters", where=label, allowed=f"up to {most}")
    return text

"""Who may ask, and how: host names, the key, where forms come from, sizes, and the headers of every answer.

One ASGI layer around the whole page, so that no route can be forgotten. Nothing here knows of leaks.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import logging
import re
import secrets
import socket
import traceback
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any

from leakinfer.errors import InputError

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY_BYTES = 64 * 1024
FILE_BYTES = 4 * 1024 * 1024  # of a job that is imported: a rack store of 2,000 sites takes 1.2 MB before any finding
IMPORT = "/import"
KEY_LETTERS = 16  # a shorter key could be guessed
KEY_COOKIE = "leakinfer_key"
FREE = ("/enter", "/static/")  # what a stranger may see: where the key is given, and how it looks
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-cache, private",
}
HOST = re.compile(r"(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9.-]+)(?::([0-9]{1,5}))?")
NAME = re.compile(r"(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*")  # RFC 1123
LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")
FAILED = "Something went wrong here. Nothing was lost; go back and try again."
log = logging.getLogger("leakinfer.web")


@dataclass(frozen=True)
class Doors:
    """``local``: only this machine is served, under a loopback name. ``key``: what others must know; None asks none.

    ``name``: one more name that it is opened by, as that of a certificate or of something in front of it.
    """

    local: bool = True
    key: str | None = None
    name: str = ""

    def knows(self, host: str) -> bool:
        """Whether a Host header may name us: by a loopback name, from outside by an address or this machine's name.

        A name that some stranger's name server turned to our address is refused (DNS rebinding).
        """
        found = HOST.fullmatch(host)
        if found is None:
            return False
        name = found[1].lower().rstrip(".")
        if name in LOCAL_NAMES or (self.name and name == self.name):
            return True
        return not self.local and (_is_address(name) or name in _own_names())

    def pass_word(self) -> str:
        """What the cookie of someone who gave the key holds; not the key itself."""
        return hmac.new((self.key or "").encode(), b"leakinfer: key was given", hashlib.sha256).hexdigest()

    def opens(self, given: str) -> bool:
        """Whether a key is the right one; takes the same time for every wrong one."""
        return self.key is None or hmac.compare_digest(given.encode(errors="replace"), self.key.encode())


def doors_for(host: str, key: str | None, name: str | None = None) -> Doors:
    """The doors for an address to listen on; beyond this machine, and under a name, a key is made where none is given.

    Raises:
        InputError: a key that could be guessed, or what is no name.
    """
    if name is not None and not NAME.fullmatch(name.lower()):
        raise InputError(
            f"'{name}' is no name of a machine", where="--name", allowed="as office.example, without a port"
        )
    if key is not None and not re.fullmatch(r"[A-Za-z0-9_-]+", key):
        raise InputError("holds other characters", where="--token", allowed="letters, digits, - and _")
    if key is not None and len(key) < KEY_LETTERS:
        raise InputError(f"has {len(key)} characters", where="--token", allowed=f"{KEY_LETTERS} or more")
    local = name is None and (host == "localhost" or _is_loopback(host))
    return Doors(local, key if local or key else secrets.token_urlsafe(KEY_LETTERS), (name or "").lower())


def cookies_of(scope: Scope) -> dict[str, str]:
    """The cookies of a request; a header that cannot be read holds none."""
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load("; ".join(value for name, value in _headers(scope) if name == "cookie"))
    except CookieError:
        return {}
    return {name: morsel.value for name, morsel in jar.items()}


class Guard:
    """The layer: refuses what must not come in, adds the headers, and lets no error out but one plain page."""

    def __init__(self, app: App, doors: Doors, plain: Callable[[int, str], tuple[bytes, bytes]]) -> None:
        self.app, self.doors, self.plain = app, doors, plain

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        started = False

        async def told(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                message = {**message, "headers": _with_ours(message.get("headers", []))}
            await send(message)

        try:
            refused = self._refused(scope)
            most = _most(scope)
            body = b"" if refused else await _body(receive, most)
            if body is None:
                refused = _too_much(most)
            if refused:
                await self._say(told, *refused)
                return
            await self.app(scope, _again(body or b""), told)
        except Exception as error:  # whatever went wrong inside: one line in the log, one plain page, no traceback
            log.error("%s failed: %s", scope["method"], _at(error), exc_info=log.isEnabledFor(logging.DEBUG))
            if not started:
                await self._say(told, 500, FAILED)

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        """Status and reason, if the request must not come in."""
        headers: dict[str, str] = {}
        for name, value in _headers(scope):
            headers.setdefault(name, value)
        host = headers.get("host", "")
        if not self.doors.knows(host):
            return 400, "This page is not known under that name. Open it by the address that was shown at the start."
        told, most = headers.get("content-length", "0"), _most(scope)
        if told.isdigit() and int(told) > most:
            return _too_much(most)
        if scope["method"] not in ("GET", "HEAD") and not _same_origin(headers, host):
            return 403, "This form came from another page and was not taken."
        if self.doors.key is not None and not scope["path"].startswith(FREE):
            given = cookies_of(scope).get(KEY_COOKIE, "")
            if not hmac.compare_digest(given.encode(errors="replace"), self.doors.pass_word().encode()):
                return 401, "This page asks for its key. Open the address with the key that was shown at the start."
        return None

    async def _say(self, send: Send, status: int, words: str) -> None:
        """Send the plain page."""
        kind, page = self.plain(status, words)
        headers = [(b"content-type", kind), (b"content-length", str(len(page)).encode())]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": page})


def _at(error: BaseException) -> str:
    """What went wrong and where, in one line."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return " ".join(f"{type(error).__name__}: {error} ({last.filename}:{last.lineno})".split())


def _headers(scope: Scope) -> list[tuple[str, str]]:
    return [(name.decode("latin-1").lower(), value.decode("latin-1")) for name, value in scope["headers"]]


def _with_ours(headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """Our headers, where the answer does not bring its own."""
    there = {name.lower() for name, _ in headers}
    ours = [(name.encode().lower(), value.encode()) for name, value in HEADERS.items()]
    return [*headers, *(pair for pair in ours if pair[0] not in there)]


def _same_origin(headers: dict[str, str], host: str) -> bool:
    """Whether a form was sent from one of our own pages, as far as the browser tells."""
    origin = headers.get("origin")
    if origin is not None and origin.partition("://")[2].lower() != host.lower():
        return False
    return headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")


def _most(scope: Scope) -> int:
    """Bytes that a body may have there."""
    return FILE_BYTES if scope["path"] == IMPORT else BODY_BYTES


def _too_much(most: int) -> tuple[int, str]:
    return 413, f"That is too much at once; at most {most // 1024:,} kB are taken."


async def _body(receive: Receive, most: int) -> bytes | None:
    """The whole body; None if it is too large or does not come."""
    parts, size = [], 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return None
        part = message.get("body", b"")
        size += len(part)
        if size > most:
            return None
        parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts)


def _again(body: bytes) -> Receive:
    """A body that was read, for the app to read once more."""
    messages: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        return messages.pop() if messages else {"type": "http.disconnect"}

    return receive


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _is_loopback(host: str) -> bool:
    return _is_address(host) and ipaddress.ip_address(host.strip("[]")).is_loopback


def _own_names() -> tuple[str, ...]:
    name = socket.gethostname().lower()
    return name, f"{name}.local"

"""The application: addresses and views, with the guard around them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple
from urllib.parse import urlencode

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from leakinfer.errors import InputError
from leakinfer.session.beginning import Beginning
from leakinfer.store import Shelf
from leakinfer.web import (
    choosing,
    findings,
    importing,
    jobs,
    later,
    me,
    papers,
    places,
    present,
    recording,
    ruling,
    stopping,
    where,
)
from leakinfer.web.asked import (
    FIELDS,
    SESSION_COOKIE,
    Asked,
    Form,
    NotHere,
    form_of,
    keep,
    session_of,
    units_told,
    who_told,
)
from leakinfer.web.desk import Desk, Stale
from leakinfer.web.doors import BODY_BYTES, FAILED, Doors, Guard, cookies_of
from leakinfer.web.lines import since
from leakinfer.web.pages import page, plain_page

WITH_FILE = "multipart/form-data"  # RFC 7578
View = Callable[[Asked], Response]
ROUTES: tuple[tuple[str, View | None, View | None], ...] = (
    *jobs.ROUTES,
    *importing.ROUTES,
    *where.ROUTES,
    *recording.ROUTES,
    *choosing.ROUTES,
    *places.ROUTES,
    *findings.ROUTES,
    *present.ROUTES,
    *later.ROUTES,
    *stopping.ROUTES,
    *ruling.ROUTES,
    *papers.ROUTES,
    *me.ROUTES,
)


class Sent(NamedTuple):
    """A body: its entries as of a plain form, and the file that it brings."""

    entries: bytes
    file: bytes = b""


NOTHING = Sent(b"")


def make_app(shelf: Shelf, doors: Doors, beginning: Beginning | None = None) -> Guard:
    """The page over the jobs of a shelf, as an ASGI application; new jobs begin with the shipped systems and priors,
    or as told.
    """
    desk = Desk(shelf, beginning)
    routes: list[Any] = [
        Route(path, _endpoint(desk, doors, get, post), methods=_methods(get, post)) for path, get, post in ROUTES
    ]
    app = Starlette(routes=routes, exception_handlers={HTTPException: _not_found, Exception: _failed})
    return Guard(app, doors, plain_page)


def _methods(get: View | None, post: View | None) -> list[str]:
    return ["GET"] * (get is not None) + ["POST"] * (post is not None)


def _endpoint(desk: Desk, doors: Doors, get: View | None, post: View | None) -> Callable[[Request], Any]:
    """One address: its views run in threads, so that nobody waits for another's arithmetic."""

    async def endpoint(request: Request) -> Response:
        sent = await _sent(request) if request.method == "POST" else NOTHING
        return await run_in_threadpool(_answer, desk, doors, request, sent, post if request.method == "POST" else get)

    return endpoint


async def _sent(request: Request) -> Sent:
    """The body of a request; one that cannot be read is answered by the framework."""
    if not request.headers.get("content-type", "").lower().startswith(WITH_FILE):
        return Sent(await request.body())
    async with request.form(max_files=1, max_fields=FIELDS, max_part_size=BODY_BYTES) as form:
        entries = [(name, value) for name, value in form.multi_items() if isinstance(value, str)]
        files = [await value.read() for _, value in form.multi_items() if not isinstance(value, str)]
    return Sent(urlencode(entries).encode(), b"".join(files))


def _answer(desk: Desk, doors: Doors, request: Request, sent: Sent, view: View) -> Response:
    """What a view answers, or the page that says in one line why it does not."""
    cookies = cookies_of(request.scope)
    session, new = session_of(cookies)
    plain = "application/json" in request.headers.get("accept", "")
    here, nothing = request.url.path, Form([])
    units, who = units_told(cookies), who_told(cookies)
    secure = request.url.scheme == "https"
    empty = Asked(desk, request.path_params, nothing, nothing, session, units, who, plain, here, doors, secure)
    try:
        response = _viewed(empty, request, sent, view, new)
    except InputError as error:
        response = refusal(empty, error, _back(request))
    if new:
        keep(empty, response, SESSION_COOKIE, session)
    return response


def _viewed(empty: Asked, request: Request, sent: Sent, view: View, new: bool) -> Response:
    asked = replace(empty, query=form_of(request.url.query.encode()), form=form_of(sent.entries), file=sent.file)
    if request.method == "POST" and (new or asked.form.one("form") != asked.form_key):
        if asked.plain:
            return JSONResponse({"form": asked.form_key}, status_code=403)
        words = "This form is not of this browser any more. Open the page again, then send it once more."
        return page(asked, "refused.html", 403, title="Not taken", words=words, allowed="", back=_back(request))
    try:
        return view(asked)
    except Stale as stale:
        return _stale(asked, stale)


def _stale(asked: Asked, stale: Stale) -> Response:
    """Somebody told something meanwhile: keep this or drop it."""
    told = since(stale.seen, stale.based_on, asked.units)
    if asked.plain:
        return JSONResponse({"last": stale.seen.last, "since": told}, status_code=409)
    same = [pair for pair in asked.form.pairs if pair[0] not in ("form", "last")]
    again = same if stale.again else None
    return page(asked, "stale.html", 409, seen=stale.seen, since=told, again=again, to=asked.here)


def refusal(asked: Asked, error: InputError, back: str) -> Response:
    """The page for something that is not usable."""
    status = 404 if isinstance(error, NotHere) else 400
    if asked.plain:
        return JSONResponse({"error": error.line()}, status_code=status)
    there = status != 404
    where = f"{error.where}: " if error.where else ""
    return page(
        asked,
        "refused.html",
        status,
        title="Not taken" if there else "Not here",
        words=f"{where}{error.what}",
        allowed=error.allowed,
        back=back if there else "/",
    )


def _back(request: Request) -> str:
    """The page that a form stands on; for a form without a page of its own the list of jobs."""
    parts = request.url.path.split("/")
    return "/".join(parts[:3]) if parts[1:2] == ["job"] and len(parts) > 2 else "/"


async def _not_found(_: Request, error: HTTPException) -> Response:
    words = "There is no such page." if error.status_code == 404 else "That cannot be asked here."
    kind, text = plain_page(error.status_code, words)
    return Response(text, status_code=error.status_code, media_type=kind.decode())


async def _failed(_: Request, __: Exception) -> Response:
    """The page for a mistake of ours; the guard logs it."""
    kind, text = plain_page(500, FAILED)
    return Response(text, status_code=500, media_type=kind.decode())

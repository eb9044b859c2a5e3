"""The person's own choices (units, name), the key, and the files that every page needs."""

from __future__ import annotations

import hashlib
import time
from functools import cache
from importlib.resources import files

from starlette.responses import JSONResponse, RedirectResponse, Response

from leakinfer.errors import InputError
from leakinfer.web.asked import NAME_LETTERS, UNITS_COOKIE, WHO_COOKIE, Asked, NotHere, keep, short
from leakinfer.web.doors import KEY_COOKIE
from leakinfer.web.pages import inside, page
from leakinfer.words.units import units_of

WRONG_KEY_SECONDS = 1.0  # that a wrong key costs, so that none is found by trying
TYPES = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "webmanifest": "application/manifest+json",
}


def settings(asked: Asked, error: InputError | None = None) -> Response:
    """Units and name."""
    back = asked.query.one("back")
    return page(asked, "settings.html", 400 if error else 200, error=error, back=back if inside(back) else "/")


def keep_settings(asked: Asked) -> Response:
    """Keep the choices in cookies."""
    form = asked.form
    try:
        units = units_of(form.one("pressure"), form.one("temperature"), form.one("mass"), "Units")
        who = short(form, "who", "Your name", NAME_LETTERS)
    except InputError as error:
        return settings(asked, error)
    back = form.one("back")
    answer = RedirectResponse(back if inside(back) else "/", status_code=303)
    chosen = {UNITS_COOKIE: f"{units.pressure}.{units.temperature}.{units.mass}", WHO_COOKIE: who.encode().hex()}
    for name, value in chosen.items():
        keep(asked, answer, name, value)
    return answer


def enter(asked: Asked) -> Response:
    """Where the key is given; an address that holds it lets in at once."""
    key = asked.query.one("key")
    return _let_in(asked, key) if key else page(asked, "enter.html")


def enter_key(asked: Asked) -> Response:
    """The key was typed."""
    return _let_in(asked, asked.form.one("key"))


def _let_in(asked: Asked, key: str) -> Response:
    if not asked.doors.opens(key):
        time.sleep(WRONG_KEY_SECONDS)
        return page(asked, "enter.html", 403, error=InputError("is not the key of this page", where="Key"))
    answer = RedirectResponse("/", status_code=303)
    keep(asked, answer, KEY_COOKIE, asked.doors.pass_word())
    return answer


@cache
def _static() -> dict[str, tuple[bytes, str]]:
    """By name, the files that come with the page: content and checksum. Read once; no address is ever a path."""
    folder = files("leakinfer.web") / "static"
    found = {entry.name: entry.read_bytes() for entry in folder.iterdir() if entry.is_file()}
    return {name: (content, hashlib.sha256(content).hexdigest()[:20]) for name, content in found.items()}


def static(asked: Asked) -> Response:
    """One of those files."""
    name = asked.path["name"]
    if name not in _static():
        raise NotHere("there is no such file", where="page")
    content, digest = _static()[name]
    media = TYPES.get(name.rpartition(".")[2], "application/octet-stream")
    return Response(content, media_type=media, headers={"ETag": f'"{digest}"', "Cache-Control": "max-age=300"})


def worker(_: Asked) -> Response:
    """The service worker; it stands at the top so that it may serve all pages."""
    content, _digest = _static()["worker.js"]
    return Response(content, media_type=TYPES["js"])


def alive(asked: Asked) -> Response:
    """Whether the server is in reach, and the form's key of this browser."""
    return JSONResponse({"form": asked.form_key})


ROUTES = (
    ("/settings", settings, keep_settings),
    ("/enter", enter, enter_key),
    ("/static/{name}", static, None),
    ("/worker.js", worker, None),
    ("/alive", alive, None),
)

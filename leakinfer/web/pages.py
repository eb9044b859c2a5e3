"""From templates to answers: pages, redirects, objects for the script, and the one page for what went wrong."""

from __future__ import annotations

import secrets
import time
from functools import cache
from typing import Any
from urllib.parse import quote, urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from leakinfer.report.wording import capital
from leakinfer.web.asked import Asked
from leakinfer.web.desk import Seen
from leakinfer.words.job import time_words
from leakinfer.words.numbers import minutes, percent


def left(since: int, minutes_long: float) -> str:
    """What is left of a wait that began at a moment (s since 1970); for phones without a script."""
    rest = (since + minutes_long * 60 - time.time()) / 3600
    return f"{time_words(rest)} left" if rest > 0 else "over"


@cache
def templates() -> Environment:
    """The templates; everything that is filled in is escaped, and what is missing is an error."""
    found = Environment(
        loader=PackageLoader("leakinfer.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters.update(
        percent=percent,
        minutes=minutes,
        left=left,
        span=lambda wait: time_words(wait / 60),
        part=lambda text: quote(text, safe=""),
        capital=capital,
    )
    found.globals["job_path"] = job_path
    return found


def page(asked: Asked, template: str, status: int = 200, **values: Any) -> Response:
    """A page; ``seen``, where it is among the values, gives it the job's head and foot."""
    common = {
        "asked": asked,
        "units": asked.units,
        "form_key": asked.form_key,
        "token": secrets.token_urlsafe(12),
        "seen": None,
        "error": None,
        "tab": "",
    }
    text = templates().get_template(template).render(**common | values)
    return HTMLResponse(text, status_code=status)


def job_path(job_id: str, *parts: str, **query: str) -> str:
    """The address of a page of a job."""
    path = "/".join(["/job", quote(job_id, safe=""), *(quote(part, safe="") for part in parts)])
    return f"{path}?{urlencode(query)}" if query else path


def inside(path: str) -> bool:
    """Whether an address out of a form is a page of a job here, and nothing else."""
    return path.startswith("/job/") and all(c.isalnum() or c in "-_/:" for c in path) and "//" not in path


def told(asked: Asked, seen: Seen, *parts: str, **query: str) -> Response:
    """After something was told: on to a page, or an object for the script that sent it from its queue."""
    where = job_path(seen.id, *parts, **query)
    if asked.plain:
        return JSONResponse({"last": seen.last, "where": where})
    return RedirectResponse(where, status_code=303)


def plain_page(status: int, words: str) -> tuple[bytes, bytes]:
    """Content type and bytes of the page for what was refused before any view saw it."""
    text = templates().get_template("plain.html").render(status=status, words=words)
    return b"text/html; charset=utf-8", text.encode()

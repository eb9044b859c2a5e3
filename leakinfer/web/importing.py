"""A job that was told on another machine: its file is looked at as a whole before anything is kept."""

from __future__ import annotations

from starlette.responses import RedirectResponse, Response

from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.store import imported_rows, parse_export
from leakinfer.store.exchange import EXPORT_FILE
from leakinfer.web.asked import Asked
from leakinfer.web.doors import IMPORT
from leakinfer.web.pages import job_path, page

FILE = "The file"


def choose(asked: Asked, error: InputError | None = None) -> Response:
    """Where the file is chosen."""
    return page(asked, "import.html", 400 if error else 200, label=FILE, error=error)


def take(asked: Asked) -> Response:
    """Keep the job; imported twice it is there once."""
    try:
        made = _kept(asked)
    except InputError as error:
        if asked.plain:
            raise
        return choose(asked, error)
    return RedirectResponse(job_path(made), status_code=303)


def _kept(asked: Asked) -> str:
    """The id of the job.

    Raises:
        InputError: no file was chosen, it was changed, or the job cannot be worked with here; nothing is kept.
    """
    if not asked.file:
        raise InputError("none was chosen, or it is empty", where=FILE, allowed=EXPORT_FILE)
    try:
        text = asked.file.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError("is not a text file", where=FILE, allowed=EXPORT_FILE) from error
    rows = imported_rows(parse_export(text, FILE), FILE)
    Belief(asked.desk.beginning.replayed(tuple(row.event() for row in rows), FILE))
    made: str = asked.desk.shelf.place(rows, once=True)
    return made


ROUTES = ((IMPORT, choose, take),)

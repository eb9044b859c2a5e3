"""The report to hand over, and the whole job as one file."""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import date

from starlette.responses import Response

from leakinfer.report.job import Record
from leakinfer.store import Journal, export_json, export_text
from leakinfer.web.asked import Asked
from leakinfer.web.desk import Seen
from leakinfer.web.doors import HEADERS
from leakinfer.web.pages import page
from leakinfer.words.units import Units

STYLE = re.compile(r"<style[^>]*>(.*?)</style>", re.DOTALL)


def more(asked: Asked) -> Response:
    """All else that can be done with a job."""
    seen: Seen = asked.desk.see(asked.path["job"])
    return page(asked, "more.html", seen=seen, tab="more")


def report(asked: Asked) -> Response:
    """The report as a page of its own; its one inline style sheet is named to the browser by its checksum."""
    from leakinfer.report.job.page import job_page

    text = job_page(_record(asked.desk.see(asked.path["job"]), asked.units))
    sums = [base64.b64encode(hashlib.sha256(style.encode()).digest()).decode() for style in STYLE.findall(text)]
    styles = " ".join(["style-src 'self'", *(f"'sha256-{checksum}'" for checksum in sums)])
    policy = f"{HEADERS['Content-Security-Policy']}; {styles}; img-src 'self' data:"
    return Response(text, media_type="text/html; charset=utf-8", headers={"Content-Security-Policy": policy})


def report_pdf(asked: Asked) -> Response:
    """The same as a PDF file."""
    from leakinfer.report.job.pdf import job_pdf

    seen: Seen = asked.desk.see(asked.path["job"])
    content = job_pdf(_record(seen, asked.units))
    return Response(content, media_type="application/pdf", headers=_file(seen, "pdf"))


def _record(seen: Seen, units: Units) -> Record:
    return Record(seen.title, seen.belief, seen.wider, seen.events, date.today(), units, seen.notices)


def export(asked: Asked) -> Response:
    """The whole job as one file that 'leakinfer import' takes."""
    seen: Seen = asked.desk.see(asked.path["job"])
    with Journal.open(asked.desk.shelf.path(seen.id)) as journal:
        text = export_text(export_json(journal))
    return Response(text, media_type="application/json", headers=_file(seen, "json"))


def _file(seen: Seen, ending: str) -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="{seen.id}.{ending}"'}


ROUTES = (
    ("/job/{job}/more", more, None),
    ("/job/{job}/report", report, None),
    ("/job/{job}/report.pdf", report_pdf, None),
    ("/job/{job}/export.json", export, None),
)

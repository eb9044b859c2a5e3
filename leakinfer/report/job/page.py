"""The report as one HTML page: nothing outside it is needed, no script is in it, and it prints in black and white."""

from __future__ import annotations

from leakinfer.report.circuit.svg import svg_of
from leakinfer.report.filling import filled
from leakinfer.report.job.content import CIRCUIT, report_of
from leakinfer.report.job.record import Record


def job_page(record: Record) -> str:
    """The page. Needs the library jinja2, of the extra ``report``."""
    from markupsafe import Markup

    report = report_of(record)
    drawings = [Markup(svg_of(drawing)) for drawing in (*report.drawings, report.signs)]  # its words are escaped there
    links = [(section.id, section.short) for section in report.sections]
    return filled("job/page.html", report=report, drawings=drawings, links=links, circuit=CIRCUIT)

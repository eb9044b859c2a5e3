"""The report as a PDF: the same content as the page."""

from __future__ import annotations

from typing import Any

from leakinfer.report.circuit.shapes import Box, Drawing, Line, Paint, Ring, Shape, Words
from leakinfer.report.job.content import CIRCUIT, Report, report_of
from leakinfer.report.job.record import Record
from leakinfer.report.job.sheets import FOOT, POINT, TEXT, TYPE, paragraph, section, sheets

BESIDE = 6.0  # mm between the two drawings
LOOP_SHARE = 0.64  # of the width, for the circuit; the rest is for its signs
BASELINE = 0.8  # of a size, from the top of a cell that is as high as its letters to where they stand
GREY = {"ink": 0, "paper": 255}


def job_pdf(record: Record) -> bytes:
    """The file. Needs the libraries fpdf2 and matplotlib, of the extra ``report``."""
    report = report_of(record)
    pdf = sheets(record, report)
    _front(pdf, report)
    for part in report.sections:
        if part.id == CIRCUIT:
            pdf.add_page()
        section(pdf, part)
        if part.id == CIRCUIT:
            _drawings(pdf, report.drawings[1], report.signs)
    return bytes(pdf.output())


def _front(pdf: Any, report: Report) -> None:
    """Title, and the sentences for the customer in a frame."""
    pdf.set_font(TYPE, "B", 18)
    paragraph(pdf, report.title)
    pdf.set_font(TYPE, "", TEXT)
    paragraph(pdf, report.subtitle)
    pdf.ln(3)
    top = pdf.y
    pdf.set_y(top + 2)
    pdf.set_font(TYPE, "B", 12)
    paragraph(pdf, "For the customer", 3)
    pdf.set_font(TYPE, "", 11)
    for sentence in report.customer:
        pdf.ln(1)
        pdf.set_x(pdf.l_margin + 3)
        pdf.multi_cell(pdf.epw - 6, 11 * POINT * 1.4, sentence, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(2)
    pdf.set_line_width(0.6)
    pdf.rect(pdf.l_margin, top, pdf.epw, pdf.y - top)
    pdf.set_font(TYPE, "", TEXT)


def _drawings(pdf: Any, loop: Drawing, legend: Drawing) -> None:
    """The circuit and its signs side by side on what is left of the page."""
    top, height = pdf.y + 2, pdf.h - FOOT - pdf.y - 4
    width = pdf.epw * LOOP_SHARE
    scale = min(width / loop.width, height / loop.height)
    _draw(pdf, loop, pdf.l_margin, top, scale)
    beside = pdf.l_margin + loop.width * scale + BESIDE
    room = pdf.w - pdf.r_margin - beside
    _draw(pdf, legend, beside, top, min(room / legend.width, height / legend.height, scale * 1.3))
    pdf.set_y(top + loop.height * scale)
    pdf.set_font(TYPE, "", TEXT)
    pdf.set_line_width(0.2)


def _draw(pdf: Any, drawing: Drawing, left: float, top: float, scale: float) -> None:
    with pdf.local_context():
        for shape in drawing.every_shape:
            _shape(pdf, shape, left, top, scale)


def _shape(pdf: Any, shape: Shape, left: float, top: float, scale: float) -> None:
    """One shape; ``scale``: mm for a unit of the drawing."""
    if isinstance(shape, Words):
        _words(pdf, shape, left, top, scale)
    elif isinstance(shape, Line):
        pdf.set_draw_color(GREY[shape.paint])
        pdf.set_line_width(shape.width * scale)
        pdf.polyline([(left + x * scale, top + y * scale) for x, y in shape.points])
    else:
        _outlined(pdf, shape, left, top, scale)


def _outlined(pdf: Any, shape: Box | Ring, left: float, top: float, scale: float) -> None:
    pdf.set_draw_color(GREY["ink"])
    pdf.set_line_width(shape.edge * scale)
    if shape.dashed:
        pdf.set_dash_pattern(4 * scale, 3 * scale)
    style = _filled(pdf, shape.fill)
    x, y = left + shape.x * scale, top + shape.y * scale
    if isinstance(shape, Ring):
        pdf.circle(x, y, shape.radius * scale, style)
    else:
        wide, high = shape.width * scale, shape.height * scale
        radius = min(shape.radius * scale, 0.49 * min(wide, high))  # fpdf2 draws no corner that is half of a side
        pdf.rect(x, y, wide, high, style, round_corners=radius > 0, corner_radius=radius)
    pdf.set_dash_pattern()


def _filled(pdf: Any, fill: Paint) -> str:
    if fill == "none":
        return "D"
    pdf.set_fill_color(GREY[fill])
    return "DF"


def _words(pdf: Any, words: Words, left: float, top: float, scale: float) -> None:
    pdf.set_font(TYPE, "B" if words.bold else "", words.size * scale / POINT)
    pdf.set_text_color(GREY[words.paint])
    wide, high = pdf.get_string_width(words.text), pdf.font_size
    before = {"start": 0.0, "middle": wide / 2, "end": wide}[words.anchor]
    pdf.set_xy(left + words.x * scale - before - pdf.c_margin, top + words.y * scale - BASELINE * high)
    pdf.cell(wide, high, words.text)  # text() would know the first type only

"""Paper: a PDF with page numbers, its types, and what stands on it: titles, words, points, tables."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time
from typing import Any

from leakinfer import __version__
from leakinfer.report.circuit.shapes import Words
from leakinfer.report.job.content import LANGUAGE, Report
from leakinfer.report.job.fonts import BOLD, PLAIN, missing, type_file, types_for
from leakinfer.report.job.record import Record
from leakinfer.report.section import Section, Table

TYPE = "sans"
MARGIN, FOOT = 16.0, 18.0  # mm
TEXT, SMALL, TINY = 10.0, 8.0, 7.5  # points
POINT = 25.4 / 72  # mm
LINE = 1.4  # of a size, from line to line
LONGEST_CELL = 1200  # letters; a longer one goes on in the next row, so that no row is higher than a page
MOST_SHARE, LEAST_SHARE = 0.6, 0.06  # of the width, for a column


def sheets(record: Record, report: Report) -> Any:
    """An empty PDF with its types, its title, its language and its page numbers."""
    from fpdf import FPDF
    from fpdf.enums import XPos, YPos
    from fpdf.prefs import ViewerPreferences

    def footer(self: Any) -> None:
        self.set_y(-FOOT + 6)
        self.set_font(TYPE, "", TINY)
        room = self.epw / 2
        self.cell(room, 4, fitted(self, report.title, room), new_x=XPos.RIGHT, new_y=YPos.TOP)
        self.cell(room, 4, f"page {self.page_no()} of {{nb}}", align="R")

    paper = "letter" if record.units.mass == "oz" else "a4"
    pdf: Any = type("Sheets", (FPDF,), {"footer": footer})(format=paper)
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(True, FOOT)
    pdf.add_font(TYPE, "", type_file(PLAIN))
    pdf.add_font(TYPE, "B", type_file(BOLD))
    _others(pdf, report)
    pdf.set_title(report.title)
    pdf.set_subject(report.subtitle)
    pdf.set_lang(LANGUAGE)
    pdf.set_creator(f"leakinfer {__version__}")
    pdf.set_creation_date(datetime.combine(record.today, time(), UTC))
    pdf.viewer_preferences = ViewerPreferences(display_doc_title=True)
    pdf.add_page()
    return pdf


def _others(pdf: Any, report: Report) -> None:
    """Types for letters that the first one does not have."""
    names = []
    for number, (path, letters) in enumerate(types_for(missing(all_words(report)))):
        for style in ("", "B"):
            pdf.add_font(f"other{number}", style, path, unicode_range=sorted(map(ord, letters)))
        names.append(f"other{number}")
    if names:
        pdf.set_fallback_fonts(names, exact_match=False)


def all_words(report: Report) -> str:
    """All letters of a report."""
    cells = [cell for part in report.sections for table in part.tables for row in table.rows for cell in row]
    says = [words for part in report.sections for words in (*part.says, *part.points)]
    drawings = (report.drawings[1], report.signs)
    drawn = [shape.text for one in drawings for shape in one.every_shape if isinstance(shape, Words)]
    return "".join([report.title, report.subtitle, *report.customer, *cells, *says, *drawn])


def fitted(pdf: Any, words: str, room: float) -> str:
    """Words cut to a width, in the present type."""
    if pdf.get_string_width(words) <= room:
        return words
    while words and pdf.get_string_width(f"{words}..") > room:
        words = words[:-1]
    return f"{words}.."


def title(pdf: Any, words: str) -> None:
    """The title of a section, an entry of the outline; never the last line of a page."""
    if pdf.will_page_break(50):
        pdf.add_page()
    pdf.ln(4)
    pdf.set_font(TYPE, "B", 13)
    pdf.start_section(words)
    paragraph(pdf, words)
    pdf.set_line_width(0.6)
    pdf.line(pdf.l_margin, pdf.y, pdf.w - pdf.r_margin, pdf.y)
    pdf.ln(2)
    pdf.set_font(TYPE, "", TEXT)


def paragraph(pdf: Any, words: str, indent: float = 0.0) -> None:
    """Words in the present type, over as many lines and pages as they need."""
    from fpdf.enums import XPos, YPos

    pdf.set_x(pdf.l_margin + indent)
    height = pdf.font_size_pt * POINT * LINE
    pdf.multi_cell(pdf.epw - indent, height, words, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def section(pdf: Any, part: Section) -> None:
    """A section: its title, words, points and tables."""
    title(pdf, part.title)
    for words in part.says:
        paragraph(pdf, words)
        pdf.ln(1)
    for words in part.points:
        pdf.set_x(pdf.l_margin)
        pdf.cell(4, TEXT * POINT * LINE, "-")
        paragraph(pdf, words, 4)
        pdf.ln(0.8)
    for table in part.tables:
        _table(pdf, table)


def _table(pdf: Any, told: Table) -> None:
    """A table under its caption; its heads are repeated on every page."""
    from fpdf.enums import TableBordersLayout
    from fpdf.fonts import FontFace

    if pdf.will_page_break(45 if any(told.heads) else 26):  # caption, heads and a row stay together
        pdf.add_page()
    pdf.ln(2)
    pdf.set_font(TYPE, "B", SMALL)
    paragraph(pdf, told.caption)
    pdf.set_font(TYPE, "", SMALL)
    pdf.set_line_width(0.15)
    heads = [told.heads] if any(told.heads) else []
    rows = [piece for row in told.rows for piece in _pieces(row)]
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=column_widths(pdf, [*heads, *rows]),
        first_row_as_headings=bool(heads),
        headings_style=FontFace(emphasis="BOLD"),
        line_height=SMALL * POINT * LINE,
        padding=(0.8, 1.2),
        text_align=tuple("LEFT" if at == 0 or at in told.words else "RIGHT" for at in range(len(told.heads))),
        v_align="TOP",
        width=pdf.epw,
    ) as table:
        for row in (*heads, *rows):
            table.row(row)
    pdf.set_font(TYPE, "", TEXT)


def _pieces(row: tuple[str, ...]) -> list[tuple[str, ...]]:
    """A row as one or more whose cells fit on a page; cells that are done stay empty."""
    cut = [_cut(cell) for cell in row]
    longest = max(map(len, cut))
    return [tuple(parts[at] if at < len(parts) else "" for parts in cut) for at in range(longest)]


def _cut(cell: str) -> list[str]:
    """A cell's words in pieces that are not too long, cut at blanks where there are any."""
    pieces = []
    while len(cell) > LONGEST_CELL:
        at = cell.rfind(" ", LONGEST_CELL // 2, LONGEST_CELL)
        at = LONGEST_CELL if at < 0 else at
        pieces.append(cell[:at])
        cell = cell[at:].lstrip()
    return [*pieces, cell]


def column_widths(pdf: Any, rows: Sequence[tuple[str, ...]]) -> tuple[float, ...]:
    """Widths of columns, as shares: by the longest cell and the sum of all, within bounds, never below a word."""
    room = pdf.epw
    wants, leasts = [], []
    for column in zip(*rows, strict=True):
        widths = [pdf.get_string_width(cell) for cell in column]
        words = [pdf.get_string_width(word) for cell in column for word in cell.split()[:200]]
        leasts.append(min(max([*words, room * LEAST_SHARE]), room * 0.25) * 1.15 + 3)
        wants.append(min(max(widths), room * MOST_SHARE) + 3)
    spare = room - sum(leasts)
    if spare <= 0:
        return tuple(leasts)
    more = [max(0.0, want - least) for want, least in zip(wants, leasts, strict=True)]
    total = sum(more) or 1.0
    share = min(1.0, spare / total)
    shown = [least + extra * share for least, extra in zip(leasts, more, strict=True)]
    left = room - sum(shown)
    return tuple(width + left * (at == len(shown) - 1) for at, width in enumerate(shown))

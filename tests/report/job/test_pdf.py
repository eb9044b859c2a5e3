"""The report as PDF, read back with pypdf."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from functools import cache
from importlib import import_module
from typing import Any

import pytest

from leakinfer.circuit.reader import load_system
from leakinfer.report.circuit.shapes import Words
from leakinfer.report.job.content import CIRCUIT, report_of
from leakinfer.report.job.fonts import BOLD, PLAIN, missing, type_file, types_for
from leakinfer.report.job.pdf import job_pdf
from leakinfer.report.job.record import Record
from leakinfer.report.job.sheets import LONGEST_CELL, _cut, _pieces
from leakinfer.words.units import AMERICAN

from ..circuit.beliefs import renamed
from .example import PEOPLE, begun, demo, demo_again, later, noted

pypdf: Any = import_module("pypdf")


@cache
def read(told: str) -> Any:
    return pypdf.PdfReader(io.BytesIO(job_pdf(demo() if told == "demo" else later())))


def text_of(reader: Any) -> str:
    """All words, without the foot of each page, one blank between them."""
    pages = [re.sub(r"Leak search: [^\n]*\s*page \d+ of \d+", "", page.extract_text()) for page in reader.pages]
    return " ".join(" ".join(pages).split())


def test_all_findings_can_be_read_back_in_order() -> None:
    text, at = text_of(read("later")), 0
    told = next(section for section in report_of(later()).sections if section.id == "told")
    at = text.index(told.tables[0].caption)
    for row in told.tables[0].rows:
        for cell in filter(None, row):
            found = text.find(" ".join(cell.split()), at)
            assert found >= 0, cell
            at = found


def test_all_of_the_report_is_in_it() -> None:
    text, report = text_of(read("later")), report_of(later())
    said = [report.title, *report.customer]
    for section in report.sections:
        said += [section.title, *section.says, *section.points]
        said += [cell for table in section.tables for row in table.rows for cell in row]
    assert len(said) > 200
    for words in said:
        assert " ".join(words.split()) in text, words
    for mark in report.drawings[1].spots:
        name = mark.says.partition(":")[0].partition(", ")[2] or mark.says
        assert name.split()[0] in text


def test_it_has_a_title_a_language_an_outline_and_page_numbers() -> None:
    reader = read("demo")
    assert reader.metadata.title == "Leak search: The house on the corner"
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert [part.title for part in reader.outline] == [section.title for section in report_of(demo()).sections]
    pages = len(reader.pages)
    assert pages >= 5
    for number, page in enumerate(reader.pages, start=1):
        assert f"page {number} of {pages}" in page.extract_text()


def test_the_drawing_is_on_one_page_with_its_signs() -> None:
    report = report_of(demo())
    title = next(section.title for section in report.sections if section.id == CIRCUIT)
    pages = [page.extract_text() for page in read("demo").pages]
    drawn = [text for text in pages if "near the compressor" in text]
    assert len(drawn) == 1
    assert title in drawn[0]
    assert "far from the compressor" in drawn[0]
    assert "leak confirmed" in drawn[0]


def test_its_types_are_inside() -> None:
    fonts = [font.get_object() for page in read("later").pages for font in page["/Resources"]["/Font"].values()]
    assert len(fonts) > 2
    for font in fonts:
        below = font["/DescendantFonts"][0].get_object()
        assert "/FontFile2" in below["/FontDescriptor"]


def test_names_survive_in_every_writing() -> None:
    """The last one has letters that the first type lacks."""
    assert missing("".join(PEOPLE[:2])) == frozenset()
    assert missing(PEOPLE[2]) == set(PEOPLE[2])
    text = text_of(read("later"))
    assert all(name in text for name in PEOPLE)


def test_the_drawing_has_names_in_every_writing() -> None:
    """Letters that the first type lacks, in every place, zone and section of a system of one's own."""
    told = begun(renamed(load_system("ductless_split"), PEOPLE[2]), {})
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(job_pdf(told))).pages]
    drawn = next(text for text in pages if "near the compressor" in text)
    shown = [
        shape.text
        for one in (report_of(told).drawings[1], report_of(told).signs)
        for shape in one.every_shape
        if isinstance(shape, Words)
    ]
    names = [words for words in shown if PEOPLE[2] in words]
    assert len(names) > 20
    for words in names:
        assert "".join(words.split()) in "".join(drawn.split()), words


def test_types_are_looked_for_only_where_letters_are_missing() -> None:
    assert types_for("") == ()
    found = types_for("漢字")
    assert set().union(*(letters for _, letters in found)) == {"漢", "字"}
    assert type_file(PLAIN) not in {path for path, _ in found}
    assert type_file(BOLD).is_file()


def test_a_page_of_the_readers_country() -> None:
    """A4 is 210 x 297 mm (ISO 216), letter 8.5 x 11 in (ANSI/ASME Y14.1, from memory); a point is 1/72 in."""
    sizes = [tuple(map(float, read("demo").pages[0].mediabox[2:]))]
    sizes.append(tuple(map(float, _first_page(replace(demo(), units=AMERICAN)).mediabox[2:])))
    assert sizes[0] == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.1)
    assert sizes[1] == pytest.approx((612, 792))


def _first_page(told: Record) -> Any:
    return pypdf.PdfReader(io.BytesIO(job_pdf(told))).pages[0]


def test_a_note_as_long_as_some_pages_is_whole() -> None:
    words = [f"word{number}" for number in range(1500)]
    note = " ".join(words)
    assert len(note) > 10 * LONGEST_CELL
    text = text_of(pypdf.PdfReader(io.BytesIO(job_pdf(noted(note)))))
    found = re.findall(r"word\d+", text[text.index("All that was told") :])
    assert found == words


def test_a_note_without_blanks_is_whole_too() -> None:
    """It stands among the events and beside the repair."""
    text = text_of(pypdf.PdfReader(io.BytesIO(job_pdf(noted("ж" * 3000)))))
    assert text.count("ж") == 2 * 3000


def test_cells_are_cut_at_blanks_and_lose_nothing() -> None:
    cell = " ".join("ab" * 7 for _ in range(400))
    assert " ".join(_cut(cell)) == cell
    assert max(map(len, _cut(cell))) <= LONGEST_CELL
    assert _pieces(("1", "short")) == [("1", "short")]
    assert [row[0] for row in _pieces(("1", cell))] == ["1", *[""] * (len(_cut(cell)) - 1)]


def test_it_is_the_same_every_time() -> None:
    assert job_pdf(demo()) == job_pdf(demo_again())

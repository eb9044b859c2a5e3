"""The report as a page: whole, sound, safe, readable in black and white, the same every time."""

from __future__ import annotations

import re
from functools import cache

import pytest

from leakinfer.report.job.content import report_of
from leakinfer.report.job.page import job_page
from leakinfer.report.job.record import Record

from ..html import check_whole, read_page
from .example import HOSTILE, PEOPLE, demo, demo_again, later

HEX = re.compile(r"#(?:[0-9a-f]{6}|[0-9a-f]{3})\b")


@cache
def page_of(told: str) -> str:
    return job_page(demo() if told == "demo" else later())


@pytest.mark.parametrize("told", ["demo", "later"])
def test_it_is_whole(told: str) -> None:
    check_whole(page_of(told))
    assert page_of(told).count("<style>") == 1
    assert not re.search(r"\son[a-z]+=|\sstyle=|javascript:", page_of(told))


def test_all_of_the_report_is_on_it() -> None:
    text, report = read_page(page_of("later")).text, report_of(later())
    said = [report.title, report.subtitle, *report.customer]
    for section in report.sections:
        said += [section.title, *section.says, *section.points]
        said += [cell for table in section.tables for row in (table.heads, *table.rows) for cell in row]
    assert len(said) > 200
    at = 0
    for words in (" ".join(words.split()) for words in said):
        assert words in text, words
    for section in report.sections:
        for table in section.tables:
            for row in table.rows:
                found = text.find(" ".join(row[-1].split()), at) if row[-1] else at
                assert found >= 0, row
    assert text.index(report.customer[0]) < text.index(report.sections[0].title)


def test_findings_stand_in_their_order() -> None:
    page = page_of("later")
    rows = re.findall(r'<th scope="row">(\d+)</th>\s*<td class="words" data-head="When', page)
    assert rows == [str(line.event.number) for line in later().lines]


def test_hostile_words_are_only_words() -> None:
    page = page_of("later")
    assert "<script" not in page
    assert HOSTILE in " ".join(read_page(page).words)
    hostile = job_page(Record(HOSTILE, *[getattr(demo(), name) for name in ("belief", "plan", "events", "today")]))
    check_whole(hostile)
    assert "<script" not in hostile


def test_names_stay_as_they_were_written() -> None:
    assert all(name in read_page(page_of("later")).text for name in PEOPLE)


def luminance(colour: str) -> float:
    """Relative luminance of a colour (WCAG 2.2)."""
    digits = colour.lstrip("#")
    full = digits if len(digits) == 6 else "".join(2 * digit for digit in digits)
    parts = [int(full[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_letters_stand_out_in_black_and_white() -> None:
    """Text colours against white and the palest shade, at least 7 to 1 (WCAG 2.2, 1.4.6); print has no shades."""
    style = re.findall(r"<style>(.*?)</style>", page_of("demo"), re.DOTALL)[0]
    root = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", style))
    told = re.findall(r"[^-]color: (#[0-9a-f]{3,6}|var\(--[a-z]+\))", style)
    letters = {root[name[6:-1]] if name.startswith("var") else name for name in told} - {"#fff"}
    assert {root["ink"], root["dark"]} <= letters
    for colour in letters:
        assert contrast(colour, "#ffffff") >= 7
        assert contrast(colour, root["pale"]) >= 7
    printed = style[style.index("@media print {\n  html") :]
    assert "background: none" in printed


def test_it_is_the_same_every_time() -> None:
    assert job_page(demo_again()) == page_of("demo")

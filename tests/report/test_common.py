"""What all pages share: templates, lists of intervals."""

from __future__ import annotations

import base64
import math
import xml.etree.ElementTree as ET

import pytest
from jinja2 import UndefinedError

from leakinfer.report.filling import filled
from leakinfer.report.intervals import Axis, Row, intervals

from .html import SVG

ROWS = [Row("First", 0.5, 0.4, 0.6, math.nan, True), Row("Second", 0.55, 0.5, 0.62, math.nan, False)]


def paths(address: str) -> int:
    drawn = ET.fromstring(base64.b64decode(address.partition(",")[2]))
    return len(drawn.findall(f".//{SVG}path"))


def test_a_value_that_is_missing_is_refused() -> None:
    with pytest.raises(UndefinedError):
        filled("fleet/page.html", facts=[])


def test_marks_without_words_stay_out_of_the_legend() -> None:
    """A legend entry draws its letters and its mark: one entry less is fewer paths."""
    both = intervals(ROWS, Axis("a ratio", ("clear", "may be chance", ""), 1.0))
    one = intervals(ROWS, Axis("a ratio", ("clear", "", ""), 1.0))
    assert paths(one) < paths(both)


def test_the_line_to_compare_with_is_inside_the_axis() -> None:
    """All rows lie below 0.7; the axis has a number at 1 only if the line at 1 widens it."""
    with_line = intervals(ROWS, Axis("a ratio", ("clear", "may be chance", ""), 1.0))
    without = intervals(ROWS, Axis("a ratio", ("clear", "may be chance", "")))
    assert paths(with_line) > paths(without)

"""The page on the priors holds every number of the files."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from leakinfer import documents
from leakinfer.documents.priors import entries, files, priors_page

# beside the code that is tested, which may be an installed wheel
PAGE = Path(documents.__file__).with_name("priors.md")
SOURCES = {"published", "secondary", "memory", "computed", "judgement"}


def test_the_page_is_what_the_files_say() -> None:
    """If not: ``python -m leakinfer.documents``."""
    assert PAGE.read_text(encoding="utf-8") == priors_page()


def numbers(data: Any) -> Iterator[float]:
    """Every number in plain data, wherever it stands."""
    if isinstance(data, dict):
        data = list(data.values())
    if isinstance(data, list):
        for part in data:
            yield from numbers(part)
    elif isinstance(data, int | float) and not isinstance(data, bool):
        yield data


@pytest.mark.parametrize("path", files(), ids=lambda path: path.stem)
def test_no_number_of_a_file_is_missing(path: Path) -> None:
    """Counted apart from the page's own way through the file."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    values = [value for entry in entries(data) for _, value in entry.values]
    assert sorted(numbers(values)) == sorted(numbers(data))


def test_all_but_counts_and_minutes_of_systems_have_a_source() -> None:
    for path in files():
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        without = [entry.of for entry in entries(data) if entry.known not in SOURCES]
        assert not without or path.parent.name in ("systems", "racks") or re.search(r"^# .*judgement", path.read_text())


def test_by_hand() -> None:
    data = tomllib.loads(
        """
        top = 1
        [[part]]
        id = "nut"
        hazard = { mean = 0.5, unit = "1/year", known = "memory", source = "a book", note = "old" }
        steps = [{ name = "turn", minutes = 2 }]
        [lone]
        known = "judgement"
        source = "a guess"
        sizes = [1, 2]
        deep = { low = 3.5 }
        """
    )
    told = [(one.of, one.values, one.unit, one.known, one.source) for one in entries(data)]
    assert told == [
        ("", (("top", 1),), "", "", ""),
        ("nut hazard", (("mean", 0.5),), "1/year", "memory", "a book. old"),
        ("nut turn", (("minutes", 2),), "", "", ""),
        ("lone", (("sizes", [1, 2]), ("deep low", 3.5)), "", "judgement", "a guess"),
    ]

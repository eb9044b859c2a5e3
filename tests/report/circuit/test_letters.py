"""Widths of words against the type itself, read by fontTools; lines against what they must hold."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import matplotlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.circuit.reader import load_system
from leakinfer.report.circuit.letters import MORE, shortened, width_of, wrapped

from .beliefs import SHIPPED

TYPES = Path(matplotlib.__file__).parent / "mpl-data" / "fonts" / "ttf"
NAMES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")


@cache
def advances(name: str) -> dict[str, float]:
    """By letter its advance width in em (OpenType, hmtx), without kerning, which only narrows these types."""
    types: Any = import_module("fontTools.ttLib")
    with types.TTFont(TYPES / name) as found:
        units, wide = found["head"].unitsPerEm, found["hmtx"]
        return {chr(code): wide[glyph][0] / units for code, glyph in found.getBestCmap().items() if code < 0x250}


def real_width(name: str, words: str) -> float:
    return sum(advances(name)[letter] for letter in words)


@pytest.mark.parametrize("name", NAMES)
def test_no_letter_is_wider_than_thought(name: str) -> None:
    for letter in map(chr, [*range(32, 127), *range(0xA1, 0x250)]):
        assert width_of(letter, 1.0) >= real_width(name, letter), letter


@pytest.mark.parametrize("name", NAMES)
def test_names_are_not_thought_much_wider_than_they_are(name: str) -> None:
    """Within 35 %: else lines would break far too early."""
    for system in map(load_system, SHIPPED):
        for words in [*(zone.name for zone in system.zones), *(site.name for site in system.sites)]:
            assert width_of(words, 1.0) <= 1.35 * real_width(name, words)


TEXTS = st.text(st.sampled_from("abc WMé漢.-"), max_size=120)


@given(TEXTS, st.floats(40, 300))
def test_lines_fit_and_lose_nothing_while_there_is_room(words: str, room: float) -> None:
    lines = wrapped(words, room, 10.0, most=10_000)
    assert all(width_of(line, 10.0) <= room for line in lines)
    assert "".join("".join(lines).split()) == "".join(words.split())


@given(TEXTS, st.floats(40, 300), st.integers(1, 3))
def test_too_many_lines_are_cut_with_dots(words: str, room: float, most: int) -> None:
    lines, every = wrapped(words, room, 10.0, most), wrapped(words, room, 10.0, most=10_000)
    assert len(lines) == min(most, len(every))
    assert all(width_of(line, 10.0) <= room for line in lines)
    assert lines == every if len(every) <= most else lines[-1].endswith(MORE)


def test_short_words_stay() -> None:
    assert shortened("coil", 100.0, 10.0) == "coil"
    assert wrapped("", 100.0, 10.0) == ()

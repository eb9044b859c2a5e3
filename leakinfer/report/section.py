"""What a page is made of: sections with plain words, pictures and tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Picture:
    """A picture as a data address, with what it shows in words; ``caption``: words to stand below it."""

    address: str
    alt: str
    caption: str = ""


@dataclass(frozen=True)
class Table:
    """Rows under heads; the first column names the row, the others stand flush right unless they hold words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset()  # columns that hold words
    wraps: bool = False  # cells may break at plain blanks, so that a wide table keeps within the page


@dataclass(frozen=True)
class Section:
    """One part of the page. ``id``: its anchor; ``short``: its title in the list of contents."""

    id: str
    short: str
    title: str
    says: tuple[str, ...]
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    points: tuple[str, ...] = ()


def listed(texts: Sequence[str]) -> str:
    """``a; b; c``: names may have commas of their own."""
    return "; ".join(texts)

"""What a page is made of: sections with plain words, pictures and tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from leakinfer.catalogue.learned import Moved
from leakinfer.report.pictures import Row
from leakinfer.report.wording import figures, is_clear, percent


@dataclass(frozen=True)
class Picture:
    """A picture as a data address, with what it shows in words."""

    address: str
    alt: str


@dataclass(frozen=True)
class Table:
    """Rows under heads; the first column names the row, the others stand flush right unless they hold words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset()  # columns that hold words


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


def row(name: str, moved: Moved, scale: float = 1.0, *, shipped: bool = True) -> Row:
    """A line of a picture; without ``shipped`` the number that it is compared with is a line of the picture."""
    beside = moved.shipped * scale if shipped else float("nan")
    return Row(name, moved.value * scale, moved.low * scale, moved.high * scale, beside, is_clear(moved))


def told(moved: Moved, scale: float = 1.0) -> tuple[str, str, str]:
    """Learned, its interval, shipped."""
    low, high = figures(moved.low * scale), figures(moved.high * scale)
    return figures(moved.value * scale), f"{low} to {high}", figures(moved.shipped * scale)


def told_share(moved: Moved) -> tuple[str, str, str]:
    """The same of a share."""
    return percent(moved.value), f"{percent(moved.low)} to {percent(moved.high)}", percent(moved.shipped)


def mark(moved: Moved) -> str:
    """Whether a number moved clearly, and where to."""
    if not is_clear(moved):
        return "no"
    return "yes, up" if moved.value > moved.shipped else "yes, down"


CLEAR = "Clear?"  # head of a column of marks


def listed(texts: Sequence[str]) -> str:
    """``a; b; c``: names may have commas of their own."""
    return "; ".join(texts)

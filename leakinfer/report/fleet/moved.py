"""A learned number beside the shipped one: in rows of pictures, in cells of tables."""

from __future__ import annotations

from leakinfer.catalogue.learned import Moved
from leakinfer.report.intervals import Row
from leakinfer.report.wording import figures, percent


def times(moved: Moved) -> float:
    """The learned number over the shipped one."""
    return moved.value / moved.shipped


def is_clear(moved: Moved) -> bool:
    """Whether the shipped number lies outside the learned interval."""
    return not moved.low <= moved.shipped <= moved.high


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

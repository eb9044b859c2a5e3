"""Lists of numbers with their intervals as pictures. A number: filled or hollow dot; what it is compared with: diamond.

Both differ in shape and brightness, so that they stay apart for colour-blind eyes and on grey paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from leakinfer.report.drawing import DARK, INK, PALE, WARM, WIDE, drawing, plain_log

ROW = 0.36  # inches
LONG = 12  # rows from which on the numbers also stand on top


@dataclass(frozen=True)
class Row:
    """One line of a list: a number with its interval, and what it is compared with (NaN: nothing)."""

    name: str
    value: float
    low: float
    high: float
    beside: float
    clear: bool


@dataclass(frozen=True)
class Axis:
    """What the numbers of a list are; ``line``: a value to compare with, as 1 for a factor.

    ``says``: what a filled dot, a hollow dot and a diamond stand for; no words: no row has it. ``ends`` of an axis that
    is not logarithmic.
    """

    label: str
    says: tuple[str, str, str]
    line: float | None = None
    ends: tuple[float, float] | None = None


def intervals(rows: Sequence[Row], axis: Axis) -> str:
    """A list of numbers with their intervals, the first row on top, as the address of a picture."""
    with drawing(WIDE, 1.3 + ROW * len(rows)) as (figure, address):
        axes = figure.add_subplot()
        _rows(axes, rows)
        _scale(axes, axis, rows)
        axes.set_xlabel(axis.label)
        _legend(figure, rows, axis)
        return address()


def _rows(axes: Any, rows: Sequence[Row]) -> None:
    places = np.arange(len(rows))
    for place, row in zip(places, rows, strict=True):
        axes.plot([row.low, row.high], [place, place], color=DARK, linewidth=3.2, solid_capstyle="butt", zorder=2)
        inside = DARK if row.clear else "white"
        mark = {"marker": "o", "markersize": 9, "markeredgewidth": 2, "markeredgecolor": DARK}
        axes.plot(row.value, place, markerfacecolor=inside, zorder=4, **mark)
    mark = {"marker": "D", "markersize": 8, "markeredgewidth": 1.8, "markeredgecolor": WARM}
    beside = [row.beside for row in rows]
    axes.plot(beside, places, linestyle="none", markerfacecolor="none", zorder=5, **mark)
    axes.set_yticks(places, [_short(row.name) for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.tick_params(axis="x", top=len(rows) > LONG, labeltop=len(rows) > LONG)
    for place in places[1:]:
        axes.axhline(place - 0.5, color=PALE, linewidth=0.7, zorder=0)


def _short(name: str, most: int = 40) -> str:
    return name if len(name) <= most else f"{name[: most - 2].rstrip()} .."


def _scale(axes: Any, axis: Axis, rows: Sequence[Row]) -> None:
    if axis.line is not None:
        axes.axvline(axis.line, color=INK, linewidth=1.2, linestyle=(0, (4, 3)), zorder=1)
    if axis.ends is not None:
        axes.set_xlim(*axis.ends)
    else:
        ends = [end for row in rows for end in (row.low, row.value, row.high, row.beside) if 0 < end < np.inf]
        ends += [] if axis.line is None else [axis.line]
        plain_log(axes.xaxis, min(ends), max(ends))
        axes.set_xlim(min(ends) / 1.15, max(ends) * 1.15)
    axes.grid(axis="x", color=PALE, linewidth=0.8)
    axes.set_axisbelow(True)


def _legend(figure: Any, rows: Sequence[Row], axis: Axis) -> None:
    """Above the rows, in words."""
    from matplotlib.lines import Line2D

    dot: dict[str, Any] = {
        "marker": "o",
        "markersize": 9,
        "markeredgewidth": 2,
        "markeredgecolor": DARK,
        "color": DARK,
    }
    shown = [
        Line2D([], [], linewidth=3.2, markerfacecolor=inside, label=words, **dot)
        for words, inside in ((axis.says[0], DARK), (axis.says[1], "white"))
        if words
    ]
    if axis.says[2] and any(np.isfinite(row.beside) for row in rows):
        mark: dict[str, Any] = {"marker": "D", "markersize": 8, "markeredgewidth": 1.8, "markeredgecolor": WARM}
        shown.append(Line2D([], [], linestyle="none", markerfacecolor="none", label=axis.says[2], **mark))
    figure.legend(handles=shown, loc="outside upper left", ncols=3, frameon=False, fontsize=11)

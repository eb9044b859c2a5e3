"""Pictures of a learned file as SVG inside the page. Learned: filled, solid, dark; shipped: hollow, dashed, light.

The two differ in shape, line and brightness, so that they stay apart for colour-blind eyes and on grey paper.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.report.drawing import DARK, INK, PALE, WARM, WIDE, drawing, plain_log

Array = NDArray[np.float64]
LEARNED, SHIPPED = DARK, WARM
ROW = 0.36  # inches, of a list of intervals
LONG = 12  # rows from which on the numbers also stand on top


@dataclass(frozen=True)
class Row:
    """One line of a list: a number with its interval, and the shipped one (NaN: none)."""

    name: str
    value: float
    low: float
    high: float
    shipped: float
    clear: bool


@dataclass(frozen=True)
class Axis:
    """What the numbers of a list are; ``line``: a value to compare with, as 1 for a factor.

    ``says``: what a filled dot, a hollow dot and a diamond stand for. ``ends`` of an axis that is not logarithmic.
    """

    label: str
    line: float | None = None
    ends: tuple[float, float] | None = None
    says: tuple[str, str, str] = ("learned, clearly moved", "learned, may be chance", "shipped")


@dataclass(frozen=True)
class Curve:
    """Learned and shipped (points,) over x (points,), with the band (2, points) that the interval of a number gives."""

    name: str
    learned: Array
    band: Array
    shipped: Array


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
        axes.plot([row.low, row.high], [place, place], color=LEARNED, linewidth=3.2, solid_capstyle="butt", zorder=2)
        inside = LEARNED if row.clear else "white"
        mark = {"marker": "o", "markersize": 9, "markeredgewidth": 2, "markeredgecolor": LEARNED}
        axes.plot(row.value, place, markerfacecolor=inside, zorder=4, **mark)
    mark = {"marker": "D", "markersize": 8, "markeredgewidth": 1.8, "markeredgecolor": SHIPPED}
    shipped = [row.shipped for row in rows]
    axes.plot(shipped, places, linestyle="none", markerfacecolor="none", zorder=5, **mark)
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
        ends = [end for row in rows for end in (row.low, row.value, row.high, row.shipped) if end > 0]
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
        "markeredgecolor": LEARNED,
        "color": LEARNED,
    }
    shown = [
        Line2D([], [], linewidth=3.2, markerfacecolor=LEARNED, label=axis.says[0], **dot),
        Line2D([], [], linewidth=3.2, markerfacecolor="white", label=axis.says[1], **dot),
    ]
    if any(np.isfinite(row.shipped) for row in rows):
        mark: dict[str, Any] = {"marker": "D", "markersize": 8, "markeredgewidth": 1.8, "markeredgecolor": SHIPPED}
        shown.append(Line2D([], [], linestyle="none", markerfacecolor="none", label=axis.says[2], **mark))
    figure.legend(handles=shown, loc="outside upper left", ncols=3, frameon=False, fontsize=11)


def curves(
    x: Array, panels: Sequence[Curve], x_label: str, y_label: str, *, log_y: bool = False, log_x: bool = False
) -> str:
    """Small pictures side by side, three in a row, as the address of one picture.

    With ``log_y`` each has its own upright scale, else all run from 0 to 1.
    """
    columns = min(3, len(panels))
    lines = -(-len(panels) // columns)
    with drawing(WIDE, 1.1 + 2.5 * lines) as (figure, address):
        grid = figure.subplots(lines, columns, sharex=True, sharey=not log_y, squeeze=False)
        for axes, panel in zip(grid.flat, panels, strict=False):
            _panel(axes, x, panel)
            _panel_scales(axes, x, panel, log_x=log_x, log_y=log_y)
        for axes in list(grid.flat)[len(panels) :]:
            axes.set_visible(False)
        _show_x_ticks(grid, len(panels))
        figure.supxlabel(x_label, fontsize=12)
        figure.supylabel(y_label, fontsize=12)
        _curve_legend(figure)
        return address()


def _panel(axes: Any, x: Array, panel: Curve) -> None:
    axes.fill_between(x, panel.band[0], panel.band[1], color=LEARNED, alpha=0.18, linewidth=0)
    axes.plot(x, panel.learned, color=LEARNED, linewidth=2.6)
    axes.plot(x, panel.shipped, color=SHIPPED, linewidth=2.2, linestyle=(0, (4, 2)))
    axes.set_title(textwrap.fill(panel.name, 26), fontsize=11)
    axes.grid(color=PALE, linewidth=0.8)


def _panel_scales(axes: Any, x: Array, panel: Curve, *, log_x: bool, log_y: bool) -> None:
    axes.set_xlim(x[0] if log_x else 0.0, x[-1])
    if log_x:
        plain_log(axes.xaxis, x[0], x[-1])
    if log_y:
        every = np.concatenate([panel.learned, panel.shipped])
        plain_log(axes.yaxis, every.min(), every.max())
        axes.set_ylim(every.min() / 1.5, every.max() * 1.5)
    else:
        axes.set_ylim(0, 1)
        axes.yaxis.set_major_formatter(lambda share, _: f"{share * 100:.0f} %")


def _show_x_ticks(grid: Any, count: int) -> None:
    """A panel with none below it shows its numbers."""
    columns = grid.shape[1]
    for place, axes in enumerate(list(grid.flat)[:count]):
        if place + columns >= count:
            axes.tick_params(labelbottom=True)


def _curve_legend(figure: Any) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    shown = [
        Line2D([], [], color=LEARNED, linewidth=2.6, label="learned"),
        Patch(color=LEARNED, alpha=0.18, linewidth=0, label="its 95 % interval"),
        Line2D([], [], color=SHIPPED, linewidth=2.2, linestyle=(0, (4, 2)), label="shipped"),
    ]
    figure.legend(handles=shown, loc="outside upper left", ncols=3, frameon=False, fontsize=11)

"""Pictures of a study: shares over the minutes, told beside seen, lists of differences.

Lines differ in dash, width and brightness, so that they stay apart on grey paper.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from leakinfer.report.drawing import DARK, INK, PALE, WARM, WIDE, drawing, whole_percent
from leakinfer.report.intervals import Axis, Row, intervals
from leakinfer.study.measures import Bin, Curve, Interval

STYLES: tuple[dict[str, Any], ...] = (
    {"color": DARK, "linewidth": 3.2, "linestyle": "-"},
    {"color": WARM, "linewidth": 2.4, "linestyle": (0, (5, 2))},
    {"color": INK, "linewidth": 1.8, "linestyle": (0, (1, 1.2))},
    {"color": "#6b7681", "linewidth": 1.8, "linestyle": (0, (6, 2, 1, 2))},
)
MOST_CURVES = len(STYLES)
FARTHEST = 20.0  # a ratio without end is drawn here
LEAST = 1e-4  # chance below which a logarithmic axis shows none


def over_minutes(panels: Sequence[tuple[str, Sequence[Curve]]], name: Callable[[str], str]) -> str:
    """Shares of jobs over the minutes, a panel for each system, each with the same ways of searching in one order."""
    columns = min(2, len(panels))
    lines = -(-len(panels) // columns)
    with drawing(WIDE, 1.2 + 3.1 * lines) as (figure, address):
        grid = figure.subplots(lines, columns, sharey=True, squeeze=False)
        for axes, (title, curves) in zip(grid.flat, panels, strict=False):
            for style, curve in zip(STYLES, curves, strict=False):
                axes.step(curve.minutes, curve.share, where="post", label=name(curve.policy), **style)
            axes.set(title=title, xlim=(0, max(1.0, *curves[0].minutes)), ylim=(0, 1))
            axes.yaxis.set_major_formatter(whole_percent)
            axes.grid(color=PALE, linewidth=0.8)
        for axes in list(grid.flat)[len(panels) :]:
            axes.set_visible(False)
        figure.supxlabel("minutes since the search began", fontsize=12)
        figure.supylabel("jobs with all leaks confirmed", fontsize=12)
        handles, labels = grid.flat[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside upper left", ncols=2, frameon=False, fontsize=11, handlelength=4)
        return address()


@dataclass(frozen=True)
class Told:
    """A panel of chances: ``small``: on logarithmic axes, for chances near nothing."""

    title: str
    bins: Sequence[Bin]
    small: bool = False


def told_and_seen(panels: Sequence[Told], what: str) -> str:
    """How often it was so, over what was told, with intervals; on the dashed line both are the same."""
    with drawing(WIDE, 5.2) as (figure, address):
        grid = figure.subplots(1, len(panels), squeeze=False)
        for axes, panel in zip(grid.flat, panels, strict=True):
            _told_panel(axes, panel)
        figure.supxlabel(f"told chance of {what}", fontsize=12)
        figure.supylabel("how often it was so", fontsize=12)
        return address()


def _told_panel(axes: Any, panel: Told) -> None:
    least = LEAST if panel.small else 0.0
    bins = [one for one in panel.bins if one.told >= least]
    told, seen = [one.told for one in bins], [max(one.seen.value, least) for one in bins]
    low = [value - max(one.seen.low, least) for value, one in zip(seen, bins, strict=True)]
    high = [max(one.seen.high, least) - value for value, one in zip(seen, bins, strict=True)]
    axes.plot([least, 1], [least, 1], color=INK, linewidth=1.4, linestyle=(0, (4, 3)))
    line = {"color": DARK, "linewidth": 2.6, "capsize": 5, "capthick": 2}
    axes.errorbar(told, seen, yerr=[low, high], fmt="o", markersize=8, markeredgewidth=2, **line)
    axes.set_title(textwrap.fill(panel.title, 40), fontsize=11)
    axes.grid(color=PALE, linewidth=0.8)
    if panel.small:
        axes.set(xscale="log", yscale="log", xlim=(least, 1.3), ylim=(least, 1.3))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(lambda share, _: f"{share * 100:g} %")
    else:
        axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(whole_percent)


def row(name: str, found: Interval, line: float) -> Row:
    """A line of a list; clear where its ends leave out ``line``."""
    return Row(name, found.value, found.low, found.high, math.nan, found.beyond(line))


def ratios(rows: Sequence[Row], label: str) -> str:
    """A list of ratios; a ratio of nothing or without end is drawn at the edge."""

    def kept(number: float) -> float:
        return min(max(number, 1 / FARTHEST), FARTHEST)

    drawn = [Row(one.name, kept(one.value), kept(one.low), kept(one.high), math.nan, one.clear) for one in rows]
    return intervals(drawn, Axis(label, ("clearly apart", "may be chance", ""), 1.0))


def differences(rows: Sequence[Row], label: str, beside: str = "", line: float | None = 0.0) -> str:
    """A list of differences, or with ``line`` None of amounts from 0 on; ``beside``: what a diamond stands for."""
    every = [end for one in rows for end in (one.low, one.high, one.value, one.beside) if math.isfinite(end)]
    low, high = min([0.0, *every]), max([0.0, *every])
    room = 0.05 * (high - low or 1.0)
    axis = Axis(label, ("clearly apart", "may be chance", beside), line, (low - room, high + room))
    return intervals(rows, axis)

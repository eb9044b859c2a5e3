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

from leakinfer.report.drawing import DARK, PALE, WARM, WIDE, drawing, plain_log, whole_percent
from leakinfer.report.intervals import Axis

Array = NDArray[np.float64]
LEARNED, SHIPPED = DARK, WARM


def learned_axis(label: str, line: float | None = None, ends: tuple[float, float] | None = None) -> Axis:
    """Of a list of learned numbers beside the shipped ones."""
    return Axis(label, ("learned, clearly moved", "learned, may be chance", "shipped"), line, ends)


@dataclass(frozen=True)
class Curve:
    """Learned and shipped (points,) over x (points,), with the band (2, points) that the interval of a number gives."""

    name: str
    learned: Array
    band: Array
    shipped: Array


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
        axes.yaxis.set_major_formatter(whole_percent)


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

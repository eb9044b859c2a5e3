"""Drawing with matplotlib: SVG inside the page, plain numbers on the axes, the same picture from the same numbers."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from leakinfer.report.wording import figures

INK, PALE = "#1b1f24", "#d5dbe1"
DARK, WARM = "#0b3c6f", "#c25e00"  # what the page is about, and what it is compared with
WIDE = 9.6  # inches
MANY = 100.0  # times from which on an axis has room for decades only
FEW = 5.0  # times below which 1, 2 and 5 are too few
FINE = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 12,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 12,
    "axes.titlelocation": "left",
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.parse_math": False,  # names may hold a dollar sign
    "svg.fonttype": "path",  # the letters are drawn, so the picture needs no font
    "svg.hashsalt": "leakinfer",  # the same numbers give the same picture
}


@contextmanager
def drawing(width: float, height: float) -> Iterator[tuple[Any, Callable[[], str]]]:
    """A figure (inches), and what makes a data address of it."""
    import warnings

    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")  # a name in rare letters; the table has it
        figure = Figure(figsize=(width, height), layout="constrained")
        yield figure, lambda: _data_address(figure)


def _data_address(figure: Any) -> str:
    """Without the head and the metadata, which name addresses on the web."""
    page = io.BytesIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(page, format="svg", metadata=nothing, transparent=False, facecolor="white")
    drawn = page.getvalue()
    return f"data:image/svg+xml;base64,{base64.b64encode(drawn[drawn.index(b'<svg') :]).decode('ascii')}"


def whole_percent(share: float, _: object) -> str:
    """``62 %``, beside a mark of an axis."""
    return f"{share * 100:.0f} %"


def plain_log(axis: Any, least: float, most: float) -> None:
    """A logarithmic axis with plain numbers: at 1, 2 and 5 where there is room, more on a narrow one, else at the
    decades."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    axis.axes.set(**{f"{axis.axis_name}scale": "log"})
    times = most / least
    steps = FINE if times < FEW else (1.0, 2.0, 5.0) if times < MANY else (1.0,)
    decades = range(int(np.floor(np.log10(least))), int(np.ceil(np.log10(most))) + 1)
    axis.set_major_locator(FixedLocator([step * 10.0**decade for decade in decades for step in steps]))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda number, _: f"{number:g}" if times < FEW else figures(number, 1)))

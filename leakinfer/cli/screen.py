"""Drawing for people: bars of blocks, percentages, wrapped lines and tables, never wider than 100 columns."""

from __future__ import annotations

import io
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence

MOST_COLUMNS = 100
LEAST_COLUMNS = 60


def width() -> int:
    """Columns to draw in."""
    return min(MOST_COLUMNS, max(LEAST_COLUMNS, shutil.get_terminal_size((80, 24)).columns))


def bar(share: float, cells: int = 12) -> str:
    """A share of 0 to 1 as filled and empty blocks; anything above nothing shows one half block at least.

    Where the terminal has no blocks, ``#`` and ``.`` stand in.
    """
    halves = min(2 * cells, round(share * 2 * cells))
    halves = max(halves, 1) if share > 0.005 else halves
    if not _has_blocks():
        return "#" * ((halves + 1) // 2) + "." * (cells - (halves + 1) // 2)
    full, half = divmod(halves, 2)
    return "█" * full + "▌" * half + "░" * (cells - full - half)


def _has_blocks() -> bool:
    try:
        "█▌░".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def heading(text: str) -> str:
    """A heading with a line under it."""
    return f"\n{text}\n{'-' * len(text)}"


def wrapped(text: str, indent: str = "  ", first: str | None = None) -> str:
    """``text`` in lines of the screen's width."""
    start = indent if first is None else first
    return textwrap.fill(text, width(), initial_indent=start, subsequent_indent=indent, break_on_hyphens=False)


def shortened(text: str, room: int) -> str:
    """``text`` in at most ``room`` columns, cut at a word."""
    return textwrap.shorten(text, max(room, 8), placeholder=" ..")


def bullets(texts: Iterable[str], mark: str) -> str:
    """One wrapped line or more for each text, behind ``mark``."""
    return "\n".join(wrapped(text, " " * (len(mark) + 3), f"  {mark} ") for text in texts)


def pairs(rows: Sequence[tuple[str, str]]) -> str:
    """Names and what is said of them, in two columns."""
    left = max((len(name) for name, _ in rows), default=0) + 2
    return "\n".join(wrapped(text, " " * (left + 2), f"  {name:{left}}") for name, text in rows)


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[int] = (), fixed: Sequence[int] = ()
) -> str:
    """Rows under heads. Columns ``right`` end flush, columns ``fixed`` are never broken; others wrap."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for place, head in enumerate(heads):
        justify = "right" if place in right else "left"
        drawn.add_column(head, justify=justify, no_wrap=place in fixed, overflow="fold")  # type: ignore[arg-type]
    for row in rows:
        drawn.add_row(*(Text(cell) for cell in row))
    page = io.StringIO()
    Console(file=page, width=width() - 2, color_system=None, legacy_windows=False).print(drawn)
    return "\n".join(f"  {line}".rstrip() for line in page.getvalue().splitlines())

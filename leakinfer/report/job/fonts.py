"""Letters for the PDF: a type that is embedded, so that every name comes out as it was written.

The type comes with matplotlib. It has Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew and Arabic letters; for any
others the types of this computer are searched.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

PLAIN, BOLD = "DejaVuSans.ttf", "DejaVuSans-Bold.ttf"
FRAMES_ONLY = "LastResort"  # as the name of that type begins
LIBRARY = "matplotlib"
BLANKS = frozenset("\n\t\r ")


def type_file(name: str) -> Path:
    """The file of a type that comes with matplotlib, which is not imported for it.

    Raises:
        ModuleNotFoundError: the library is not installed.
    """
    found = find_spec(LIBRARY)
    if found is None or found.origin is None:
        raise ModuleNotFoundError(f"No module named '{LIBRARY}'", name=LIBRARY)
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / name


def missing(text: str) -> frozenset[str]:
    """The letters of a text that the type does not have."""
    return frozenset(text) - _letters(type_file(PLAIN)) - BLANKS


def types_for(letters: Iterable[str]) -> tuple[tuple[Path, frozenset[str]], ...]:
    """Types of this computer with the letters to take from each; letters that none has are left out."""
    wanted, chosen = frozenset(letters), []
    for path in _of_this_computer() if wanted else ():
        if here := wanted & _letters(path):
            chosen.append((path, here))
            wanted -= here
        if not wanted:
            break
    return tuple(chosen)


def _of_this_computer() -> tuple[Path, ...]:
    """All types that are installed, and those of matplotlib, in order of their names.

    Last of all the one that draws a frame for any letter: it keeps the letter for those who search or copy.
    """
    from matplotlib.font_manager import findSystemFonts

    own = type_file(PLAIN).parent.glob("*.ttf")
    return tuple(sorted({*map(Path, findSystemFonts()), *own}, key=_order))


def _order(path: Path) -> tuple[bool, str, str]:
    return path.name.startswith(FRAMES_ONLY), path.name, str(path)


@cache
def _letters(path: Path) -> frozenset[str]:
    """The letters of a type; none of one that cannot be read."""
    types: Any = import_module("fontTools.ttLib")
    try:
        with types.TTFont(path, lazy=True, fontNumber=0) as found:
            return frozenset(map(chr, found.getBestCmap() or ()))
    except (types.TTLibError, OSError, KeyError, AssertionError):
        return frozenset()

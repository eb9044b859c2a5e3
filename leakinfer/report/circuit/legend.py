"""What the signs of a drawing mean, and the sections in flow order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from leakinfer.job.belief import Belief
from leakinfer.report.circuit import symbols
from leakinfer.report.circuit.flow import Run, loop_of
from leakinfer.report.circuit.letters import wrapped
from leakinfer.report.circuit.shapes import Box, Drawing, Line, Shape, Words
from leakinfer.report.circuit.symbols import SMALL, TEXT

WIDE = 360.0
SIGN, TEXT_AT = 34.0, 72.0  # middle of the signs, begin of the words
ROOM = WIDE - TEXT_AT - 6
LEADING = SMALL * 1.25


def legend_drawing(belief: Belief) -> Drawing:
    """The signs, pipes and sections of a job's drawing in words."""
    loop = loop_of(belief.job.system)
    shapes: list[Shape] = []
    y = _title(shapes, 0.0, "Signs")
    for sign, words in _signs():
        y = _line(shapes, y, sign, words)
    y = _title(shapes, y + 6, "Pipes, in flow order while cooling")
    for run in loop:
        y = _line(shapes, y, _sample(run), f"{run.letter}  {run.name}")
    says = ". ".join(words for _, words in _signs())
    order = ", then ".join(f"{run.letter} {run.name}" for run in loop)
    return Drawing("What the signs mean", f"{says}. Sections: {order}.", WIDE, y + 6, tuple(shapes))


def _signs() -> list[tuple[Sequence[Shape], str]]:
    """Signs drawn at (SIGN, 0), with their words."""
    return [
        (symbols.mark(SIGN, 0, "confirmed", 1.0, 1), "leak confirmed"),
        (symbols.mark(SIGN, 0, "repaired", 0.0, 2), "repaired"),
        (symbols.mark(SIGN, 0, "likely", 0.8, 3), "likely here"),
        (symbols.mark(SIGN, 0, "silent", 0.2, 4), "possible, checked; the larger the likelier"),
        (symbols.mark(SIGN, 0, "unchecked", 0.2, 5), "possible, not checked"),
        (symbols.count(SIGN, 0, "silent", 6), "6 more: nothing detectable, to what the test can see"),
        (symbols.count(SIGN, 0, "unclear", 7), "7 more: cannot tell yet"),
        (symbols.count(SIGN, 0, "unchecked", 8), "8 more: not checked"),
        ([Box(SIGN - 22, -9, 44, 18, 4.0, 2.0, dashed=True)], "place outdoors"),
        ([Box(SIGN - 22, -9, 44, 18, 4.0, 2.0)], "place indoors"),
    ]


def _sample(run: Run) -> Sequence[Shape]:
    """A piece of a section's pipe, with its letter."""
    return (*symbols.pipe(((SIGN - 28, 0), (SIGN + 28, 0)), run.pipe), *symbols.badge(SIGN, 0, run.letter))


def _title(shapes: list[Shape], y: float, words: str) -> float:
    shapes.append(Words(6, y + 20, words, TEXT, bold=True))
    return y + 30


def _line(shapes: list[Shape], y: float, sign: Sequence[Shape], words: str) -> float:
    """A sign and its words; the line below it begins at the height that is returned."""
    lines = wrapped(words, ROOM, SMALL)
    height = max(34.0, len(lines) * LEADING + 10)
    middle = y + height / 2
    shapes += [_moved(shape, middle) for shape in sign]
    first = middle - (len(lines) - 1) * LEADING / 2 + 4.5
    shapes += [Words(TEXT_AT, first + number * LEADING, text, SMALL) for number, text in enumerate(lines)]
    return y + height


def _moved(shape: Shape, down: float) -> Shape:
    """A shape further down."""
    if isinstance(shape, Line):
        return replace(shape, points=tuple((x, y + down) for x, y in shape.points))
    return replace(shape, y=shape.y + down)

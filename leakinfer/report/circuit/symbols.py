"""The signs of a drawing: pipes, marks and counts, told apart by shape and thickness alone."""

from __future__ import annotations

from leakinfer.report.circuit.flow import Pipe
from leakinfer.report.circuit.letters import width_of
from leakinfer.report.circuit.shapes import Box, Line, Paint, Ring, Shape, Words
from leakinfer.report.circuit.states import State

TEXT, SMALL, TINY = 15.0, 13.0, 12.0  # sizes of letters
LEAST_RADIUS, MORE_RADIUS = 10.0, 5.0  # of a mark, and how much it grows with its chance
COUNT_HEIGHT = 20.0
BADGE = 18.0


def pipe(points: tuple[tuple[float, float], ...], kind: Pipe) -> tuple[Shape, ...]:
    """Hot vapour as a thick line, liquid as two thin ones, cold vapour as one thin line."""
    if kind == "cold":
        return (Line(points, 2.5),)
    thick = Line(points, 8.0)
    return (thick,) if kind == "hot" else (thick, Line(points, 4.0, "paper"))


def arrow(x: float, y: float, way: tuple[int, int]) -> tuple[Shape, ...]:
    """A chevron across a pipe that points along ``way`` (right, down)."""
    right, down = way
    back = (x - 8 * right, y - 8 * down)
    side = (8 * down, 8 * right)
    points = ((back[0] + side[0], back[1] + side[1]), (x, y), (back[0] - side[0], back[1] - side[1]))
    return (Line(points, 7.0, "paper"), Line(points, 3.0))


def badge(x: float, y: float, letter: str) -> tuple[Shape, ...]:
    """The letter of a section, on its pipe."""
    half = BADGE / 2
    return (
        Box(x - half, y - half, BADGE, BADGE, 3.0, 1.5, "paper"),
        Words(x, y + 4.5, letter, TINY, "middle", bold=True),
    )


def mark(x: float, y: float, state: State, chance: float, number: int) -> tuple[Shape, ...]:
    """The sign of one place with its rank.

    A filled square is confirmed, a square with a tick repaired, a filled ring likely, an open ring possible. The larger
    the ring the likelier; its edge is dashed where nothing was checked.
    """
    radius = LEAST_RADIUS + MORE_RADIUS * chance
    filled = state in ("confirmed", "likely")
    fill: Paint = "ink" if filled else "paper"
    number_words = Words(x, y + 4.5, str(number), TINY, "middle", True, "paper" if filled else "ink")
    if state in ("confirmed", "repaired"):
        square = Box(x - 14, y - 14, 28, 28, 0.0, 2.5, fill)
        return (square, number_words, *(() if filled else (tick(x + 15, y - 13),)))
    return (Ring(x, y, radius, 2.0, fill, dashed=state == "unchecked"), number_words)


def tick(x: float, y: float) -> Shape:
    """A tick whose middle is at (x, y)."""
    return Line(((x - 5, y), (x - 1, y + 4), (x + 6, y - 6)), 2.5)


def count(x: float, y: float, state: State, number: int) -> tuple[Shape, ...]:
    """How many more places there are in one state: dashed if not checked, with ``?`` if nobody can tell yet."""
    words = f"{number}?" if state == "unclear" else str(number)
    width = max(24.0, width_of(words, TINY) + 8)
    box = Box(x - width / 2, y - 9, width, 18, 9.0, 1.5, "paper", dashed=state == "unchecked")
    return (box, Words(x, y + 4.5, words, TINY, "middle"))

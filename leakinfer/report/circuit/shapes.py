"""A drawing as values: lines, boxes, rings and words on a sheet, some of them gathered into spots one can go to.

Lengths are in the units of a screen that is 360 wide. Everything is ink on paper, so that grey printers, bright sun
and any pair of colours will do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

Paint: TypeAlias = Literal["ink", "paper", "none"]
Anchor: TypeAlias = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class Line:
    """A line through points (x, y)."""

    points: tuple[tuple[float, float], ...]
    width: float
    paint: Paint = "ink"


@dataclass(frozen=True)
class Box:
    """A rectangle with round corners; ``dashed`` its edge."""

    x: float
    y: float
    width: float
    height: float
    radius: float = 0.0
    edge: float = 1.5
    fill: Paint = "none"
    dashed: bool = False


@dataclass(frozen=True)
class Ring:
    """A circle, filled or not."""

    x: float
    y: float
    radius: float
    edge: float = 1.5
    fill: Paint = "paper"
    dashed: bool = False


@dataclass(frozen=True)
class Words:
    """A line of words; ``y`` is where the letters stand."""

    x: float
    y: float
    text: str
    size: float
    anchor: Anchor = "start"
    bold: bool = False
    paint: Paint = "ink"


Shape: TypeAlias = Line | Box | Ring | Words


@dataclass(frozen=True)
class Spot:
    """Shapes that are one thing to go to. ``says``: all of it in words; ``target``: id of what it is, None for none.

    ``x`` to ``height``: the field that takes a finger.
    """

    says: str
    target: str | None
    x: float
    y: float
    width: float
    height: float
    shapes: tuple[Shape, ...]


@dataclass(frozen=True)
class Drawing:
    """A sheet. ``title`` and ``says`` tell in words what is drawn; spots lie above the shapes."""

    title: str
    says: str
    width: float
    height: float
    shapes: tuple[Shape, ...]
    spots: tuple[Spot, ...] = ()

    @property
    def every_shape(self) -> tuple[Shape, ...]:
        """From the lowest up, those of the spots among them."""
        return (*self.shapes, *(shape for spot in self.spots for shape in spot.shapes))

"""Where everything stands: the loop as two pipes, away from the compressor down the left, back to it up the right.

Boxes of places lie across both pipes, zones are bands in them. A place that is likely or known is a mark on its pipe
with its name beside it; all others of a zone are counted in its head.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from leakinfer.circuit.model import System
from leakinfer.job.belief import Belief
from leakinfer.report.circuit import symbols
from leakinfer.report.circuit.areas import Area, Room, area_ids, rooms_of
from leakinfer.report.circuit.flow import Run, loop_of
from leakinfer.report.circuit.letters import wrapped
from leakinfer.report.circuit.shapes import Anchor, Box, Drawing, Line, Shape, Spot, Words
from leakinfer.report.circuit.states import STATE_WORDS, Known, Mark, known_of
from leakinfer.report.circuit.symbols import SMALL, TEXT
from leakinfer.words.numbers import percent
from leakinfer.words.units import BOTH, Units

LEFT, TEXT_LEFT = 30.0, 58.0  # of the pipe on the left, and of the words beside it; the right side mirrors it
GAP = 24.0  # between boxes, where the pipes show which way they flow
TURN = 40.0  # height of the turns at both ends
LINE = 1.25  # of a size, from line to line


@dataclass(frozen=True)
class Frame:
    """How wide a drawing is, and how high a row is at least."""

    wide: float
    least: float

    @property
    def middle(self) -> float:
        """Between the two pipes."""
        return self.wide / 2

    @property
    def right(self) -> float:
        """The pipe on the right."""
        return self.wide - LEFT

    @property
    def text_right(self) -> float:
        """Where words on the right end."""
        return self.wide - TEXT_LEFT

    @property
    def room(self) -> float:
        """For words between the pipes."""
        return self.wide - 2 * TEXT_LEFT

    def x(self, out: bool) -> float:
        """The pipe that leads away from the compressor, or the one back to it."""
        return LEFT if out else self.right


NARROW = Frame(360.0, 48.0)  # a phone of 360 px with margins; 44 px for a finger
BROAD = Frame(540.0, 34.0)  # paper and large screens


@dataclass
class Sheet:
    """A drawing that grows downwards."""

    frame: Frame
    y: float = 0.0
    pipes: list[Shape] = field(default_factory=list)  # behind all others
    shapes: list[Shape] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)


def loop_drawing(
    belief: Belief, likely: Mapping[str, float] | None = None, frame: Frame = NARROW, units: Units = BOTH
) -> Drawing:
    """The loop of a job with its marks; ``likely``: chance by repair unit, if it is worked out already."""
    system = belief.job.system
    zones = area_ids(system)
    known = _known(belief, likely, units)
    at = {site.id: zones[site.zone] for site in belief.job.sites}
    marked = {at[site] for mark in known.marks for site in mark.sites}
    rooms = rooms_of(system, belief.job.sites, marked)
    sheet, rails = Sheet(frame), Rails(loop_of(system))
    _top(sheet, rails)
    for number, room in enumerate(rooms):
        _room(sheet, rails, room, known, last=number == len(rooms) - 1)
    _bottom(sheet, rails)
    return Drawing(
        system.name, _says(system, rooms, known), frame.wide, sheet.y, (*sheet.pipes, *sheet.shapes), tuple(sheet.spots)
    )


class Rails:
    """Which section each of the two pipes is in, on the way down the sheet."""

    def __init__(self, loop: Sequence[Run]) -> None:
        self.loop = loop
        self.run_of = {section: run for run in loop for section in run.sections}
        first_back = next((run for run in loop if not run.out), loop[0])
        first_out = next((run for run in loop if run.out), loop[0])
        self.now = {True: first_out, False: first_back}
        self.since = dict.fromkeys(self.now, TURN)
        self.named: set[str] = set()

    def entering(self, area: Area) -> dict[bool, list[Run]]:
        """By pipe, the sections that begin in an area, the nearest to the compressor first."""
        here = {self.run_of[site.section].letter for site in area.sites}
        found: dict[bool, list[Run]] = {True: [], False: []}
        for run in self._downwards():
            if run.letter in here and run.letter not in self.named:
                found[run.out].append(run)
                self.named.add(run.letter)
        return found

    def _downwards(self) -> tuple[Run, ...]:
        """The sections as the sheet goes down: those on the way out in flow order, those on the way back against it."""
        out = tuple(run for run in self.loop if run.out)
        first, *later = [run for run in self.loop if not run.out] or [out[0]]
        return (*out, first, *reversed(later))

    def sections_words(self, mark: Mark) -> str:
        """The letters of the sections that a mark lies on."""
        return "".join(sorted({self.run_of[section].letter for section in mark.sections}))


def _top(sheet: Sheet, rails: Rails) -> None:
    """The turn at the compressor: cold vapour in from the right, hot vapour out to the left."""
    middle, right = sheet.frame.middle, sheet.frame.right
    sheet.pipes += symbols.pipe(((right, TURN), (right, 24), (middle, 24)), rails.now[False].pipe)
    sheet.pipes += symbols.pipe(((middle, 24), (LEFT, 24), (LEFT, TURN)), rails.now[True].pipe)
    sheet.shapes += [*symbols.arrow(90, 24, (-1, 0)), *symbols.arrow(sheet.frame.wide - 90, 24, (-1, 0))]
    sheet.shapes.append(Words(middle, 12, "near the compressor", SMALL, "middle"))
    sheet.y = TURN


def _bottom(sheet: Sheet, rails: Rails) -> None:
    middle, right, y = sheet.frame.middle, sheet.frame.right, sheet.y + 10
    sheet.pipes += symbols.pipe(((LEFT, rails.since[True]), (LEFT, y), (middle, y)), rails.now[True].pipe)
    sheet.pipes += symbols.pipe(((middle, y), (right, y), (right, rails.since[False])), rails.now[False].pipe)
    sheet.shapes += [*symbols.arrow(90, y, (1, 0)), *symbols.arrow(sheet.frame.wide - 90, y, (1, 0))]
    sheet.shapes.append(Words(middle, y + 21, "far from the compressor", SMALL, "middle"))
    sheet.y = y + 28


def _room(sheet: Sheet, rails: Rails, room: Room, known: Known, *, last: bool) -> None:
    """A place: its box, its name, its zones; outdoors the edge is dashed."""
    top = sheet.y
    head = f"{room.name} ({'outdoors' if room.outdoors else 'indoors'})"
    lines = wrapped(head, sheet.frame.room, SMALL, 2)
    height = 8 + len(lines) * SMALL * LINE + 4
    sheet.shapes += _words(lines, sheet.frame.middle, top + 8, SMALL, "middle")
    sheet.y = top + height
    for area in room.areas:
        _area(sheet, rails, area, known)
    sheet.shapes.append(Box(3, top, sheet.frame.wide - 6, sheet.y - top, 6.0, 2.0, dashed=room.outdoors))
    if not last:
        sheet.shapes += symbols.arrow(LEFT, sheet.y + GAP / 2 + 4, (0, 1))
        sheet.shapes += symbols.arrow(sheet.frame.right, sheet.y + GAP / 2 - 4, (0, -1))
        sheet.y += GAP


def _area(sheet: Sheet, rails: Rails, area: Area, known: Known) -> None:
    """A zone: a line above it, letters of the sections that begin, its head, and its marks."""
    sheet.shapes.append(Line(((TEXT_LEFT, sheet.y), (sheet.frame.text_right, sheet.y)), 0.75))
    beginning = rails.entering(area)
    for number in range(max(map(len, beginning.values()))):
        _badges(sheet, rails, {out: runs[number] for out, runs in beginning.items() if number < len(runs)})
    _head(sheet, rails, area, known)
    inside = {site.id for site in area.sites}
    for mark in known.marks:
        if inside.issuperset(mark.sites):
            _row(sheet, rails, mark, area.target)


def _badges(sheet: Sheet, rails: Rails, beginning: Mapping[bool, Run]) -> None:
    """A strip in which sections begin."""
    height = symbols.BADGE + 6
    for out in beginning:
        ends = ((sheet.frame.x(out), rails.since[out]), (sheet.frame.x(out), sheet.y))
        sheet.pipes += symbols.pipe(ends, rails.now[out].pipe)
        rails.since[out] = sheet.y
    rails.now |= beginning
    for out, run in beginning.items():
        sheet.shapes += symbols.badge(sheet.frame.x(out), sheet.y + height / 2, run.letter)
    sheet.y += height


def _head(sheet: Sheet, rails: Rails, area: Area, known: Known) -> None:
    """The name of a zone, and on its pipes how many more places there are."""
    counts = {
        out: known.count(site.id for site in area.sites if rails.run_of[site.section].out == out)
        for out in (True, False)
    }
    name, more = wrapped(area.name, sheet.frame.room, TEXT, 2), wrapped(_more(area, known), sheet.frame.room, SMALL, 3)
    text = len(name) * TEXT * LINE + len(more) * SMALL * LINE
    height = max(sheet.frame.least, text + 12, 8 + symbols.COUNT_HEIGHT * max(map(len, counts.values())))
    top = sheet.y + (height - text) / 2
    shapes = [*_words(name, sheet.frame.middle, top, TEXT, "middle", bold=True)]
    shapes += _words(more, sheet.frame.middle, top + len(name) * TEXT * LINE, SMALL, "middle")
    for out, by_state in counts.items():
        y = sheet.y + (height - symbols.COUNT_HEIGHT * len(by_state)) / 2 + symbols.COUNT_HEIGHT / 2
        for number, (state, many) in enumerate(by_state.items()):
            shapes += symbols.count(sheet.frame.x(out), y + number * symbols.COUNT_HEIGHT, state, many)
    _spot(sheet, f"{area.name}: {_more(area, known)}", area.target, height, shapes)


def _more(area: Area, known: Known) -> str:
    """``12 places: 2 nothing detectable, 9 not checked``."""
    counts = known.count(site.id for site in area.sites)
    marks = len(area.sites) - sum(counts.values())
    told = [f"{marks} marked below"] if marks else []
    told += [f"{many} {STATE_WORDS[state]}" for state, many in counts.items()]
    every = f"{len(area.sites)} place{'s' if len(area.sites) > 1 else ''}"
    if marks == 0 and len(counts) == 1:
        return f"{every}, {STATE_WORDS[next(iter(counts))]}"
    return f"{every}: {', '.join(told)}"


def _row(sheet: Sheet, rails: Rails, mark: Mark, area: str | None) -> None:
    """A mark with its name and what is known; one of several places leads to their area."""
    out = all(rails.run_of[section].out for section in mark.sections)
    chance = "" if mark.state == "confirmed" else f", {percent(mark.chance)}"
    verdict = f"{mark.brief}{chance}, on {rails.sections_words(mark)}"
    name, second = wrapped(mark.name, sheet.frame.room, TEXT, 3), wrapped(verdict, sheet.frame.room, SMALL, 3)
    text = len(name) * TEXT * LINE + len(second) * SMALL * LINE
    height = max(sheet.frame.least, text + 10)
    anchor: Anchor = "start" if out else "end"
    x, top = TEXT_LEFT if out else sheet.frame.text_right, sheet.y + (height - text) / 2
    shapes = [*symbols.mark(sheet.frame.x(out), sheet.y + height / 2, mark.state, mark.chance, mark.rank)]
    shapes += _words(name, x, top, TEXT, anchor)
    shapes += _words(second, x, top + len(name) * TEXT * LINE, SMALL, anchor)
    target = mark.sites[0] if len(mark.sites) == 1 else area
    _spot(sheet, f"{mark.rank}, {mark.name}: {verdict}", target, height, shapes)


def _spot(sheet: Sheet, says: str, target: str | None, height: float, shapes: Sequence[Shape]) -> None:
    sheet.spots.append(Spot(says, target, 6, sheet.y, sheet.frame.wide - 12, height, tuple(shapes)))
    sheet.y += height


def _words(
    lines: Sequence[str], x: float, top: float, size: float, anchor: Anchor, *, bold: bool = False
) -> list[Shape]:
    """Lines of words under each other."""
    return [
        Words(x, top + (number + 0.85) * size * LINE - 1, line, size, anchor, bold) for number, line in enumerate(lines)
    ]


def _says(system: System, rooms: Sequence[Room], known: Known) -> str:
    """The drawing in words, for those who do not see it."""
    told = "; ".join(f"{mark.rank}, {mark.name}, {mark.verdict}" for mark in known.marks) or "none"
    places = ", ".join(room.name for room in rooms)
    return (
        f"The loop of the {system.name}, from the compressor out and back, through: {places}. "
        f"Places marked, likeliest first: {told}."
    )


def known_marks(belief: Belief, units: Units = BOTH) -> tuple[Mark, ...]:
    """The marks of a job's drawing, in order of rank."""
    return _known(belief, None, units).marks


def _known(belief: Belief, likely: Mapping[str, float] | None, units: Units) -> Known:
    zones = area_ids(belief.job.system)
    return known_of(belief, lambda site: zones[site.zone], units, likely)

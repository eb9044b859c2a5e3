"""The sections of a system in flow order, as the loop of cooling.

A system file does not say which section follows which, so the order is worked out:

* what is on the high side or carries liquid leads away from the compressor, the vapour of the low side back to it;
* on the way out hot vapour comes before liquid, and liquid of the high side before that of the low side;
* of two alike, the one that changes sides in heating lies further from the compressor: the reversing valve stands
  between them;
* else the one that is nearer to the compressor's section and further from the far end. Sections are next to each
  other if they share a zone, and twice as far apart if they share a place only;
* else the one that the file names first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, TypeAlias

from leakinfer.circuit.model import Section, System

Pipe: TypeAlias = Literal["hot", "liquid", "cold"]
PIPES: tuple[Pipe, ...] = ("hot", "liquid", "cold")
PIPE_WORDS: Mapping[Pipe, str] = {
    "hot": "high side, vapour",
    "liquid": "liquid",
    "cold": "low side, vapour",
}
COMPRESSOR_CLASSES = frozenset({"compressor_shell", "shell_underside", "terminal_feedthrough", "shaft_seal"})
SAME_ZONE, SAME_PLACE, APART = 1, 2, 5  # how far two sections lie from each other
MOST_NAMED = 8  # sections that are named one by one; of more, as of parallel circuits, all of a kind are one
LETTERS = "ABCDEFGH"


@dataclass(frozen=True)
class Run:
    """A stretch of the loop; ``sections``: ids of those that it is."""

    letter: str
    name: str
    pipe: Pipe
    sections: tuple[str, ...]

    @property
    def out(self) -> bool:
        """Whether it leads away from the compressor."""
        return self.pipe != "cold"


def loop_of(system: System) -> tuple[Run, ...]:
    """The loop in flow order: from the compressor out to the far end and back to it."""
    depths = depths_of(system)
    out = sorted((s for s in system.sections if pipe_of(s) != "cold"), key=_order(system, depths))
    back = sorted((s for s in system.sections if pipe_of(s) == "cold"), key=_order(system, depths))
    round_trip = [*back[:1], *out, *reversed(back[1:])]
    if len(round_trip) > MOST_NAMED:
        return _by_kind(round_trip)
    return tuple(
        Run(letter, section.name, pipe_of(section), (section.id,))
        for letter, section in zip(LETTERS, round_trip, strict=False)
    )


def pipe_of(section: Section) -> Pipe:
    """What kind of pipe a section is while cooling."""
    if section.phase == "liquid":
        return "liquid"
    return "hot" if section.side == "high" else "cold"


def depths_of(system: System) -> dict[str, float]:
    """By section, how far along it lies: 0 at the compressor, 1 at the far end."""
    near = _distances(system, _starts(system))
    back = [s.id for s in system.sections if pipe_of(s) == "cold"] or [s.id for s in system.sections]
    most = max(near[name] for name in back)
    far = _distances(system, [name for name in back if near[name] == most])
    return {name: near[name] / max(1, near[name] + far[name]) for name in near}


def _order(system: System, depths: Mapping[str, float]) -> Callable[[Section], tuple[int, bool, bool, float, int]]:
    """What sections of one way are sorted by, as told above."""
    place = {section.id: number for number, section in enumerate(system.sections)}

    def key(section: Section) -> tuple[int, bool, bool, float, int]:
        turns = section.heating_side not in ("none", section.side)
        low = section.side == "low"
        return PIPES.index(pipe_of(section)), low, turns, depths[section.id], place[section.id]

    return key


def _starts(system: System) -> list[str]:
    """The compressor's sections; where no part of one is listed, the vapour of the low side."""
    cold = [section.id for section in system.sections if pipe_of(section) == "cold"]
    holds = {site.section for site in system.sites if site.component in COMPRESSOR_CLASSES}
    return [s for s in cold if s in holds] or sorted(holds) or cold or [system.sections[0].id]


def _distances(system: System, starts: Iterable[str]) -> dict[str, int]:
    """By section, the shortest way from any of ``starts``, in the steps above."""
    steps = _steps(system)
    every = [section.id for section in system.sections]
    reached = dict.fromkeys(starts, 0)
    open_ones = set(reached)
    while open_ones:
        here = min(open_ones, key=lambda name: (reached[name], name))
        open_ones.remove(here)
        for other in every:
            there = reached[here] + steps.get(frozenset((here, other)), APART)
            if other != here and there < reached.get(other, there + 1):
                reached[other] = there
                open_ones.add(other)
    return reached


def _steps(system: System) -> dict[frozenset[str], int]:
    """How far apart the sections are that meet in a place or a zone."""
    steps: dict[frozenset[str], int] = {}
    for far, spot in ((SAME_PLACE, "place"), (SAME_ZONE, "zone")):
        meeting: dict[str, dict[str, None]] = {}
        for site in system.sites:
            meeting.setdefault(getattr(site, spot), {})[site.section] = None
        for sections in meeting.values():
            steps |= {frozenset(pair): far for pair in combinations(sections, 2)}
    return steps


def _by_kind(sections: list[Section]) -> tuple[Run, ...]:
    """One stretch for all sections of a kind."""
    runs = []
    for letter, pipe in zip(LETTERS, PIPES, strict=False):
        alike = [section for section in sections if pipe_of(section) == pipe]
        if alike:
            name = f"{PIPE_WORDS[pipe]}, {len(alike)} sections"
            runs.append(Run(letter, name, pipe, tuple(section.id for section in alike)))
    return tuple(runs)

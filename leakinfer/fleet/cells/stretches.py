"""Circumstances that come and go: the times in which those of a part stay the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.sites import Kind, Kinds
from leakinfer.fleet.cells.windows import EVER, Days, Index, Mask, Stretches


@dataclass(frozen=True, eq=False)
class Spells:
    """(E,) times in which a circumstance was there: the part, the circumstance by number, from and until when."""

    part: Index
    exposure: Index
    since: Days
    until: Days


def stretches_of(spells: Spells, kind: Index, kinds: Kinds, exposures: Sequence[str]) -> tuple[Stretches, Index]:
    """The stretches of parts of these kinds (P,), and (R,) the kind in each of them.

    A circumstance with spells is there in its spells and not there otherwise, whatever the kind says of it.
    """
    part, since = _cuts(spells, kind.size)
    dated = np.zeros((kind.size, len(exposures)), dtype=bool)
    dated[spells.part, spells.exposure] = True
    some = np.flatnonzero(np.any(dated, axis=1)[part])
    present, unknown = _around(kinds, kind[part[some]], exposures)
    present &= ~dated[part[some]]
    unknown &= ~dated[part[some]]
    _set_spells(present, part[some], since[some], spells)
    now = kind[part]
    now[some] = _named(kinds, now[some], present, unknown, exposures)
    return _merged(part, since, now)


def _cuts(spells: Spells, parts: int) -> tuple[Index, Days]:
    """(R,) the part and the first day of each stretch."""
    days = np.concatenate([np.full(parts, -EVER, dtype=np.int64), spells.since, spells.until]).astype(np.int64)
    part = np.concatenate([np.arange(parts, dtype=np.int64), spells.part, spells.part])
    keys = np.unique(((part << 32) + days + EVER)[days < EVER])
    return keys >> 32, ((keys & (2**32 - 1)) - EVER).astype(np.int32)


def _around(kinds: Kinds, kind: Index, exposures: Sequence[str]) -> tuple[Mask, Mask]:
    """(R, X) whether each circumstance is there, and whether nobody looked."""
    used, place = np.unique(kind, return_inverse=True)
    tables = []
    for column in ("present", "unknown"):
        named = [[name in getattr(kinds.all[number], column) for name in exposures] for number in used]
        tables.append(np.array(named, dtype=bool).reshape(used.size, len(exposures))[place.reshape(-1)])
    return tables[0], tables[1]


def _set_spells(present: Mask, part: Index, since: Days, spells: Spells) -> None:
    """Mark each circumstance in the stretches that lie in one of its spells."""
    low, high = np.searchsorted(part, spells.part), np.searchsorted(part, spells.part, side="right")
    counts = high - low
    spell = np.repeat(np.arange(counts.size), counts)
    stretch = low[spell] + np.arange(spell.size) - np.repeat(np.cumsum(counts) - counts, counts)
    inside = (since[stretch] >= spells.since[spell]) & (since[stretch] < spells.until[spell])
    present[stretch[inside], spells.exposure[spell[inside]]] = True


def _named(kinds: Kinds, kind: Index, present: Mask, unknown: Mask, exposures: Sequence[str]) -> Index:
    """(R,) the numbers of the kinds of the same component class with these circumstances."""
    components = np.array([each.component for each in kinds.all], dtype=object)
    names, component = np.unique(components[kind].astype(str), return_inverse=True)
    rows: NDArray[np.int16] = np.column_stack([component.reshape(-1).astype(np.int16), present, unknown])
    different, place = np.unique(rows, axis=0, return_inverse=True)
    made = tuple(_kind(str(names[row[0]]), row[1:].astype(bool).tolist(), exposures) for row in different)
    return kinds.numbers(made)[place.reshape(-1)]


def _kind(component: str, marks: Sequence[bool], exposures: Sequence[str]) -> Kind:
    """The kind with these circumstances: marks of those that are there, then of those that nobody looked for."""
    present, unknown = marks[: len(exposures)], marks[len(exposures) :]
    return Kind(component, tuple(compress(exposures, present)), (), tuple(compress(exposures, unknown)))


def _merged(part: Index, since: Days, kind: Index) -> tuple[Stretches, Index]:
    """The stretches, neighbours of one kind made one."""
    same = (part[1:] == part[:-1]) & (kind[1:] == kind[:-1])
    first = np.flatnonzero(np.concatenate([np.ones(min(part.size, 1), dtype=bool), ~same]))
    part, since, kind = part[first], since[first], kind[first]
    until = np.full(part.size, EVER, dtype=np.int32)
    follows = np.flatnonzero(part[1:] == part[:-1])
    until[follows] = since[follows + 1]
    return Stretches(part, since, until), kind

"""What moved clearly, in plain words, and what to do about it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from leakinfer.catalogue.learned import LearnedPriors, Moved
from leakinfer.report.fleet.moved import is_clear, times
from leakinfer.report.fleet.names import Names
from leakinfer.report.wording import figures, of_many


@dataclass(frozen=True)
class Mover:
    """A number that moved. ``size``: how far, as a logarithm of a ratio or of odds, with its direction.

    ``searching``: it is about how one searches, not about where leaks are.
    """

    about: str
    says: str
    range: str
    do: str
    size: float
    clear: bool
    searching: bool


@dataclass(frozen=True)
class Words:
    """How a kind of number is told: ``says`` of its change, and what to do where it ``rose`` or ``fell``.

    ``kind``: whether its interval is told as a share, as it is, or as times the shipped number.
    """

    says: Callable[[Moved], str]
    rose: str
    fell: str
    kind: Literal["share", "plain", "times"] = "times"


def movers(learned: LearnedPriors, names: Names) -> list[Mover]:
    """All numbers that can move a search, the furthest first."""
    found = [_mover(about, words, moved) for about, words, moved in _all(learned, names)]
    return sorted(found, key=lambda mover: -abs(mover.size))


def _mover(about: str, words: Words, moved: Moved) -> Mover:
    size = _odds(moved.value) - _odds(moved.shipped) if words.kind == "share" else math.log(times(moved))
    do = words.rose if size > 0 else words.fell
    return Mover(about, words.says(moved), _range(moved, words.kind), do, size, is_clear(moved), words in SEARCHING)


def _odds(share: float) -> float:
    kept = min(max(share, 1e-6), 1 - 1e-6)
    return math.log(kept / (1 - kept))


def _range(moved: Moved, kind: str) -> str:
    if kind == "share":
        _, low, high, whole = of_many(moved.value, moved.low, moved.high, moved.shipped)
        return f"{low} to {high} of {whole.rpartition(' ')[2]}"
    scale = moved.shipped if kind == "times" else 1.0
    low, high = (figures(end / scale) for end in (moved.low, moved.high))
    return f"{low} to {high}{' times' if kind == 'times' else ''}"


def _times(moved: Moved) -> str:
    return f"{figures(times(moved))} times"


RATE = Words(
    lambda m: f"leaks begin {_times(m)} as often as the shipped priors say",
    "Check these earlier in a search.",
    "Check these later in a search, but do not leave them out.",
)
AGE = Words(
    lambda m: f"age counts {'more' if m.value > m.shipped else 'less'} (shape {figures(m.value)}, {_shipped(m)})",
    "Old ones first: leaks gather with the years.",
    "New ones too: more of their leaks come early.",
    kind="plain",
)
SIZE = Words(
    lambda m: f"leaks are {_times(m)} as large as the shipped priors say",
    "Each of these leaks costs more gas: worth an early look.",
    "A silent sweep clears them less: go close, with a fine method.",
)
FOUND = Words(
    lambda m: f"a search finds {_many(m)} of the leaks that are there ({_shipped_many(m)})",
    "Silence there says more than the shipped priors say.",
    "Search these more slowly, or with a second method: silence says less.",
    kind="share",
)
RATIO = Words(
    lambda m: f"what it touches leaks {figures(m.value)} times as often as without it ({_shipped(m)})",
    "Where you see it, check what it touches first.",
    "It points to a leak less than the shipped priors say.",
    kind="plain",
)
PREVALENCE = Words(
    lambda m: f"it is there at {_many(m)} places that can have it ({_shipped_many(m)})",
    "Look for it: it is commoner here.",
    "It is rarer here than the shipped priors say.",
    kind="share",
)
SYSTEM = Words(
    lambda m: f"leaks begin {_times(m)} as often as its parts alone would say",
    "Search this type more thoroughly. Why it leaks more is not in the numbers.",
    "Its parts leak less here than in the rest of the fleet.",
)
INSTALLER = Words(
    lambda m: f"parts that depend on workmanship leak {_times(m)} as often as on average",
    "On its systems check joints, flares, valves and caps first.",
    "Keep the usual order on its systems.",
)
RATE50 = Words(
    lambda m: f"answers half of the time at a leak {_times(m)} as large as the shipped priors say",
    "Go more slowly and closer: silence says less.",
    "It finds smaller leaks: silence says more.",
)
FALSE_ALARM = Words(
    lambda m: f"answers without a leak at {_many(m)} tight places ({_shipped_many(m)})",
    "Repeat every answer in clean air, and confirm it another way.",
    "An answer says more than the shipped priors say.",
    kind="share",
)
LAPSE = Words(
    lambda m: f"misses {_many(m)} leaks however large they are ({_shipped_many(m)})",
    "Back its silence with a second round.",
    "Its silence says more than the shipped priors say.",
    kind="share",
)
HIDDEN = Words(
    lambda m: f"cannot reach {_many(m)} leaks, whoever repeats it ({_shipped_many(m)})",
    "Back its silence with another method, not with a second round.",
    "It reaches more than the shipped priors say.",
    kind="share",
)


SEARCHING = (FOUND, RATE50, FALSE_ALARM, LAPSE, HIDDEN)


def _shipped(moved: Moved) -> str:
    return f"shipped {figures(moved.shipped)}"


def _many(moved: Moved) -> str:
    value, _, _, whole = of_many(moved.value, moved.low, moved.high, moved.shipped)
    return f"{value} of {whole.rpartition(' ')[2]}"


def _shipped_many(moved: Moved) -> str:
    return f"shipped {of_many(moved.value, moved.low, moved.high, moved.shipped)[3].partition(' ')[0]}"


def _all(learned: LearnedPriors, names: Names) -> Iterator[tuple[str, Words, Moved]]:
    """Every number that a search depends on, with whom it is about."""
    for part in learned.component:
        about = names.component(part.id)
        yield from ((about, RATE, part.mean), (about, AGE, part.weibull), (about, SIZE, part.size_median))
        yield about, FOUND, part.found_at_search
    for around in learned.exposure:
        about = names.exposure(around.id)
        yield from ((about, RATIO, around.ratio), (about, PREVALENCE, around.prevalence))
    yield from ((names.system(kind.id), SYSTEM, kind.factor) for kind in learned.system)
    yield from ((names.installer(firm.id), INSTALLER, firm.factor) for firm in learned.installer)
    for method in learned.method:
        about = names.method(method.id)
        yield from ((about, RATE50, method.rate50), (about, FALSE_ALARM, method.false_alarm))
        yield from ((about, LAPSE, method.lapse), (about, HIDDEN, method.unreachable))

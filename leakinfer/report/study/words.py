"""Figures with their ends, and the names of what was compared, as people read them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.reader import shipped_systems
from leakinfer.report.wording import capital, figures, percent
from leakinfer.study.measures import DEFAULT, EVERY, Interval, Results
from leakinfer.study.policies import POLICIES

NONE = "-"
PERCENT = "\u00a0%"
OWN = "program's own way"
MOMENTS = {"start": "at the door", "during": "on the way", "end": "at the end", EVERY: "all moments"}


def known(number: float, words: Callable[[float], str] = figures) -> str:
    """A number in words; ``never`` for one without end, a dash for none."""
    if math.isnan(number):
        return NONE
    return "never" if math.isinf(number) else words(number)


def told(found: Interval, words: Callable[[float], str] = figures) -> str:
    """``46 (41 to 52)``, the brackets kept on one line; none where there are no ends, or all is without end."""
    if math.isnan(found.low) or math.isnan(found.high) or math.isinf(found.low):
        return known(found.value, words)
    inside = ends(found, words).replace(" ", "\u00a0")
    return f"{known(found.value, words)} ({inside})"


def ends(found: Interval, words: Callable[[float], str] = figures) -> str:
    """``41 to 52``, and ``9 to 14 %``."""
    low, high = known(found.low, words), known(found.high, words)
    return f"{low.removesuffix(PERCENT) if high.endswith(PERCENT) else low} to {high}"


def minutes(number: float) -> str:
    """Whole minutes; one decimal below ten."""
    return f"{number:,.0f}" if abs(number) >= 10 else f"{number:.1f}"


def change(number: float) -> str:
    """Minutes with a sign."""
    return f"+{minutes(number)}" if number > 0 else minutes(number).replace("-", "\u2212")


def share(number: float) -> str:
    """A share in percent, kept on one line."""
    return percent(number).replace(" %", PERCENT)


def points(number: float) -> str:
    """A difference of shares in percentage points, with a sign."""
    shown = f"{100 * number:+.1f}".replace("-", "\u2212")
    return "0.0" if float(f"{100 * number:.1f}") == 0 else shown


def two(number: float) -> str:
    """Two decimals, for ratios and slopes."""
    return f"{number:.2f}".replace("-", "\u2212")


def three(number: float) -> str:
    """Three decimals, for scores and bits."""
    return f"{number:.3f}".replace("-", "\u2212")


@dataclass(frozen=True)
class Names:
    """What ids are called; an id that nobody knows is shown as it is."""

    systems: Mapping[str, str]
    truths: Mapping[str, str]
    methods: Mapping[str, str]

    def system(self, name: str) -> str:
        """A type of system, or all of them."""
        return "All systems" if name == EVERY else capital(self.systems.get(name, name))

    def truth(self, name: str) -> str:
        """A way in which the world is."""
        return capital(self.truths.get(name, name))

    def method(self, name: str) -> str:
        """A method, or all of them."""
        return "All methods" if name == EVERY else capital(self.methods.get(name, name))

    def brief(self, name: str) -> str:
        """A type of system, without what stands behind a comma or a "with"."""
        return self.system(name).partition(",")[0].partition(" with ")[0]

    def policy(self, name: str) -> str:
        """A way of searching, for the begin of a row."""
        if name == DEFAULT:
            return capital(OWN)
        return capital(name.replace("_", " ")) if name in POLICIES else name

    def said(self, name: str) -> str:
        """A way of searching inside a sentence."""
        if name == DEFAULT:
            return f"the {OWN}"
        return f"the way \u201c{name.replace('_', ' ') if name in POLICIES else name}\u201d"

    def tells(self, name: str) -> str:
        """A way of searching in one sentence; a dash for one's own."""
        return capital(str(getattr(POLICIES.get(name), "tells", NONE)))


def names_of(found: Results) -> Names:
    """The names of a study."""
    methods = {method.id: method.name for method in load_catalogue().methods.values()}
    return Names(shipped_systems(), found.truths, methods)

"""Numbers as people read them, and what the parts of a learned file are called."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leakinfer.catalogue.learned import Moved
from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.reader import shipped_systems


def figures(number: float, count: int = 2) -> str:
    """A number with ``count`` significant figures and no exponent, unless it is very small."""
    if number == 0:
        return "0"
    if abs(number) < 1e-4:
        return f"{number:.{count - 1}e}"
    shown = float(f"{number:.{count}g}")
    text = f"{number:#.{count}g}" if abs(shown) < 10 ** (count - 1) else f"{shown:,.0f}"
    return text.rstrip(".")


def percent(share: float) -> str:
    """``62 %``; small shares with two figures, none rounded to nothing or all."""
    if share <= 0 or share >= 1:
        return f"{share * 100:.0f} %"
    shown = figures(share * 100) if share < 0.1 else f"{share * 100:.0f}"
    return "above 99 %" if shown == "100" else f"{shown} %"


def of_many(*shares: float) -> tuple[str, ...]:
    """Shares counted out of the same number: ``3`` and ``62 of 100``, or of 1,000 where one of them is small."""
    least = min((share for share in shares if share > 0), default=1.0)
    whole = 100 if least >= 0.02 else 1000 if least >= 0.002 else 10_000
    *first, last = (f"{share * whole:,.0f}" for share in shares)
    return (*first, f"{last} of {whole:,}")


def capital(text: str) -> str:
    """A first letter for the begin of a sentence or a row; ``R-410A`` and the like stay."""
    return text[:1].upper() + text[1:]


def times(moved: Moved) -> float:
    """The learned number over the shipped one."""
    return moved.value / moved.shipped


def is_clear(moved: Moved) -> bool:
    """Whether the shipped number lies outside the learned interval."""
    return not moved.low <= moved.shipped <= moved.high


@dataclass(frozen=True)
class Names:
    """What ids are called. An id that nobody knows is shown as it is."""

    components: Mapping[str, str]
    exposures: Mapping[str, str]
    methods: Mapping[str, str]
    systems: Mapping[str, str]
    shared: Mapping[str, str]

    def component(self, name: str) -> str:
        """A component class."""
        return capital(self.components.get(name, name))

    def exposure(self, name: str) -> str:
        """A circumstance."""
        return capital(self.exposures.get(name, name))

    def method(self, name: str) -> str:
        """A way of testing."""
        return capital(self.methods.get(name, name))

    def system(self, name: str) -> str:
        """A type of system."""
        return capital(self.systems[name]) if name in self.systems else name

    def installer(self, name: str) -> str:
        """Who built a system."""
        return name or "Builder not known"

    def unknown(self, name: str) -> str:
        """A shared unknown."""
        return capital(self.shared.get(name, name))

    def group(self, name: str) -> str:
        """What a predictive check is on: an id of any kind, or words."""
        every = {**self.components, **self.exposures, **self.methods, **self.systems}
        return capital(every.get(name, name.replace("_", " ")))


def names_of(catalogue: Catalogue) -> Names:
    """The names of a catalogue and of the systems that come with the program."""
    kinds = (catalogue.components, catalogue.exposures, catalogue.methods)
    components, exposures, methods = ({part.id: part.name for part in kind.values()} for kind in kinds)
    shared = {part.id: part.name for part in catalogue.shared.values()}
    return Names(components, exposures, methods, shipped_systems(), shared)

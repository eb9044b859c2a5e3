"""The planner's answers as values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from leakinfer.circuit.conditions import Condition

Objective = Literal["bits", "bits_per_minute"]
OBJECTIVES: tuple[Objective, ...] = ("bits_per_minute", "bits")


@dataclass(frozen=True)
class Candidate:
    """A test that could be made: method, target, condition, and where one stands for it (None: anywhere)."""

    method: str
    target: str
    condition: Condition
    place: str | None


@dataclass(frozen=True)
class Minutes:
    """What a test costs: its own minutes, getting to the place, opening it, changing the state of the system."""

    test: float
    travel: float = 0.0
    opening: float = 0.0
    state: float = 0.0

    @property
    def total(self) -> float:
        """All of it."""
        return self.test + self.travel + self.opening + self.state


@dataclass(frozen=True)
class Ranked:
    """A possible test with its worth.

    ``bits``: expected information about which repair units leak at a size that matters. ``outcomes``: by name, the
    probability. ``repeat``: how often it was made before. ``perishable``: gone once hoses are on.
    """

    candidate: Candidate
    bits: float
    minutes: Minutes
    outcomes: Mapping[str, float]
    reason: str
    how: str
    spoils: str
    cautions: tuple[str, ...]
    repeat: int = 0
    perishable: bool = False

    @property
    def bits_per_minute(self) -> float:
        """Bits over all minutes."""
        return self.bits / self.minutes.total


@dataclass(frozen=True)
class NotAllowed:
    """A test that must not or cannot be made here now, and why."""

    method: str
    target: str
    reason: str


@dataclass(frozen=True)
class Stop:
    """Whether the search may end, in words and figures.

    ``confirmed``: sites. ``likely``: repair units as sure as a confirmed one, without a pinpoint response. ``another``:
    P(a leak that matters outside all of these). ``expected_g_per_year``: of all that is not confirmed.
    ``observed_g_per_year``: loss that was seen, if any. ``cheapest``: the allowed test that tells most for its minutes,
    or None. ``prove``: the pinpoint test that would confirm what is likely, or None where none promises to.
    """

    stop: bool
    reason: str
    confirmed: tuple[str, ...]
    another: float
    expected_g_per_year: float
    observed_g_per_year: float | None
    cheapest: Ranked | None
    likely: tuple[str, ...] = ()
    prove: Ranked | None = None


@dataclass(frozen=True)
class Plan:
    """The whole answer: tests in order of worth, what is not allowed, and the word on stopping."""

    next: tuple[Ranked, ...]
    not_allowed: tuple[NotAllowed, ...]
    stop: Stop
    objective: Objective

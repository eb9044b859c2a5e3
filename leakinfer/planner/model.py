"""The planner's answers as values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from leakinfer.catalogue.model import SetUp, Tier
from leakinfer.circuit.conditions import Condition

Objective = Literal["expected_cost", "two_step", "bits_per_minute", "bits"]
OBJECTIVES: tuple[Objective, ...] = ("expected_cost", "two_step", "bits_per_minute", "bits")


@dataclass(frozen=True)
class Candidate:
    """A test that could be made: method, target, condition, and where one stands for it (None: anywhere)."""

    method: str
    target: str
    condition: Condition
    place: str | None


@dataclass(frozen=True)
class Minutes:
    """What a test costs: its own minutes, getting to the place, opening it, changing the state of the system, aids as a
    shroud, and waiting, at the price of a wait in which something else can be done."""

    test: float
    travel: float = 0.0
    opening: float = 0.0
    state: float = 0.0
    aids: float = 0.0
    waiting: float = 0.0

    @property
    def total(self) -> float:
        """All of it."""
        return self.at_hand + self.state

    @property
    def at_hand(self) -> float:
        """All but the change of state."""
        return self.test + self.travel + self.opening + self.aids + self.waiting


@dataclass(frozen=True)
class Ranked:
    """A possible test with its worth.

    ``cost``: expected minutes from here to the end of the job, this test made next, with the price of ending wrong.
    ``bits``: expected information about which repair units leak at a size that matters. ``outcomes``: by name, the
    probability. ``steps``: set-ups that come first. ``repeat``: how often it was made before. ``perishable``: gone once
    hoses are on.
    """

    candidate: Candidate
    cost: float
    bits: float
    minutes: Minutes
    outcomes: Mapping[str, float]
    reason: str
    how: str
    spoils: str
    cautions: tuple[str, ...]
    steps: tuple[SetUp, ...] = ()
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
class Ask:
    """Work that the customer has not agreed to and that would be worth it. ``saves``: expected minutes, at the price of
    ending wrong, against the best that is allowed."""

    tier: Tier
    first: Ranked
    saves: float


@dataclass(frozen=True)
class Stop:
    """Whether the search may end, in words and figures.

    ``confirmed``: sites. ``likely``: repair units as sure as a confirmed one, without a pinpoint response.
    ``doubtful``: repair units that are neither, but dearer to leave than to repair. ``another``: P(a leak that matters
    outside all that is confirmed or likely). ``expected_g_per_year``: of all that is not confirmed.
    ``observed_g_per_year``: loss that was seen, if any; ``explained_g_per_year``: what the confirmed leaks are expected
    to lose. ``at_stake``: minutes that ending now counts as on average, by the price of a missed leak and of a repair
    in vain. ``cheapest``: the allowed test that tells most for its minutes, or None. ``worth``: minutes that going on
    with the best test is expected to save; ``pays``: whether that is enough. ``prove``: the pinpoint test that would
    confirm what is more likely than not, or None where none promises to.

    Example:
        >>> from leakinfer import Belief, Job, Stop, load_catalogue, load_system, make_plan, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "my job"))
        >>> stop: Stop = make_plan(Belief(job)).stop
        >>> stop.stop, stop.confirmed, stop.worth > 0
        (False, (), True)
        >>> stop.observed_g_per_year
        150.0
    """

    stop: bool
    reason: str
    confirmed: tuple[str, ...]
    another: float
    expected_g_per_year: float
    observed_g_per_year: float | None
    explained_g_per_year: float
    at_stake: float
    cheapest: Ranked | None
    worth: float = 0.0
    pays: bool = False
    doubtful: tuple[str, ...] = ()
    likely: tuple[str, ...] = ()
    prove: Ranked | None = None


@dataclass(frozen=True)
class Plan:
    """The whole answer: tests in order of worth, what is not allowed, the word on stopping, and what to ask for.

    Example:
        >>> from leakinfer import Belief, Job, Plan, load_catalogue, load_system, make_plan, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "my job"))
        >>> plan: Plan = make_plan(Belief(job))
        >>> len(plan.next) > 100, plan.objective, plan.stop.stop
        (True, 'expected_cost', False)
    """

    next: tuple[Ranked, ...]
    not_allowed: tuple[NotAllowed, ...]
    stop: Stop
    objective: Objective
    ask: Ask | None = None
    meanwhile: Ranked | None = None  # the best thing to do while the first test waits
    notes: tuple[str, ...] = ()  # what a person should know before going on

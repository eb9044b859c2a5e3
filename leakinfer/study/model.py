"""Values that the rooms of a study share: what a policy sees and answers, what is written down of a played job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from leakinfer.planner.decision import Worth
from leakinfer.planner.model import Objective

Array = NDArray[np.float64]
Moment = Literal["start", "during", "end"]


@dataclass(frozen=True)
class Option:
    """A test that may be made next, as policies see it; none of it needs a belief.

    ``kind``: of the method (point, sweep, spot, exposure, total, hold, gather). ``units``: repair units that it looks
    at. ``classes``: component classes that it looks at. ``minutes``: all of it, way and set-up included; ``set_up``:
    the part of them that is a change of the system's state, and aids. ``opens``: whether the charge is taken out or the
    circuit is opened for it. ``repeat``: how often it was made before. ``sites``: those that it looks at; ``state``:
    of the system, in which it is made; ``outdoors``: whether one stands outdoors for it.
    """

    key: str
    kind: str
    method: str
    target: str
    place: str | None
    units: tuple[str, ...]
    classes: frozenset[str]
    minutes: float
    set_up: float = 0.0
    pinpoint: bool = False
    opens: bool = False
    repeat: int = 0
    sites: tuple[str, ...] = ()
    state: str = ""
    outdoors: bool = False


@dataclass(frozen=True)
class Made:
    """A test that was made: the option, whether it responded, and its outcome by name."""

    option: Option
    responded: bool
    outcome: str


class Situation(Protocol):
    """What a policy is asked about. Everything but ``options`` and ``made`` is worked out only when it is read.

    ``options`` keep one order; arrays follow it. In a real job a situation is a job with its belief, in a small case
    a point of the tree of all outcomes.

    Example:
        >>> from leakinfer import Situation
        >>> def most_told(here: Situation) -> int | None:
        ...     return int(here.bits.argmax()) if len(here.options) else None
    """

    @property
    def options(self) -> Sequence[Option]:
        """What may be done next within consent and the time that is left."""

    @property
    def made(self) -> Sequence[Made]:
        """What was done, in order."""

    @property
    def place(self) -> str | None:
        """Where the technician stands."""

    @property
    def risk(self) -> Mapping[str, float]:
        """By repair unit: P(a leak that matters)."""

    @property
    def bits(self) -> Array:
        """(options,): expected information about which repair units leak at a size that matters."""

    @property
    def response(self) -> Array:
        """(options,): P(any outcome but the silent one)."""

    @property
    def shown(self) -> Array:
        """(options,): expected number of leaks that matter which a test would show, at most its chance to respond; of
        units only that are not sure yet. Of a test of one unit: P(it leaks, the test responds), p q of search theory.
        """

    @property
    def worth(self) -> Worth:
        """Of ending now, and of each option made next: expected total minutes, the price of ending wrong included."""

    def advice(self, objective: Objective, weight: float = 1.0) -> int | None:
        """What the program itself would say by an objective: the option's place, None to end.

        ``weight``: how many times as much a leak that is left weighs as the settings say.
        """

    @property
    def seed(self) -> int:
        """Of policies that draw lots: the same for the same point of the same job."""


class Policy(Protocol):
    """A way of searching. Pure: the same situation gives the same answer."""

    @property
    def name(self) -> str:
        """Its id in files and tables."""

    def choose(self, here: Situation) -> int | None:
        """The place of the next test among ``here.options``; None to end the search."""


class JobRow(Struct, frozen=True):
    """One job played by one policy to its end. Minutes; units are repair units.

    ``leaks``: units that leak at a size that matters; ``confirmed``: those of them whose leak was confirmed at some
    time, which is looked at after each response and at the end; ``all_confirmed``: minutes until the last of them was,
    0 where none leaks, NaN where one never was. ``repaired``: units repaired at the end, by the policy's own word, or
    else those with a confirmed leak and those with one more likely than not; ``wrong``: those of them that leak at no
    size; ``missed``: units that leak at a size that matters and are not repaired. ``set_ups``: changes of state and
    aids; ``openings``: set-ups and tests that open the circuit or empty it. ``cost``: minutes with the price of what
    was missed and of what was repaired in vain, by the belief at the door. ``another``: P(a leak that matters in a unit
    that is not repaired) as told at the end; ``left``: whether there was one. ``expected_missed``: how many such units
    the last belief expects. ``seconds``: of computing, of the policy and of the bookkeeping together.
    """

    system: str
    truth: str
    policy: str
    job: int
    minutes: float
    all_confirmed: float
    leaks: int
    confirmed: int
    missed: int
    repaired: int
    wrong: int
    tests: int
    set_ups: int
    openings: int
    cost: float
    another: float
    left: bool
    expected_missed: float
    seconds: float


class StepRow(Struct, frozen=True):
    """One test of a played job.

    ``step``: from 0. ``minutes``: way and set-up included; ``clock``: minutes of the job when it was done.
    ``expected``: P(the outcome that came); ``bits``: forecast information; both NaN where the policy did not ask what
    tests tell. ``gained``: what the outcome told of the one repair unit that the test looks at, in bits: log2 of P(its
    true state, whether it leaks at a size that matters) after over before; NaN for tests of more units, and where
    ``bits`` is.
    """

    system: str
    truth: str
    policy: str
    job: int
    step: int
    method: str
    target: str
    state: str
    minutes: float
    clock: float
    outcome: str
    responded: bool
    expected: float
    bits: float
    gained: float


class ChanceRow(Struct, frozen=True):
    """One probability that the program showed, and what was true: P(a leak that matters) at a site.

    ``moment``: at the door, between two tests (of a job several times, once or never), at the end.
    """

    system: str
    truth: str
    policy: str
    job: int
    moment: Moment
    site: str
    chance: float
    leaks: bool


@dataclass(frozen=True)
class Played:
    """All that is written down of one job played by one policy."""

    job: JobRow
    steps: tuple[StepRow, ...]
    chances: tuple[ChanceRow, ...]

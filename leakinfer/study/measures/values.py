"""What a study found, as values: they go to the page and, by msgspec, into JSON (where what has no end is null)."""

from __future__ import annotations

import math

from msgspec import Struct

EVERY = "all"  # in place of a system's or a method's id: all of them together
BASE = "as_believed"  # the truth that is as the belief assumes
DEFAULT = "expected_cost"  # the policy that the program follows unless told otherwise


class Interval(Struct, frozen=True):
    """A figure with the ends within which it would lie 95 times in 100 with other jobs of the same kind.

    NaN: there was nothing to work it out from. Infinite: never.
    """

    value: float
    low: float
    high: float

    def beyond(self, number: float) -> bool:
        """Whether the ends leave ``number`` out, so that the figure differs from it clearly."""
        return self.high < number or self.low > number


UNKNOWN = Interval(math.nan, math.nan, math.nan)


class Arm(Struct, frozen=True):
    """How one policy fared on one type of system in one truth. Minutes; units are repair units.

    ``with_leaks``: jobs in which a leak matters. Of those: ``confirm``, the median minutes until every one was
    confirmed, a job in which one never was counting as infinite; ``confirm_mean``, the mean over the jobs in which all
    were; ``never``, the share of the others; ``found``, the median minutes until every one was confirmed or, at the end
    of the search, repaired without. Of all jobs: ``minutes``, mean; ``missed``, share in which a leak that
    matters was left; ``wrong``, repairs in vain per 100 jobs; ``openings``, set-ups and tests that open the
    circuit or empty it, a job; ``tests``, a job; ``cost``, mean of the minutes with the price of ending wrong.
    """

    system: str
    truth: str
    policy: str
    jobs: int
    with_leaks: int
    confirm: Interval
    confirm_mean: float
    never: Interval
    found: Interval
    minutes: Interval
    missed: Interval
    wrong: Interval
    openings: Interval
    tests: float
    cost: Interval


class Pair(Struct, frozen=True):
    """One policy beside another on the same jobs; below 1 or below 0 the first is better.

    ``ratio``: median over the jobs of the minutes to confirm all, over those of ``other``; never over some is infinite,
    some over never 0, and ``neither`` counts the jobs in which neither policy confirmed all, which are left out.
    ``first``, ``second``: jobs in which only this one did. ``found``: the same ratio for the minutes until every leak
    was confirmed or, at the end, repaired without. ``cost``, ``minutes``: mean difference. ``missed``,
    ``wrong``: difference of the share of jobs with a miss, and of the repairs in vain per 100 jobs. ``missed_ratio``:
    share over share.
    """

    system: str
    truth: str
    policy: str
    other: str
    jobs: int
    compared: int
    neither: int
    first: int
    second: int
    ratio: Interval
    found: Interval
    cost: Interval
    minutes: Interval
    missed: Interval
    missed_ratio: Interval
    wrong: Interval


class Bin(Struct, frozen=True):
    """Chances that lie between ``low`` and ``high``: how many, their mean, and how often it was so."""

    low: float
    high: float
    count: int
    told: float
    seen: Interval


class Score(Struct, frozen=True):
    """A score of chances, the lower the better, and what makes it: reliability - resolution + uncertainty + within.

    ``reliability``: what wrong chances cost. ``resolution``: what telling cases apart brings. ``uncertainty``: that of
    the mean alone. ``within``: what chances that share a bin differ by.
    """

    value: float
    reliability: float
    resolution: float
    uncertainty: float
    within: float


class Calibration(Struct, frozen=True):
    """Told chances beside what was so.

    ``moment``: of the job, or all of them. ``told``, ``seen``: means. ``slope``, ``intercept``: of the log-odds of what
    was so on the told log-odds; 1 and 0 are calibrated, a slope below 1 is too sure. ``ece``: mean distance of told
    and seen over bins of equal count, which chance alone makes ``ece_expected`` of, and more than ``ece_most`` 5 times
    in 100. ``brier``; ``log`` in bits. ``ruled_out``: chances of exactly 0 or 1 that were wrong.
    """

    system: str
    truth: str
    policy: str
    moment: str
    jobs: int
    count: int
    told: float
    seen: Interval
    slope: Interval
    intercept: Interval
    ece: float
    ece_expected: float
    ece_most: float
    brier: Score
    log: Score
    ruled_out: int
    fixed: tuple[Bin, ...]
    equal: tuple[Bin, ...]


class Stopping(Struct, frozen=True):
    """The risk that was told when the search ended, beside what was left.

    ``another``: chance of another leak that matters and whether there was one, one for each job. ``excess``: seen less
    told. ``expected``: units left although they leak, as told, a job; ``missed``: as it was; ``missed_excess``:
    the latter less the former.
    """

    another: Calibration
    excess: Interval
    expected: float
    missed: Interval
    missed_excess: Interval


class Information(Struct, frozen=True):
    """Bits that tests were forecast to bring, and brought, on average, over tests of one repair unit."""

    system: str
    truth: str
    policy: str
    method: str
    tests: int
    jobs: int
    forecast: float
    realised: Interval
    excess: Interval


class Suffering(Struct, frozen=True):
    """How a policy fares in a truth that differs from what the belief assumes: change against the one that does not.

    ``cost``: mean minutes with the price of ending wrong; ``cost_ratio``; ``missed``: share of jobs; ``wrong``: repairs
    in vain per 100 jobs; ``never``: share of the jobs with a leak in which one was never confirmed.
    """

    system: str
    truth: str
    policy: str
    cost: Interval
    cost_ratio: Interval
    missed: Interval
    wrong: Interval
    never: Interval


class Curve(Struct, frozen=True):
    """Share of the jobs with a leak that matters in which all were confirmed after so many minutes; a step at each."""

    system: str
    truth: str
    policy: str
    minutes: tuple[float, ...]
    share: tuple[float, ...]

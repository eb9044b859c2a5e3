"""Policies that ask the belief: by the program's own advice, or by a score of their own within it.

Those with a score of their own choose among the tests that pay, which cost less in all than ending now, and make no
test a third time; the program's own advice knows no such bound. They end as the program does: when no test is worth its
minutes, and what is likely has been proved as far as that promises anything.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Protocol, runtime_checkable

import numpy as np

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.planner.model import Objective
from leakinfer.planner.stop import least_saving
from leakinfer.study.model import Made, Situation

Choose = Callable[[Situation], int | None]
TWICE = 2  # one answer is provisional and is sought again in fresh air, once; common practice, no source


@dataclass(frozen=True)
class Rule:
    """A policy that is one function. ``tells``: it in one sentence. ``draws_lots``: whether chance has a part in it.

    Example:
        >>> from leakinfer import Rule, Situation
        >>> def nearest(here: Situation) -> int | None:
        ...     open_ones = [n for n, one in enumerate(here.options) if one.kind == "point" and not one.repeat]
        ...     return min(open_ones, key=lambda n: here.options[n].minutes, default=None)
        >>> Rule("nearest", "whatever takes the fewest minutes from here", nearest).name
        'nearest'
    """

    name: str
    tells: str
    rule: Choose
    draws_lots: bool = False

    def choose(self, here: Situation) -> int | None:
        """The next test, or None to end."""
        return self.rule(here)


@runtime_checkable
class Repairing(Protocol):
    """A policy that says itself which repair units are repaired at the end, by what was done."""

    def repairs(self, made: Sequence[Made]) -> Collection[str]:
        """Repair units."""


def advised(objective: Objective, here: Situation, weight: float = 1.0) -> int | None:
    """What the program says by an objective. ``weight``: factor on the weight of a leak that is left."""
    return here.advice(objective, weight)


def paying(here: Situation) -> list[int]:
    """The tests that cost less, with all that follows, than to end now, and were not made twice."""
    pays = np.flatnonzero(here.worth.costs < here.worth.stop)
    return [number for number in pays.tolist() if here.options[number].repeat < TWICE]


def among_paying(pick: Callable[[Situation, list[int]], int], here: Situation) -> int | None:
    """One of the tests that pay; where the program would end, or only prove what is likely, as it says."""
    said, allowed, worth = here.advice("expected_cost"), paying(here), here.worth
    if said is None or worth.stop - worth.least <= least_saving(load_catalogue().numbers, worth.stop):
        return said
    return pick(here, allowed) if allowed else None


def likeliest(here: Situation, allowed: list[int]) -> int:
    """Of the tests that look at the likeliest unit which is not sure yet and for which any is left, the one that tells
    most for its minutes."""
    options, risk = here.options, here.risk
    sure = load_catalogue().numbers["confirmed_probability"]
    units = dict.fromkeys(unit for number in allowed for unit in options[number].units)
    unit = max(units, key=lambda unit: (risk[unit] < sure, risk[unit]))
    there = [number for number in allowed if unit in options[number].units]
    return max(there, key=lambda number: here.bits[number] / options[number].minutes)


def soonest_shown(here: Situation, allowed: list[int]) -> int:
    """The greatest chance to show a leak for the minutes: p q / c (Chew 1967; Kadane & Simon 1977)."""
    return max(allowed, key=lambda number: here.shown[number] / here.options[number].minutes)


def by_lot(here: Situation, allowed: list[int]) -> int:
    """Any, each as likely."""
    return allowed[int(np.random.default_rng(here.seed).integers(len(allowed)))]


RULES = (
    Rule(
        "expected_cost",
        "the program's default: the least expected minutes to the end of the job, with the price of ending wrong",
        partial(advised, "expected_cost"),
    ),
    Rule(
        "two_step",
        "as expected_cost, the most promising tests followed one step further by exact beliefs",
        partial(advised, "two_step"),
    ),
    Rule(
        "half_weight",
        "as expected_cost, a leak that is left weighing half as much as the settings say",
        partial(advised, "expected_cost", weight=0.5),
    ),
    Rule(
        "double_weight",
        "as expected_cost, a leak that is left weighing twice as much as the settings say",
        partial(advised, "expected_cost", weight=2.0),
    ),
    Rule("bits_per_minute", "the test that tells most for its minutes", partial(advised, "bits_per_minute")),
    Rule("bits", "the test that tells most, whatever it costs", partial(advised, "bits")),
    Rule(
        "chance_per_minute",
        "the test with the greatest chance to show a leak for its minutes, p q / c of search theory",
        partial(among_paying, soonest_shown),
    ),
    Rule("most_likely", "the likeliest repair unit first, by its best test", partial(among_paying, likeliest)),
)
RANDOM = Rule("random", "any test that is worth its minutes, by lot", partial(among_paying, by_lot), draws_lots=True)

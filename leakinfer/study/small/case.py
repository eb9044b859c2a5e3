"""A small repair decision: units that leak or not, tests with their answers in every world, prices of ending wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Findings = tuple[tuple[int, int], ...]
"""(test, outcome) pairs."""


@dataclass(frozen=True, eq=False)
class Trial:
    """A test of a case: minutes, the state it is made in, units, and P(outcome | world) of shape (worlds, outcomes).

    The first outcome is the silent one.
    """

    minutes: float
    state: int
    units: tuple[int, ...]
    answers: Array


@dataclass(frozen=True, eq=False)
class Case:
    """Units that leak or not with prior ``worlds`` (2 ** units,), bit u of a world being unit u.

    ``missed``, ``wrong``: (units,) minutes, price of a leak left and of a repair in vain. ``change``: (states, states)
    minutes from one state to another. ``now``: the state at the start. Each trial can be made once.
    """

    worlds: Array
    missed: Array
    wrong: Array
    trials: tuple[Trial, ...]
    change: Array
    now: int

    @cached_property
    def leaking(self) -> Array:
        """(worlds, units) 1 where the unit leaks."""
        return leaking_units(len(self.missed))

    def stop(self, weight: Array) -> Array:
        """Price of ending, for weights (..., worlds) of the findings, times their probability.

        Each unit is repaired or left, whichever is cheaper.
        """
        leaks = weight @ self.leaking
        tight = weight @ (1 - self.leaking)
        return np.asarray(np.minimum(leaks * self.missed, tight * self.wrong).sum(axis=-1))

    def weight(self, findings: Findings) -> Array:
        """(worlds,) P(world, findings), the same in whatever order they were made."""
        weight = self.worlds.copy()
        for test, outcome in sorted(findings):
            weight *= self.trials[test].answers[:, outcome]
        return weight


def leaking_units(units: int) -> Array:
    """(2 ** units, units) 1 where unit u leaks in the world."""
    return ((np.arange(2**units)[:, None] >> np.arange(units)) & 1).astype(float)


def independent(risk: Array) -> Array:
    """(2 ** units,) prior of all worlds for units that leak independently with ``risk`` (units,)."""
    leaking = leaking_units(len(risk))
    return np.asarray(np.prod(np.where(leaking == 1, risk, 1 - risk), axis=1))


def point(units: int, unit: int, given: Mapping[bool, tuple[float, ...]]) -> Array:
    """(worlds, outcomes) of a test of one unit, from P(outcome | it leaks or not)."""
    leaks = leaking_units(units)[:, unit] == 1
    return np.where(leaks[:, None], np.array(given[True]), np.array(given[False]))


def pooled(units: int, seen: Mapping[int, float], false_alarm: float) -> Array:
    """(worlds, 2) of a noisy-OR test, silent or response: P(silent) = (1 - false alarm) prod (1 - seen)."""
    missed = np.ones(units)
    for unit, chance in seen.items():
        missed[unit] = 1 - chance
    silent = (1 - false_alarm) * np.prod(np.where(leaking_units(units) == 1, missed, 1.0), axis=1)
    return np.stack([silent, 1 - silent], axis=1)

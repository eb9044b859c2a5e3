"""Exact optimum of a small case: dynamic programming over (findings, present state), all worlds listed.

It knows nothing of the planner, so that it can judge it. Values are kept times the probability of the findings, so
that nothing is divided.
"""

from __future__ import annotations

import numpy as np

from leakinfer.study.small.case import Array, Case, Trial


def optimum(case: Case) -> float:
    """The least expected total cost in minutes, the price of ending wrong included."""
    return float(_values(case)[0][case.now])


def first_costs(case: Case) -> Array:
    """(trials,) expected total cost of each test made next, with the best continuation."""
    values = _values(case)
    costs = [values[1 << n][trial.state].sum() + _minutes(case, trial)[case.now] for n, trial in enumerate(case.trials)]
    return np.array(costs)


def _minutes(case: Case, trial: Trial) -> Array:
    """(states,) minutes of a test from each present state."""
    return np.asarray(case.change[:, trial.state] + trial.minutes)


def _values(case: Case) -> dict[int, Array]:
    """By set of tests made: (states, outcomes of each made test in order) cost-to-go times P(findings)."""
    count = len(case.trials)
    values: dict[int, Array] = {}
    for made in sorted(range(2**count), key=int.bit_count, reverse=True):
        weight = _weights(case, made)
        chance = weight.sum(axis=-1)
        best = np.repeat(case.stop(weight)[None], len(case.change), axis=0)
        for test in (t for t in range(count) if not made >> t & 1):
            trial = case.trials[test]
            axis = (made & ((1 << test) - 1)).bit_count()
            later = values[made | 1 << test][trial.state].sum(axis=axis)
            with np.errstate(invalid="ignore"):  # inf minutes times a chance of 0
                there = np.multiply.outer(_minutes(case, trial), chance) + later
            best = np.fmin(best, there)
        values[made] = best
    return values


def _weights(case: Case, made: int) -> Array:
    """(outcomes of each made test in order, worlds) P(findings, world)."""
    weight = case.worlds
    for test, trial in enumerate(case.trials):
        if made >> test & 1:
            weight = weight[..., None, :] * trial.answers.T
    return weight

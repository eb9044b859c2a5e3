"""Random small cases, nothing in them chosen to suit a policy: invented ranges, spread evenly on a log scale."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from leakinfer.study.small.case import Array, Case, Trial, independent, point, pooled
from leakinfer.study.small.optimum import optimum

STOPPED = 0.2  # largest share of cases in which ending at once is best
PAYS = 1e-9  # minutes by which a test must beat ending


def make_cases(count: int, seed: int) -> list[tuple[Case, float]]:
    """Cases with their optimum in minutes; in no more than a fifth is it best to end at once."""
    rng = np.random.default_rng(seed)
    cases: list[tuple[Case, float]] = []
    stopped = 0
    while len(cases) < count:
        case = make_case(rng)
        best = optimum(case)
        stops = ends_at_once(case, best)
        if stops and stopped >= int(STOPPED * count):
            continue
        stopped += stops
        cases.append((case, best))
    return cases


def ends_at_once(case: Case, best: float) -> bool:
    """Whether no test pays in a case with that optimum."""
    return best > float(case.stop(case.worlds)) - PAYS


def make_case(rng: np.random.Generator) -> Case:
    """3 or 4 units, 4 to 7 tests, 2 or 3 states."""
    units, states = int(rng.integers(3, 5)), int(rng.integers(2, 4))
    trials = tuple(make_trial(rng, units, states) for _ in range(rng.integers(4, 8)))
    risk, missed, wrong = spread(rng, 0.02, 0.6, units), spread(rng, 60, 3000, units), spread(rng, 30, 600, units)
    return Case(independent(risk), missed, wrong, trials, make_change(rng, states), 0)


def make_change(rng: np.random.Generator, states: int) -> Array:
    """(states, states) minutes of the cheapest way between states: 3 to 90 each step."""
    change: Array = spread(rng, 3, 90, (states, states))
    np.fill_diagonal(change, 0)
    for between in range(states):
        change = np.minimum(change, change[:, between : between + 1] + change[between])
    return change


def make_trial(rng: np.random.Generator, units: int, states: int) -> Trial:
    """A test of one unit with two or three outcomes, or a noisy-OR test of two or three units; 1 to 30 minutes."""
    minutes, state = float(spread(rng, 1, 30)), int(rng.integers(states))
    kind = rng.choice(["point", "graded", "pooled"], p=[0.5, 0.2, 0.3])
    seen, alarm = rng.uniform(0.5, 0.95, units).tolist(), float(rng.uniform(0.01, 0.2))
    if kind == "pooled":
        who = tuple(sorted(rng.choice(units, int(rng.integers(2, 4)), replace=False).tolist()))
        return Trial(minutes, state, who, pooled(units, {unit: seen[unit] for unit in who}, alarm))
    unit = int(rng.integers(units))
    strong, strong_alarm = (rng.uniform(0.2, 0.8), rng.uniform(0, 0.4)) if kind == "graded" else (0.0, 0.0)
    given = {
        leaks: (1 - chance, chance * (1 - share), chance * share)[: 3 if kind == "graded" else 2]
        for leaks, chance, share in ((True, seen[unit], strong), (False, alarm, strong_alarm))
    }
    return Trial(minutes, state, (unit,), point(units, unit, given))


def spread(rng: np.random.Generator, low: float, high: float, shape: int | tuple[int, int] | None = None) -> Any:
    """Log-uniform."""
    return np.exp(rng.uniform(math.log(low), math.log(high), shape))

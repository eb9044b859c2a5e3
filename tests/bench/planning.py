"""How far the planner's decisions are from the optimum: ``python tests/bench/planning.py [--json] [--cases N]``.

Random small cases, each solved exactly by dynamic programming over all findings; each policy's expected total cost
(minutes spent, and the price of leaks left and of repairs in vain) is exact too, over the whole tree of outcomes. The
figures are ratios to the optimum. The seed of the printed figures was not used to build the planner; nothing in the
cases is chosen to suit it. At most a fifth are cases in which it is best to stop at once.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import math
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from leakinfer.planner.decision import Choice, Problem, weigh, weigh_ahead
from leakinfer.study.small.case import Array, Case
from leakinfer.study.small.cases import PAYS, ends_at_once, make_cases, make_change, spread
from leakinfer.study.small.situation import SmallSituation as Here
from leakinfer.study.small.situation import cost_of, start
from tests.bench.measure import median_ms, print_beside_aims, report

Policy = Callable[[Here], int | None]
"""The n-th choice of the problem here, or None to stop."""

CASES, SEED = 200, 20261125
WIDTH = 5
DEFAULT = "weigh, the objective expected_cost"
AIMS = {
    "mean_ratio": "<= 1.02",
    "worst_ratio": "<= 1.06",
    "weigh_ms_350_choices_2_states": "<= 15",
    "weigh_ms_350_choices_6_states": "<= 15",
}


# policies


def by_weigh(here: Here) -> int | None:
    """One step and the estimate."""
    return weigh(here.problem).best


def by_weigh_ahead(here: Here, width: int = WIDTH) -> int | None:
    """Two steps."""
    return weigh_ahead(here.problem, here.after, width).best


def by(score: Callable[[Problem, Choice], float]) -> Policy:
    """Greatest score first; stops by the same price as ``weigh``, takes only tests that are not worse than stopping."""

    def pick(here: Here) -> int | None:
        problem, worth = here.problem, weigh(here.problem)
        if worth.best is None:
            return None
        pays = np.flatnonzero(worth.costs < worth.stop - PAYS)
        return int(max(pays, key=lambda number: score(problem, problem.choices[number])))

    return pick


def bits(problem: Problem, choice: Choice) -> float:
    """Sum over units of the mutual information of the outcome and the unit."""
    risk = problem.risk[list(choice.units)][:, None]
    told = 0.0
    for joint, chance in ((choice.leaking, risk), (choice.outcomes - choice.leaking, 1 - risk)):
        apart = chance * choice.outcomes
        kept = (joint > 0) & (apart > 0)
        told += float((joint[kept] * np.log2(joint[kept] / apart[kept])).sum())
    return told


def likeliest(problem: Problem, choice: Choice) -> float:
    """The greatest chance of a leak that the test tells about directly, sharper tests first among equals."""
    return float(problem.risk[list(choice.units)].max() + 1e-6 * bits(problem, choice))


def at_random(problem: Problem, choice: Choice) -> float:
    """A fixed pseudo-random order, by the test's own minutes."""
    return math.modf(choice.minutes * 1e6)[0]


POLICIES: dict[str, Policy] = {
    "weigh_ahead": by_weigh_ahead,
    "weigh": by_weigh,
    "bits_per_minute_without_setups": by(lambda problem, choice: bits(problem, choice) / choice.minutes),
    "bits": by(bits),
    "cheapest_first": by(lambda problem, choice: -choice.minutes),
    "most_likely_first": by(likeliest),
    "random": by(at_random),
    "stop_at_once": lambda here: None,
}


# a real job's size


def wide_problem(states: int, seed: int = 0) -> Problem:
    """55 units, 350 choices: 300 of one unit with two or three outcomes, 45 of 12 units, 5 of all; invented."""
    rng = np.random.default_rng(seed)
    units = 55
    risk = spread(rng, 0.002, 0.3, units)
    whos = [(int(rng.integers(units)),) for _ in range(300)]
    whos += [tuple(rng.choice(units, 12, replace=False).tolist()) for _ in range(45)] + [tuple(range(units))] * 5
    choices = tuple(_wide_choice(rng, risk, who, states) for who in whos)
    prices = spread(rng, 60, 3000, units), spread(rng, 30, 600, units)
    return Problem(risk, *prices, choices, make_change(rng, states), 0)


def _wide_choice(rng: np.random.Generator, risk: Array, who: tuple[int, ...], states: int) -> Choice:
    """Noisy-OR of independent units; the response of a single one may be split in two."""
    own = risk[list(who)]
    seen, alarm = rng.uniform(0.5, 0.95, len(who)), float(rng.uniform(0.01, 0.15))
    silent = (1 - alarm) * np.prod(1 - own * seen)
    silent_leaking = own * (1 - seen) * silent / (1 - own * seen)
    outcomes, leaking = np.array([silent, 1 - silent]), np.stack([silent_leaking, own - silent_leaking], axis=1)
    if len(who) == 1 and rng.random() < 0.5:
        tight = outcomes - leaking[0]
        parts = leaking[0][1] * np.array([0.4, 0.6]), tight[1] * np.array([0.9, 0.1])
        leaking = np.array([[leaking[0][0], *parts[0]]])
        outcomes = leaking[0] + np.array([tight[0], *parts[1]])
    return Choice(float(spread(rng, 1, 25)), int(rng.integers(states)), who, outcomes, leaking)


# figures


def ratios(cases: Sequence[tuple[Case, float]], policy: Policy, *, direct: bool = False) -> dict[str, float]:
    """Mean and worst ratio to the optimum, ratio of the means, share of cases within a percent of it."""
    costs = np.array([cost_of(case, policy, direct=direct) for case, _ in cases])
    best = np.array([value for _, value in cases])
    ratio = costs / best
    return {
        "mean_ratio": round(float(ratio.mean()), 4),
        "worst_ratio": round(float(ratio.max()), 4),
        "ratio_of_means": round(float(costs.sum() / best.sum()), 4),
        "within_1_percent": round(float((ratio <= 1.01).mean()), 3),
    }


def measured(count: int, seed: int) -> dict[str, Any]:
    """All figures."""
    cases = make_cases(count, seed)
    found = {name: ratios(cases, policy) for name, policy in POLICIES.items()}
    told_less = {name: ratios(cases, POLICIES[name], direct=True) for name in ("weigh_ahead", "weigh")}
    here = start(cases[0][0])
    figures = {name: found["weigh"][name] for name in ("mean_ratio", "worst_ratio", "ratio_of_means")}
    figures |= {
        "weigh_ms_350_choices_2_states": median_ms(partial(weigh, wide_problem(2)), 15),
        "weigh_ms_350_choices_6_states": median_ms(partial(weigh, wide_problem(6)), 15),
        "decision_ms_small": median_ms(lambda: by_weigh_ahead(here), 15),
    }
    stops = sum(ends_at_once(case, best) for case, best in cases)
    more = {
        "default_policy": DEFAULT,
        "cases": count,
        "seed": seed,
        "best_to_stop_at_once": stops,
        "policies": found,
        "told_of_direct_units_only": told_less,
    }
    return report(figures, AIMS, more)


def main() -> None:
    """Print the figures, as JSON or as lines."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--cases", type=int, default=CASES)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    found = measured(asked.cases, asked.seed)
    if asked.json:
        print(json.dumps(found, indent=1))
        return
    print(
        f"default policy: {DEFAULT}; {asked.cases} cases, in {found['best_to_stop_at_once']} it is best to stop at once"
    )
    print_beside_aims(found, 4)
    for kind in ("policies", "told_of_direct_units_only"):
        print(f"\n{kind:32} mean ratio  worst  ratio of means  within 1 %")
        for name, row in found[kind].items():
            print(
                f"{name:32} {row['mean_ratio']:10.4f} {row['worst_ratio']:6.3f} {row['ratio_of_means']:15.4f}"
                f" {row['within_1_percent']:11.3f}"
            )


if __name__ == "__main__":
    main()

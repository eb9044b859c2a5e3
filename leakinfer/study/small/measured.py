"""What policies cost on small cases, beside the optimum."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from msgspec import Struct

from leakinfer.study.model import Policy
from leakinfer.study.small.case import Case
from leakinfer.study.small.cases import make_cases
from leakinfer.study.small.situation import cost_of

CASES, SEED = 100, 20261125
LOTS = 4  # runs of a policy that draws lots, averaged


class Regret(Struct, frozen=True):
    """A policy's exact expected cost over that of the optimum, in minutes with the price of ending wrong.

    ``mean``, ``worst``: ratio over the cases; ``above``: mean minutes above the optimum; ``within``: share of the cases
    in which it is within a percent of it.
    """

    policy: str
    cases: int
    mean: float
    worst: float
    above: float
    within: float


def regrets(policies: Iterable[Policy], cases: int = CASES, seed: int = SEED) -> tuple[Regret, ...]:
    """One row for each policy, over the same random cases, exact over the whole tree of outcomes.

    The program is told, as on a real job, of the units only that a test itself looks at. A policy that draws lots is
    averaged over a few of them.
    """
    made = make_cases(cases, seed)
    return tuple(_regret(policy, made) for policy in policies)


def _regret(policy: Policy, cases: list[tuple[Case, float]]) -> Regret:
    cost = np.array([_cost(policy, case) for case, _ in cases])
    best = np.array([value for _, value in cases])
    ratio = cost / best
    return Regret(
        policy.name,
        len(cases),
        float(ratio.mean()),
        float(ratio.max()),
        float((cost - best).mean()),
        float((ratio <= 1.01).mean()),
    )


def _cost(policy: Policy, case: Case) -> float:
    """Expected cost of a policy, averaged over its lots."""
    runs = LOTS if getattr(policy, "draws_lots", False) else 1
    return sum(cost_of(case, policy.choose, direct=True, lots=lots) for lots in range(runs)) / runs

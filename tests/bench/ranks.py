"""Simulation-based calibration: where the truth ranks among the draws of a fit, over many invented fleets.

Talts, Betancourt, Simpson, Vehtari & Gelman (2018), arXiv 1804.06788 (from memory): with the truth drawn from the
priors, its rank among independent posterior draws is uniform. Modrak and others, Bayesian Analysis 20 (2025) (from
memory): the joint log-likelihood must be among the ranked quantities, since ranks of parameters alone pass when the
posterior equals the prior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Array = NDArray[np.float64]
BINS = 10


@dataclass(frozen=True)
class Kind:
    """All ranks of one kind of quantity: how many, how many truths inside 95 %, and whether ranks look uniform.

    ``p``: chi-square of ten bins. Quantities of one fleet hang together a little, so it errs to the small side.
    """

    count: int
    inside: int
    p: float


def shares_below(draws: Mapping[str, Array], truth: Mapping[str, Any], thin: int) -> dict[str, Array]:
    """By name: share of the thinned draws below the truth, ties (none in theory) split; one for each number."""
    found = {}
    for name, value in truth.items():
        drawn = draws[name][::thin]
        found[name] = np.atleast_1d((drawn < value).mean(axis=0) + 0.5 * (drawn == value).mean(axis=0))
    return found


def summary(fleets: Sequence[Mapping[str, Array]]) -> dict[str, Kind]:
    """By kind of quantity, over all fleets; ``all`` together too."""
    kinds = {name: np.concatenate([fleet[name] for fleet in fleets if name in fleet]) for name in fleets[0]}
    kinds["all"] = np.concatenate(list(kinds.values()))
    return {name: _kind(shares) for name, shares in kinds.items()}


def _kind(shares: Array) -> Kind:
    inside = int(np.sum((shares > 0.025) & (shares < 0.975)))
    counts = np.histogram(shares, bins=BINS, range=(0.0, 1.0))[0]
    return Kind(shares.size, inside, float(stats.chisquare(counts).pvalue))


def expected_inside(count: int, false_alarm: float = 0.01) -> tuple[int, int]:
    """How many of so many independent 95 % intervals hold the truth, but for ``false_alarm``."""
    low, high = stats.binom.ppf([false_alarm / 2, 1 - false_alarm / 2], count, 0.95)
    return int(low), int(high)

"""What the beliefs of one search have in common: tables that no finding changes, kept from one belief to the next."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from leakinfer.circuit.conditions import CARBON_DIOXIDE
from leakinfer.inference import Table
from leakinfer.job.job import Job
from leakinfer.job.rates import Rates

KEPT_GROUNDS = 8  # systems, or sets of facts, that are worked on in turn
MOST_BYTES = 50e6  # of one ground: what a hundred jobs need, but conditions and losses may change without end
ENTRY_BYTES = 500  # of a key and its table, beside the numbers


@dataclass(frozen=True, eq=False)
class Kept:
    """Rates, and by what they depend on: answers of methods, whether conditions are fair, losses, priors of sites."""

    rates: Rates
    answers: dict[tuple[object, ...], Table] = field(default_factory=dict)
    fair: dict[tuple[object, ...], bool] = field(default_factory=dict)
    losses: dict[tuple[object, ...], Table] = field(default_factory=dict)
    priors: dict[tuple[object, ...], NDArray[np.float64]] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """About how many bytes all of it takes."""
        entries = len(self.answers) + len(self.fair) + len(self.losses) + len(self.priors)
        numbers = [table.values for tables in (self.answers, self.losses) for table in list(tables.values())]
        return ENTRY_BYTES * entries + sum(array.nbytes for array in (*numbers, *list(self.priors.values())))


class _Ground:
    """System, catalogue and the facts that rates depend on; equal where these are the same objects and values."""

    def __init__(self, job: Job) -> None:
        facts = job.facts
        self.job = job
        told = (facts.refrigerant, facts.charge_kg, facts.matters_g_per_year, facts.indoor_c)
        gauges = (facts.state, facts.high_kpa, facts.low_kpa) if facts.refrigerant == CARBON_DIOXIDE else ()
        self.key = (id(job.system), id(job.catalogue), told, gauges)  # the ids hold as long as the job is held here

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Ground) and self.key == other.key


def kept_for(job: Job) -> Kept:
    """The tables that a job shares with others on the same system, catalogue and facts."""
    ground = _Ground(job)
    found = _kept(ground)
    if found.size > MOST_BYTES:
        _kept.cache_clear()  # beliefs that are at work hold what they have
        found = _kept(ground)
    return found


@lru_cache(KEPT_GROUNDS)
def _kept(ground: _Ground) -> Kept:
    return Kept(Rates(ground.job.system, ground.job.facts, ground.job.catalogue))

"""When a leak began and whether a repair has ended it: the items of the model.

At each site, what may have begun before the first search is one item; what may have begun between two visits is one
more. A repair gives the leaks that are there two fates, ended or not, and so on for each further repair.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import accumulate
from typing import TypeVar
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from leakinfer.circuit.model import Site
from leakinfer.inference import Table
from leakinfer.job.job import Job

T = TypeVar("T", bound=np.generic)
Array = NDArray[np.float64]
NOW = 10**9  # a moment after all findings


@dataclass(frozen=True)
class Cure:
    """A repair of a site, after so many findings, with the chance that an old leak is still there."""

    after: int
    fails: float
    visit: int
    exchanged: bool


@dataclass(frozen=True)
class Origin:
    """The leaks that may have begun at a site between two ages of its part (years), first seen at a visit.

    Its states: tight, then the leaks for each fate: never ended, or ended by the first, second ... of ``cures``.
    """

    name: str
    site: Site
    visit: int
    ages: tuple[float, float]
    cures: tuple[Cure, ...] = ()

    @property
    def plain(self) -> bool:
        """Whether it was never repaired."""
        return not self.cures

    @property
    def fates(self) -> Array:
        """(fates,): chance of each fate."""
        fails = [cure.fails for cure in self.cures]
        still = list(accumulate(fails, lambda before, chance: before * chance, initial=1.0))
        ended = [before * (1 - chance) for before, chance in zip(still, fails, strict=False)]
        return np.array([still[-1], *ended])

    def alive(self, moment: int) -> tuple[bool, ...]:
        """(fates,): whether the leaks are still there at a moment, counted in findings made."""
        return (True, *(moment < cure.after for cure in self.cures))

    def alive_until(self, visit: int) -> tuple[bool, ...]:
        """(fates,): whether the leaks were still there when a visit began."""
        return (True, *(cure.visit >= visit for cure in self.cures))

    def prior(self, base: Array) -> Array:
        """(..., states) from the prior of a site never repaired."""
        if self.plain:
            return base
        return np.concatenate([base[..., :1], *(fate * base[..., 1:] for fate in self.fates)], axis=-1)

    def by_state(self, values: NDArray[T], moment: int = NOW) -> NDArray[T]:
        """(states,) from values of tight and of each leak; a leak that a repair has ended counts as tight."""
        if self.plain:
            return values
        ended = np.repeat(values[:1], values.size - 1)
        return np.concatenate([values[:1], *(values[1:] if there else ended for there in self.alive(moment))])

    def table(self, base: Table, alive: tuple[bool, ...]) -> Table:
        """The table of a site never repaired, for all fates. One object for all who share a base and the same fates."""
        return base if self.plain else _expanded(base, alive)


_BY_FATES: WeakKeyDictionary[Table, dict[tuple[bool, ...], Table]] = WeakKeyDictionary()  # kept as long as its base


def _expanded(base: Table, alive: tuple[bool, ...]) -> Table:
    made = _BY_FATES.setdefault(base, {})
    if alive not in made:
        made[alive] = _with_fates(base, alive)
    return made[alive]


def _with_fates(base: Table, alive: tuple[bool, ...]) -> Table:
    tight, leaks = base.values[..., :1, :], base.values[..., 1:, :]
    ended = np.broadcast_to(tight, leaks.shape)
    return Table(np.concatenate([tight, *(leaks if there else ended for there in alive)], axis=-2), base.switches)


def visit_at(job: Job, moment: int) -> int:
    """The visit that a moment belongs to, the first being 0."""
    return sum(later.after <= moment for later in job.returns)


def begun_by(job: Job, at_site: Iterable[Origin], moment: int = NOW) -> tuple[Origin, ...]:
    """Of the items of a site, those that may have begun to leak by a moment, counted in findings."""
    visit = visit_at(job, moment)
    return tuple(origin for origin in at_site if origin.visit <= visit)


def origins(job: Job) -> tuple[Origin, ...]:
    """All items of a job, those of a site side by side."""
    return tuple(origin for site in job.sites for origin in _of_site(job, site))


def _of_site(job: Job, site: Site) -> list[Origin]:
    cures = _cures(job, site)
    found = []
    for visit in range(len(job.returns) + 1):
        name = site.id if visit == 0 else f"{site.id}@{visit}"
        ages = _ages(job, visit, cures)
        found.append(Origin(name, site, visit, ages, tuple(cure for cure in cures if cure.visit >= visit)))
    return found


def _cures(job: Job, site: Site) -> tuple[Cure, ...]:
    usual = job.catalogue.repairs[site.component].fails
    exchange = job.catalogue.numbers["exchange_fails"]
    return tuple(
        Cure(done.after, exchange if done.exchanged else usual, done.visit, done.exchanged)
        for done in job.repairs
        if done.target in (site.id, site.unit)
    )


def _ages(job: Job, visit: int, cures: tuple[Cure, ...]) -> tuple[float, float]:
    """Ages of the part between which a leak of this visit began; an exchanged part starts anew."""
    facts = job.facts
    if visit == 0:
        tight = 0.0 if facts.tight_years_ago is None else facts.age_years - facts.tight_years_ago
        return tight, facts.age_years
    ends = list(accumulate((later.years for later in job.returns), initial=facts.age_years))
    begun = max((ends[cure.visit] for cure in cures if cure.exchanged and cure.visit < visit), default=0.0)
    return ends[visit - 1] - begun, ends[visit] - begun

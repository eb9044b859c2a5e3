"""What is missing from the charge, as a sum over all leaks: since when each has leaked, and how sure the weight is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leakinfer.inference import AmountTest, Item, Table, split_amounts
from leakinfer.job.facts import Facts
from leakinfer.job.job import Job
from leakinfer.job.origins import Origin, visit_at
from leakinfer.job.rates import Rates, kind

Array = NDArray[np.float64]

DEFICIT = "deficit"  # the sum that all readings of the charge look at
FIRST_CHARGE = "first charge"  # the item of a charge that was never right
ONSET_POINTS = 24  # of the part of the interval that a leak younger than the interval has leaked
SHORTFALLS = np.array([0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4])  # of the charge; a grid, equally likely a priori
CELLS_PER_ERROR = 6  # the grid's step against the least standard deviation: moves marginals by less than 1e-3
CELLS_BESIDE_FLOWS = 2  # where two sums are open at once; with those of the flow, moves marginals by up to 3e-3
CELLS_OVER_VISITS = 1.5  # where what was missing at two visits is open at once, over twice the items
MOST_CELLS = 256
ERRORS_BEYOND = (
    5  # standard deviations above what was read where the grid ends: from there on gross errors explain a reading
)


@dataclass(frozen=True)
class Reading:
    """Refrigerant missing, g, with its standard deviation."""

    missing_g: float
    error_g: float


Tables = dict[tuple[object, ...], Table]


def deficits(job: Job, rates: Rates, origins: Sequence[Origin], tables: Tables) -> tuple[Deficit, ...]:
    """What was missing from the charge at each visit; ``tables``: made already with these rates."""
    return tuple(Deficit(job, rates, origins, visit, tables) for visit in range(len(job.returns) + 1))


class Deficit:
    """The sum of what all leaks have lost since the charge was last known to be right, as seen at one visit."""

    def __init__(
        self, job: Job, rates: Rates, origins: Sequence[Origin], visit: int = 0, tables: Tables | None = None
    ) -> None:
        self.job, self.rates, self.visit = job, rates, visit
        self.origins = tuple(origin for origin in origins if origin.visit <= visit)
        self.charge_g = job.facts.charge_kg * 1000
        self.years = job.returns[visit - 1].years if visit else _interval(job.facts)
        self.readings = readings(job, visit)
        self.step, self.cells = self._grid()
        self._tables: Tables = {} if tables is None else tables
        self._before: dict[float, float] = {}
        self._shortfall: Table | None = None

    def _grid(self) -> tuple[float, int]:
        """Step in g and number of cells, fine and wide enough for the readings."""
        least = min((r.error_g for r in self.readings), default=0.05 * self.charge_g)
        top = max((r.missing_g + ERRORS_BEYOND * r.error_g for r in self.readings), default=0.0)
        top = max(top, 0.3 * self.charge_g)
        fineness: float = CELLS_PER_ERROR
        if self.job.returns:
            fineness = CELLS_OVER_VISITS
        elif self._flows_too:
            fineness = CELLS_BESIDE_FLOWS
        cells = min(MOST_CELLS, math.ceil(top * fineness / least) + 1)
        return top / (cells - 1), cells

    @property
    def _flows_too(self) -> bool:
        """Whether another sum is open beside this one: a reading of a hold or the like."""
        methods = self.job.catalogue.methods
        return any(methods[finding.method].kind in ("hold", "gather") for _, finding in self.job.standing_findings)

    @property
    def first_charge_counts(self) -> bool:
        """Whether the first charge can explain what is missing: it was not weighed, and none was put right since."""
        facts = self.job.facts
        told = facts.loss is not None and facts.loss.since_first_charge
        reaches = told or self.years >= facts.age_years - 1e-9
        return self.visit == 0 and not facts.first_charge_weighed and reaches

    def spread(self, origin: Origin) -> Table:
        """(states, cells): what the leaks of an origin have lost by now, their beginning unknown within its time."""
        section = self.rates.sections[origin.site.section]
        shape = self.job.catalogue.components[origin.site.component].age.weibull
        if shape not in self._before:
            self._before[shape] = self.begun_before(shape)
        before = 1.0 if origin.visit < self.visit else self._before[shape]
        years = min(self.years, self._longest())
        key = (kind(section), before, years, self.step, self.cells)
        if key not in self._tables:
            self._tables[key] = self._lost(self.rates.year(origin.site.section), before, years)
        return origin.table(self._tables[key], origin.alive_until(self.visit))

    def _lost(self, rate: Array, before: float, years: float) -> Table:
        """(states, cells) of leaks with these yearly rates over ``years``, a share of them having begun before."""
        whole = split_amounts(rate * years, self.step, self.cells)
        if before >= 1:
            return Table(whole)
        begun = (np.arange(ONSET_POINTS) + 0.5) / ONSET_POINTS
        part = split_amounts(rate[:, None] * years * begun, self.step, self.cells).mean(1)
        return Table(before * whole + (1 - before) * part)

    def _longest(self) -> float:
        """The longest that a leak of today can have leaked, years."""
        if self.visit:
            return math.inf
        tight = self.job.facts.tight_years_ago
        return math.inf if tight is None else tight

    def begun_before(self, shape: float) -> float:
        """Chance that a leak is older than the interval: its share of the cumulative hazard; Weibull ``shape``."""
        if self.visit:
            return 0.0
        facts = self.job.facts
        tight = 0.0 if facts.tight_years_ago is None else facts.age_years - facts.tight_years_ago
        whole = facts.age_years**shape - tight**shape
        early = max(facts.age_years - self.years, tight) ** shape - tight**shape
        return early / whole if whole > 0 else 0.0

    def first_charge_item(self) -> Item | None:
        """A charge that was never right: state 0 right, the others short by a share of the charge."""
        if not self.first_charge_counts:
            return None
        chance = self.job.catalogue.numbers["first_charge_low"]
        return Item(FIRST_CHARGE, np.concatenate([[1 - chance], np.full(SHORTFALLS.size, chance / SHORTFALLS.size)]))

    def test(self, likelihood: Array) -> AmountTest:
        """A test of the sum with the given (cells, outcomes) likelihood."""
        spread = {origin.name: self.spread(origin) for origin in self.origins}
        if self.first_charge_counts:
            if self._shortfall is None:
                amounts = np.concatenate([[0.0], SHORTFALLS]) * self.charge_g
                self._shortfall = Table(split_amounts(amounts, self.step, self.cells))
            spread[FIRST_CHARGE] = self._shortfall
        return AmountTest(spread, likelihood, f"{DEFICIT} {self.visit}")

    def reading_likelihood(self, reading: Reading) -> Array:
        """(cells, 1): Gaussian around what can be missing at most, with a share of gross errors."""
        gross = self.job.catalogue.numbers["reading_gross_error"]
        return reading_density(reading.missing_g, reading.error_g, self._missing(), gross, self.charge_g)[:, None]

    def outcome_likelihood(self, error_g: float, limits: Sequence[float]) -> Array:
        """(cells, outcomes): chance that a weight shows less than each share of the charge missing, and the rest."""
        missing = self._missing()
        edges = [share * self.charge_g for share in limits]
        below = [[0.5 * (1 + math.erf((edge - m) / (error_g * math.sqrt(2)))) for edge in edges] for m in missing]
        return np.asarray(np.diff(np.array([[0.0, *row, 1.0] for row in below]), axis=1))

    def _missing(self) -> Array:
        """(cells,): g missing; never more than the charge."""
        return np.asarray(np.minimum(np.arange(self.cells) * self.step, self.charge_g))


def _interval(facts: Facts) -> float:
    """Years since the charge was last known to be right."""
    if facts.loss is not None:
        return facts.loss.years
    if facts.tight_years_ago:
        return facts.tight_years_ago
    return max(facts.age_years, 0.05)


def readings(job: Job, visit: int = 0) -> tuple[Reading, ...]:
    """All weights that belong to a visit: the loss that was reported, and charges weighed then."""
    found = []
    if visit == 0 and job.facts.loss is not None:
        found.append(_reported(job, job.facts.loss.kg, job.facts.loss.relative_error))
    if visit and (missing_kg := job.returns[visit - 1].missing_kg) is not None:
        found.append(_reported(job, missing_kg, None))
    for number, finding in job.standing_findings:
        method = job.catalogue.methods[finding.method]
        if method.kind == "total" and finding.reading_kg is not None and visit_at(job, number) == visit:
            missing = (job.facts.charge_kg - finding.reading_kg) * 1000
            found.append(Reading(missing, weighing_error_g(job, finding.method)))
    return tuple(found)


def _reported(job: Job, kg: float, relative_error: float | None) -> Reading:
    """A loss that was told, with the error of a scale read in the field."""
    return Reading(kg * 1000, float(reported_error_g(job, kg * 1000, relative_error)))


def reported_error_g(job: Job, grams: ArrayLike, relative_error: float | None = None) -> Array:
    """Standard deviation of a loss that was told, g, same shape."""
    numbers = job.catalogue.numbers
    relative = relative_error or numbers["reported_loss_relative_error"]
    share = numbers["reported_loss_charge_error"] * job.facts.charge_kg * 1000
    least = max(numbers["reported_loss_absolute_error"], share)
    return np.asarray(np.hypot(relative * np.asarray(grams, dtype=float), least))


def reading_density(
    read_g: ArrayLike, error_g: ArrayLike, missing_g: ArrayLike, gross: float, charge_g: float
) -> Array:
    """Density of a weight that was read, 1/g: Gaussian around what is missing, and a share of gross errors, even over
    the charge. What was read, its error and what is missing are broadcast."""
    read, error, missing = (np.asarray(values, dtype=float) for values in (read_g, error_g, missing_g))
    density = np.exp(-0.5 * ((read - missing) / error) ** 2) / (error * math.sqrt(2 * math.pi))
    return np.asarray((1 - gross) * density + gross / charge_g)


def weighing_error_g(job: Job, method: str) -> float:
    """Standard deviation of a weighed charge, g."""
    chosen = job.catalogue.methods[method]
    return math.hypot(chosen.relative_error * job.facts.charge_kg * 1000, chosen.absolute_error_g)

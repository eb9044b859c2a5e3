"""Readings of the gas that passes all leaks together: holds, a vacuum's rise, gas gathered under a shroud.

Each is a likelihood over the sum of the flows of all sites that the test gas, the vacuum or the shroud takes in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import Site
from leakinfer.inference import AmountTest, LevelTest, Observation, Table, split_amounts
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.origins import NOW, visit_at
from leakinfer.job.rates import kind
from leakinfer.job.tightness import (
    flow_read,
    likelihood_of,
    planned_error,
    told_apart,
)

if TYPE_CHECKING:
    from leakinfer.job.belief import Belief

Array = NDArray[np.float64]
CELLS_PER_ERROR = 2  # the grid's step against the error of the reading
ERRORS_BEYOND = 5  # errors above what was read where the grid ends
MOST_CELLS = 48


@dataclass(frozen=True)
class Grid:
    """A grid of summed flows, Pa m3/s: a step and a number of cells."""

    step: float
    cells: int

    @property
    def flows(self) -> Array:
        """(cells,)."""
        return np.asarray(np.arange(self.cells) * self.step, dtype=float)


def _grid(flow: float, error: float) -> Grid:
    """A grid fine and wide enough for a flow with its error."""
    top = flow + ERRORS_BEYOND * error
    cells = min(MOST_CELLS, math.ceil(top * CELLS_PER_ERROR / error) + 1)
    return Grid(top / (cells - 1), cells)


class Flows:
    """The summed flows of one belief."""

    def __init__(self, belief: Belief) -> None:
        self.belief, self.job, self.rates = belief, belief.job, belief.rates
        self._tables: dict[tuple[object, ...], Table] = {}

    def observation(self, finding: Finding, number: int) -> Observation:
        """A finding as the engine knows it: by its reading, or by its words where none was written down."""
        method = self.job.catalogue.methods[finding.method]
        sites = self.job.scope(method, finding.target)
        name = f"flow {number}"
        reading = flow_read(self.job, finding)
        if reading is None:
            test = self._in_words(method, finding.target, finding.condition, number, name)
            return Observation(test, outcome_names(method).index(finding.outcome))
        error = math.hypot(reading.absolute_sd, reading.relative_sd * max(reading.flow, 0.0))
        grid = _grid(max(reading.flow, 0.0), error)
        likelihood = likelihood_of(self.job, finding, reading, grid.flows)
        spread = self._spread(sites, finding.condition, grid, number)
        return Observation(AmountTest(spread, likelihood[:, None], name), 0)

    def test(self, method: Method, target: str, condition: Condition) -> LevelTest:
        """A test that is still to be made, with outcomes in words.

        Forecast as if each leak were met alone: small leaks that only together pass the limit are left out, which keeps
        a forecast as quick as that of a sweep. What is read is judged by the sum.
        """
        planned = planned_error(self.job, method, target, condition)
        visit, emit = len(self.job.returns), {}
        for site in self.job.scope(method, target):
            key = (
                method.id,
                target,
                kind(self.rates.sections[site.section]),
                self._reached(site, condition),
                condition,
            )
            if key not in self._tables:
                self._tables[key] = Table(told_apart(planned, self.rates.throughput(site.section, condition)))
            for name in self.belief.items[site.id]:
                origin = self.belief.origins[name]
                if origin.visit <= visit:
                    emit[name] = origin.table(self._tables[key], origin.alive(NOW))
        quiet = told_apart(planned, np.zeros(1), planned.other)[0]
        return LevelTest(quiet, emit)

    def _in_words(self, method: Method, target: str, condition: Condition, moment: int, name: str) -> AmountTest:
        """A test that was made, of which only the words are known."""
        planned = planned_error(self.job, method, target, condition)
        grid = _grid(planned.limit, planned.error)
        levels = told_apart(planned, grid.flows, planned.other)
        return AmountTest(self._spread(self.job.scope(method, target), condition, grid, moment), levels, name)

    def _spread(self, sites: Iterable[Site], condition: Condition, grid: Grid, moment: int) -> dict[str, Table]:
        """(states, cells) of every item that was there at the moment: what one copy adds to the sum."""
        visit = visit_at(self.job, moment)
        spread = {}
        for site in sites:
            key = (kind(self.rates.sections[site.section]), self._reached(site, condition), condition, grid)
            if key not in self._tables:
                flows = self.rates.throughput(site.section, condition)
                self._tables[key] = Table(split_amounts(flows, grid.step, grid.cells))
            for name in self.belief.items[site.id]:
                origin = self.belief.origins[name]
                if origin.visit <= visit:
                    spread[name] = origin.table(self._tables[key], origin.alive(moment))
        return spread

    def _reached(self, site: Site, condition: Condition) -> bool:
        return not condition.sections or site.section in condition.sections

"""Readings of the gas that passes all leaks together: holds, a vacuum's rise, gas gathered under a shroud.

Each is a likelihood over the sum of the flows of all sites that the test gas, the vacuum or the shroud takes in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import ELSEWHERE, Site
from leakinfer.inference import AmountTest, LevelTest, Observation, Table, split_amounts
from leakinfer.job.detection import Detection, blind_name, reach, with_blind
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.job.origins import NOW, Origin, begun_by
from leakinfer.job.rates import kind
from leakinfer.job.tightness import (
    added_by,
    flow_read,
    likelihood_of,
    planned_error,
    told_apart,
)

Array = NDArray[np.float64]
CELLS_PER_ERROR = 4  # the grid's step against the error of the reading
CELLS_BESIDE_LOSS = 2  # where the loss is open at once, too: a scan costs the product of both
ERRORS_BEYOND = 5  # errors above what was read where the grid ends
MOST_CELLS = 96


@dataclass(frozen=True)
class Grid:
    """A grid of summed flows, Pa m3/s: a step and a number of cells."""

    step: float
    cells: int

    @property
    def flows(self) -> Array:
        """(cells,)."""
        return np.asarray(np.arange(self.cells) * self.step, dtype=float)

    @property
    def judged(self) -> Array:
        """(cells,) where a likelihood is taken: of the last cell, which holds all that is beyond, farther out."""
        flows = self.flows
        flows[-1] *= 2
        return flows


def _grid(flow: float, error: float, per_error: int) -> Grid:
    """A grid fine and wide enough for a flow with its error."""
    top = flow + ERRORS_BEYOND * error
    cells = min(MOST_CELLS, math.ceil(top * per_error / error) + 1)
    return Grid(top / (cells - 1), cells)


class Flows:
    """The summed flows of one belief. ``beside_loss``: whether what is missing from the charge is a sum, too."""

    def __init__(
        self,
        job: Job,
        detection: Detection,
        by_site: Mapping[str, Sequence[Origin]],
        pairs: set[tuple[str, str]],
        *,
        beside_loss: bool,
    ) -> None:
        self.job, self.rates, self.detection, self.by_site, self.pairs = job, detection.rates, detection, by_site, pairs
        self._tables: dict[tuple[object, ...], Table] = {}
        self._fineness = CELLS_BESIDE_LOSS if beside_loss else CELLS_PER_ERROR

    def observation(self, finding: Finding, number: int) -> Observation:
        """A finding as the engine knows it: by its reading, or by its words where none was written down."""
        method = self.job.catalogue.methods[finding.method]
        reading = flow_read(self.job, finding)
        if reading is None:
            test = self.test(method, finding.target, finding.condition, number)
            return Observation(test, outcome_names(method).index(finding.outcome))
        error = math.hypot(reading.absolute_sd, reading.relative_sd * max(reading.flow, 0.0))
        grid = _grid(max(reading.flow, 0.0), error, self._fineness)
        likelihood = likelihood_of(self.job, finding, grid.judged)
        spread = self._spread(method, finding, grid, number)
        return Observation(AmountTest(spread, likelihood[:, None], f"flow {number}"), 0)

    def test(self, method: Method, target: str, condition: Condition, moment: int = NOW) -> LevelTest:
        """A test of which only the words are known, made or to be made.

        Told as if each leak were met alone: small leaks that only together pass the limit are left out, which keeps it
        as quick as a sweep. What is read is judged by the sum.
        """
        planned = planned_error(self.job, method, target, condition)
        emit, hidden = dict[str, Table](), dict[str, float]()
        for site in self._scope(method, target):
            key = (method.id, target, *self._alike(site, condition))
            if key not in self._tables:
                self._tables[key] = Table(added_by(planned, self.rates.throughput(site.section, condition)))
            table, chance = self._hiding(method, site, self._tables[key])
            for origin in begun_by(self.job, self.by_site[site.id], moment):
                emit[origin.name], hidden[origin.name] = origin.table(table, origin.alive(moment)), chance
        return LevelTest(told_apart(planned, np.zeros(1), planned.other)[0], emit, hidden)

    def _spread(self, method: Method, finding: Finding, grid: Grid, moment: int) -> dict[str, Table]:
        """(states, cells) of every item that was there at the moment: what one copy adds to the sum."""
        spread = dict[str, Table]()
        for site in self._scope(method, finding.target):
            key = (*self._alike(site, finding.condition), grid)
            if key not in self._tables:
                flows = self.rates.throughput(site.section, finding.condition)
                self._tables[key] = Table(split_amounts(flows, grid.step, grid.cells))
            table, chance = self._hiding(method, site, self._tables[key])
            for origin in begun_by(self.job, self.by_site[site.id], moment):
                spread[origin.name] = origin.table(self._missed(table, chance), origin.alive(moment))
        return spread

    def _scope(self, method: Method, target: str) -> list[Site]:
        """The sites whose gas the test takes in; a shroud takes in no place that nobody knows."""
        wrapped = method.kind == "gather"
        return [s for s in self.job.scope(method, target) if not (wrapped and s.component == ELSEWHERE)]

    def _alike(self, site: Site, condition: Condition) -> tuple[object, ...]:
        """Sites with the same flow in a condition."""
        reached = not condition.sections or site.section in condition.sections
        return kind(self.rates.sections[site.section]), reached, condition

    def _hiding(self, method: Method, site: Site, table: Table) -> tuple[Table, float]:
        """The table, by the switch of what hides the site from a probe and a shroud alike where it was tested before,
        and the chance that it hides otherwise. Gas and vacuum within the circuit reach every leak."""
        if method.kind == "hold":
            return table, 0.0
        if (reach(method), site.id) not in self.pairs:
            return table, self.detection.unreachable(method, site)
        key = ("blind", table, site.id)
        if key not in self._tables:
            self._tables[key] = with_blind(table, blind_name(reach(method), site.id))
        return self._tables[key], 0.0

    def _missed(self, table: Table, chance: float) -> Table:
        """A table of which a share adds nothing."""
        key = ("missed", table, chance)
        if chance > 0 and key not in self._tables:
            nothing = np.zeros_like(table.values)
            nothing[..., 0] = 1.0
            self._tables[key] = Table((1 - chance) * table.values + chance * nothing, table.switches)
        return self._tables[key] if chance > 0 else table

"""What is true of one system: drawn forward from the model that a job without findings has.

First what sites share (circumstances, workmanship), then each copy of each site, then how long each leak has leaked.
The loss is read with the error that the belief takes; systems of which nobody would call are drawn anew. Whether
somebody calls hangs on what was read alone, which the belief conditions on, so that it stays calibrated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference import Model
from leakinfer.job.belief import Belief, there_name
from leakinfer.job.loss import FIRST_CHARGE, SHORTFALLS, Deficit, reading_density, reported_error_g

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
TOGETHER = 32  # systems drawn at once until somebody calls about one
READS = 400  # cells between the least loss that is called about and the whole charge
TRIED_G = 64  # amounts missing at which the greatest mass of readings is sought


@dataclass(frozen=True, eq=False)
class Nature:
    """What is true of one system today.

    ``leaks``: by site, the states of its leaking copies; sites that are tight are not among them. ``there``: by
    circumstance. ``missing_g``: from the right charge. ``read_kg``: what was read of that.
    """

    leaks: Mapping[str, Ints]
    there: Mapping[str, bool]
    missing_g: float
    read_kg: float


def draw_nature(
    prior: Belief, deficit: Deficit, least_share: float, rng: np.random.Generator, rounds: int
) -> Nature | None:
    """The first system of the prior that somebody calls about; None after so many rounds.

    ``prior``: the belief of a job of which neither a loss nor a finding is told. ``deficit``: its missing charge, over
    the time of the loss. ``least_share``: of the charge, from which the loss that was read is called about.
    """
    calls = Calls(deficit, least_share)
    for _ in range(rounds):
        states, switches = draw_prior(prior.model, TOGETHER, rng)
        missing = missing_g(deficit, states, rng)
        read = calls.read_g(missing, rng.random(TOGETHER))
        called = np.flatnonzero(~np.isnan(read))
        if called.size:
            one = int(called[0])
            found = {site.id: states[site.id][one] for site in prior.job.sites}
            leaks = {site: copies[copies > 0] for site, copies in found.items() if copies.any()}
            there = {name: bool(switches[there_name(name)][one]) for name in prior.unsure}
            return Nature(leaks, there, float(missing[one]), float(read[one]) / 1000)
    return None


def draw_prior(model: Model, count: int, rng: np.random.Generator) -> tuple[dict[str, Ints], dict[str, Ints]]:
    """States by item, (count, copies), and values by switch, (count,), of a model whose findings are left out."""
    switches = {s.name: _choose(s.prior[None], rng.random((count, 1)))[:, 0] for s in model.switches}
    states = dict[str, Ints]()
    for item in model.items:
        rows = item.prior[tuple(switches[name] for name in item.switches)].reshape(-1, item.states)
        states[item.name] = _choose(rows, rng.random((count, item.count)))
    return states, switches


def _choose(rows: Array, lots: Array) -> Ints:
    """(count, copies): a column of rows (count or 1, columns) for each lot (count, copies) from 0 to 1."""
    below = np.cumsum(rows, axis=1)[:, None, :-1]
    return np.asarray((below <= lots[:, :, None]).sum(-1))


def missing_g(deficit: Deficit, states: Mapping[str, Ints], rng: np.random.Generator) -> Array:
    """(systems,): g missing from the charge, by leaks that began before or within the time of the loss, and by a first
    charge that was wrong; never more than the charge."""
    classes = deficit.job.catalogue.components
    lost = np.zeros(next(iter(states.values())).shape[0])
    for origin in deficit.origins:
        rate = deficit.rates.year(origin.site.section)[states[origin.name]]
        before, part = rng.random((2, *rate.shape))
        older = before < deficit.begun_before(classes[origin.site.component].age.weibull)
        lost += deficit.years * (rate * np.where(older, 1.0, part)).sum(1)
    if deficit.first_charge_counts:
        lost += deficit.charge_g * np.concatenate([[0.0], SHORTFALLS])[states[FIRST_CHARGE][:, 0]]
    return np.minimum(lost, deficit.charge_g)


class Calls:
    """Whether somebody calls, and the loss that was read then.

    What is missing and what was read have jointly just the density that the belief takes: the chance to be called
    about is the density's mass over all readings that lead to a call, over the greatest such mass.
    """

    def __init__(self, deficit: Deficit, least_share: float) -> None:
        self.job, self.charge_g = deficit.job, deficit.charge_g
        self.edges = np.linspace(least_share * self.charge_g, self.charge_g, READS + 1)

    def read_g(self, missing: Array, lots: Array) -> Array:
        """(systems,): the loss that was read, NaN where nobody calls; ``lots`` from 0 to 1."""
        mass, wanted = self._mass(missing), lots * self.most
        found = [np.interp(want, row, self.edges, right=np.nan) for want, row in zip(wanted, mass, strict=True)]
        return np.array(found)

    @cached_property
    def most(self) -> float:
        """The greatest mass of readings that lead to a call, whatever is missing."""
        return float(self._mass(np.linspace(0.0, self.charge_g, TRIED_G))[:, -1].max())

    def _mass(self, missing: Array) -> Array:
        """(systems, edges): mass of the readings from the least that is called about up to each edge."""
        middle = (self.edges[1:] + self.edges[:-1]) / 2
        gross = self.job.catalogue.numbers["reading_gross_error"]
        density = reading_density(middle, reported_error_g(self.job, middle), missing[:, None], gross, self.charge_g)
        steps = density * np.diff(self.edges)
        return np.concatenate([np.zeros((missing.size, 1)), np.cumsum(steps, axis=1)], axis=1)

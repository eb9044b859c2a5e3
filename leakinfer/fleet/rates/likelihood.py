"""The likelihood of a fleet's cells: Poisson counts of leaks found, thinned by searches that miss, and workmanship.

With rate_c = mean_c theta_c of a class, r the hazard ratios, h(band) the age factor, s_c the share of the sizes that a
search can meet, d_c the chance that a search finds a leak (q d_c at a visit of which nobody knows whether it was one),
f_t the factor of the system type and k the share of leaks whose place was written down, a cell expects

    mu = k sum_rows rate_c f_t r h(band) s_c D (1 - d_c)^missed (1 - q d_c)^missed_other years,  D = d_c or q d_c.

Workmanship multiplies all its classes in a system by F, lognormal with mean 1, so that the counts of one system hold
together. A system with Y such leaks and the expected number M at F = 1 brings the factor E[F^Y exp(-(F - 1) M)] on top
of the Poisson counts; M is the shipped expectation of that system times what the fit makes of its type's sum.

Every function takes ``ops`` (numpy's or PyTensor's) and gives their arrays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.ops import Ops
from leakinfer.fleet.rates.ages import band_hazards
from leakinfer.fleet.rates.data import HazardData
from leakinfer.fleet.rates.priors import HazardPriors

Array = NDArray[np.float64]
FRAILTY_NODES = 11  # Gauss-Hermite points of the workmanship of one installation
LEAST_SHARE = 1e-12  # a size bin that the lognormal all but excludes


@dataclass(frozen=True)
class Expected:
    """What a set of values expects: leaks found by cell (F,), of which missed before (F,), and all by type (T,)."""

    cell: Any
    old: Any
    type: Any
    workmanship: Any  # (T,) of the classes that share workmanship


def survival(ops: Ops, log_size: Any, median: Any, log_sd: Any) -> Any:
    """Share of a lognormal's sizes at or above a size."""
    return 0.5 * ops.erfc((log_size - ops.log(median)) / (log_sd * np.sqrt(2.0)))


def findable(ops: Ops, values: Mapping[str, Any], priors: HazardPriors) -> Any:
    """(C,) share of the leaks of a class that are large enough to be met by a search."""
    if priors.found_least == 0:
        return np.ones(len(priors.classes))
    return survival(ops, np.log(priors.found_least), values["size_median"], values["size_log_sd"])


def expected(ops: Ops, values: Mapping[str, Any], data: HazardData, priors: HazardPriors) -> Expected:
    """Leaks that the cells expect, frailty apart."""
    types = len(priors.types)
    factor = ops.exp(_circumstances(ops, values, data)[:, None] + values["type_log"]).reshape((-1,))
    lots = (
        (_begun(ops, values, data, priors) * values["placed"])[data.band]
        * factor[data.around * types + data.type]
        * ops.product(data.amounts, _found_by(ops, values, data))
    )
    cell = ops.product(data.lots, lots)
    shared = priors.workmanship[data.cell_component]
    return Expected(
        cell,
        ops.product(data.old_lots, lots),
        _sums(cell, data.cell_type, types),
        _sums(cell * shared, data.cell_type, types),
    )


def _begun(ops: Ops, values: Mapping[str, Any], data: HazardData, priors: HazardPriors) -> Any:
    """(C x (bands + 1),) leaks that a search can meet, begun in a component-year of each band, or in the backlog."""
    share = findable(ops, values, priors)
    rate = priors.mean * values["theta"] * share
    bands = rate[:, None] * band_hazards(values["weibull"], data.edges, priors.reference_years)
    backlog = values["backlog"] * share
    return ops.concatenate([bands, backlog[:, None]], axis=1).reshape((-1,))


def _found_by(ops: Ops, values: Mapping[str, Any], data: HazardData) -> Any:
    """(W,) chance that a leak was missed so often and then found."""
    ways = data.ways
    found = values["found"][ways.component]
    other = values["unknown_visit"] * found
    missed = ways.missed * ops.log1p(-found) + ways.missed_other * ops.log1p(-other)
    return (found * ways.searched + other * ~ways.searched) * ops.exp(missed)


def _circumstances(ops: Ops, values: Mapping[str, Any], data: HazardData) -> Any:
    """(A,) log of the mean hazard ratio; where nobody looked, over the prevalence."""
    log_ratio = values["log_ratio"]
    if data.present.shape[1] == 0:
        return np.zeros(data.present.shape[0])
    doubt = ops.log1p(values["prevalence"] * (ops.exp(log_ratio) - 1))
    return (data.present * log_ratio + data.unknown * doubt).sum(axis=-1)


def _sums(figures: Any, place: Any, count: int) -> Any:
    """(count,) sums by place, as a product with the places' indicators."""
    return (np.arange(count)[:, None] == place[None, :]).astype(float) @ figures


@cache
def _nodes() -> tuple[Array, Array]:
    points, weights = np.polynomial.hermite_e.hermegauss(FRAILTY_NODES)
    return points, np.log(weights / weights.sum())


def frailty(ops: Ops, values: Mapping[str, Any], data: HazardData, reached: Expected) -> Any:
    """(G,) log of E[F^Y exp(-(F - 1) M)] for each group of systems."""
    groups = data.groups
    factor = factors(ops, values, data)
    known = np.maximum(groups.type_expected, 1e-300)
    amount = groups.expected * (reached.workmanship / known)[groups.type]
    terms = _nodes()[1] + groups.leaks[:, None] * factor - (ops.exp(factor) - 1) * amount[:, None]
    return log_sum(ops, terms)


def factors(ops: Ops, values: Mapping[str, Any], data: HazardData) -> Any:
    """(G, nodes) log factor of workmanship: the installer's, where it is known, and the installation's around it."""
    groups = data.groups
    unknown = (groups.installer < 0).astype(float)
    log_sd = ops.sqrt(values["workmanship_sd"] ** 2 + unknown * values["installer_sd"] ** 2)
    named = ops.concatenate([values["installer_log"], np.zeros(1)])[groups.installer]
    return named[:, None] + log_sd[:, None] * _nodes()[0] - 0.5 * log_sd[:, None] ** 2


def log_sum(ops: Ops, terms: Any) -> Any:
    """(...,) log of the sum of exponentials along the last axis."""
    top = terms.max(axis=-1)
    return top + ops.log(ops.exp(terms - top[..., None]).sum(axis=-1))


def log_likelihood(ops: Ops, values: Mapping[str, Any], data: HazardData, priors: HazardPriors) -> Any:
    """The joint log-likelihood of all cells, without the constants that no value changes."""
    reached = expected(ops, values, data, priors)
    total = _poisson(ops, data.found, reached.cell) + _before(ops, data, reached)
    if data.groups.type.size:
        total = total + (data.groups.systems * frailty(ops, values, data, reached)).sum()
    if priors.placed is not None:
        placed = values["placed"]
        total = total + _poisson(ops, data.unplaced, reached.type * (1 - placed) / placed)
    return total + _sizes(ops, values, data, priors) + _looked(ops, values, data)


def _poisson(ops: Ops, counts: Array, means: Any) -> Any:
    some = np.flatnonzero(counts)
    return (counts[some] * ops.log(means[some])).sum() - means.sum()


def _before(ops: Ops, data: HazardData, reached: Expected) -> Any:
    """Of the leaks of which it is known: whether a visit had missed them."""
    some = np.flatnonzero(data.known_before)
    if not some.size:
        return 0.0
    share = ops.maximum(reached.old[some] / reached.cell[some], LEAST_SHARE)
    fresh = ops.maximum(1 - share, LEAST_SHARE)
    before = data.before[some]
    return (before * ops.log(share) + (data.known_before[some] - before) * ops.log(fresh)).sum()


def _sizes(ops: Ops, values: Mapping[str, Any], data: HazardData, priors: HazardPriors) -> Any:
    """Measured leaks, by bin, of those that are large enough to be measured."""
    if not data.size_leaks.size:
        return 0.0
    median, log_sd = values["size_median"][data.size_component], values["size_log_sd"][data.size_component]
    inside = survival(ops, data.size_low, median, log_sd) - survival(ops, data.size_high, median, log_sd)
    measured = survival(ops, np.log(priors.measured_least), median, log_sd)
    return (data.size_leaks * ops.log(ops.maximum(inside / measured, LEAST_SHARE))).sum()


def _looked(ops: Ops, values: Mapping[str, Any], data: HazardData) -> Any:
    """Sites at which a circumstance was looked for, and was there or not."""
    some = np.flatnonzero(data.looked)
    if not some.size:
        return 0.0
    prevalence = values["prevalence"][some]
    return (data.there[some] * ops.log(prevalence) + (data.looked - data.there)[some] * ops.log(1 - prevalence)).sum()

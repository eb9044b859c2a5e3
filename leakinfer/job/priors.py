"""The prior of a site: tight, or leaking with a size, by hazard, age, exposures and what the system's sites share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue, ComponentClass, Exposure, SharedUnknown, SizeSpread
from leakinfer.job.rates import mode_shares, spread_over_modes

Array = NDArray[np.float64]
RATIO_NODES = 5  # quadrature of a hazard ratio's own uncertainty: 5 nodes are exact for moments up to 9


def cumulative_hazard(component: ComponentClass, years: float, reference_years: float) -> float:
    """Expected leaks of a plain component up to an age: mean x reference x (age / reference)^Weibull shape."""
    mean, shape = component.hazard.mean, component.age.weibull
    return float(mean * reference_years * (years / reference_years) ** shape)


def leak_probability(expected: Array, gamma_shape: float) -> Array:
    """1 - E exp(-rate) for a gamma rate of the given shape and expected count: 1 - (1 + expected / shape)^-shape."""
    return -np.expm1(-gamma_shape * np.log1p(expected / gamma_shape))


@cache
def normal_nodes(count: int) -> tuple[Array, Array]:
    """(count,) points and weights of Gauss-Hermite quadrature over a standard normal."""
    points, weights = np.polynomial.hermite_e.hermegauss(count)
    return points, weights / weights.sum()


def shared_nodes(unknown: SharedUnknown) -> tuple[Array, Array]:
    """(nodes,) lognormal factors with mean 1 on the hazards, and their prior weights."""
    points, weights = normal_nodes(unknown.nodes)
    return np.exp(unknown.log_sd * points - 0.5 * unknown.log_sd**2), weights


def size_distribution(spread: SizeSpread, sizes: Array) -> Array:
    """(sizes,): a lognormal's share at each point of the log grid; what lies beyond goes to the ends."""
    return _shares(spread, tuple(sizes.tolist()))


@cache
def _shares(spread: SizeSpread, sizes: tuple[float, ...]) -> Array:
    logs = np.log(sizes)
    middle = (logs[1:] + logs[:-1]) / 2
    below = np.array(
        [0.5 * (1 + math.erf((edge - math.log(spread.median)) / (spread.log_sd * math.sqrt(2)))) for edge in middle]
    )
    shares = np.diff(np.concatenate([[0.0], below, [1.0]]))
    shares.flags.writeable = False
    return shares


def site_prior(
    component: ComponentClass,
    catalogue: Catalogue,
    sizes: Array,
    ages: tuple[float, float],
    present: Sequence[Exposure],
    unknown: Sequence[Exposure],
    factors: Sequence[Array],
) -> Array:
    """(*factor nodes, *2 for each unknown exposure, states): the prior of one copy of a site.

    ``ages``: years at the beginning (when last proved tight) and at the end of the time in which it may have begun to
    leak. ``factors``: what the site shares with others, by node.
    """
    reference = catalogue.numbers["hazard_reference_years"]
    then, now = (cumulative_hazard(component, years, reference) for years in ages)
    expected = np.full((1,) * (len(factors) + len(unknown)), max(now - then, 0.0))
    log_variance = np.full_like(expected, sum(exposure.ratio.log_sd**2 for exposure in present))
    expected = expected * math.prod(exposure.ratio.median for exposure in present)
    for axis, values in enumerate((*factors, *(np.array([1.0, e.ratio.median]) for e in unknown))):
        expected = expected * _along(values, axis, expected.ndim)
    for axis, exposure in enumerate(unknown, start=len(factors)):
        log_variance = log_variance + _along(np.array([0.0, exposure.ratio.log_sd**2]), axis, expected.ndim)
    leaks = _over_ratios(expected, log_variance, component.hazard.gamma_shape)
    sized = leaks[..., None] * spread_over_modes(size_distribution(component.size, sizes), mode_shares(catalogue))
    return np.concatenate([1 - leaks[..., None], sized], axis=-1)


def _along(values: Array, axis: int, ndim: int) -> Array:
    return values.reshape([-1 if place == axis else 1 for place in range(ndim)])


def _over_ratios(expected: Array, log_variance: Array, gamma_shape: float) -> Array:
    """The leak probability with the lognormal uncertainty of the hazard ratios integrated."""
    points, weights = normal_nodes(RATIO_NODES)
    spread = np.exp(np.sqrt(log_variance)[..., None] * points)
    return np.asarray(leak_probability(expected[..., None] * spread, gamma_shape) @ weights)


def prevalence(exposure: Exposure, fact: bool | None) -> Array:
    """(2,): chance that a circumstance is not there, is there."""
    there = exposure.prevalence.value if fact is None else float(fact)
    return np.array([1 - there, there])

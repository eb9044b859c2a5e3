"""How many leaks the shipped priors expect: for the bins of the systems' workmanship."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue, ComponentClass
from leakinfer.fleet.cells.sites import Kind
from leakinfer.fleet.cells.windows import DAYS_A_YEAR, Index
from leakinfer.fleet.rates.ages import band_hazards
from leakinfer.fleet.settings import Reduction

WORKMANSHIP = "workmanship"
MILLION = 1e6
MOST_DECADES = 18  # of a whole number of 64 bits


def workmanship_classes(catalogue: Catalogue) -> tuple[str, ...]:
    """The component classes whose hazard the workmanship of the system's installation changes."""
    shared = catalogue.shared.get(WORKMANSHIP)
    return shared.classes if shared is not None else ()


def rate_of(kind: Kind, catalogue: Catalogue, reduction: Reduction) -> NDArray[np.float64]:
    """(K,) millionths of a leak that a component expects in a day of each band; 0 where workmanship is no part."""
    edges = np.array(reduction.age_years)
    if kind.component not in workmanship_classes(catalogue):
        return np.zeros(edges.size - 1)
    component = catalogue.components[kind.component]
    hazards = band_hazards(np.float64(component.age.weibull), edges, catalogue.numbers["hazard_reference_years"])
    yearly = component.hazard.mean * ratio_of(kind, catalogue) * found_share(component, reduction.found_least)
    return np.asarray(MILLION / DAYS_A_YEAR * yearly * hazards, dtype=float)


def ratio_of(kind: Kind, catalogue: Catalogue) -> float:
    """The hazard ratio of the circumstances: medians, and over the prevalence where nobody looked."""
    ratio = 1.0
    for name in kind.present:
        ratio *= catalogue.exposures[name].ratio.median
    for name in kind.unknown:
        exposure = catalogue.exposures[name]
        ratio *= 1 + exposure.prevalence.value * (exposure.ratio.median - 1)
    return ratio


def found_share(component: ComponentClass, least: float) -> float:
    """The share of a class's leak sizes at or above ``least`` (Pa m3/s)."""
    return 0.5 * math.erfc(math.log(least / component.size.median) / (component.size.log_sd * math.sqrt(2)))


def expected_bin(micro: Index, per_decade: int) -> Index:
    """(n,) bins of expected numbers in millionths, at least 1: bin n begins at 10^(n / per_decade)."""
    edges = 10.0 ** (np.arange(MOST_DECADES * per_decade + 1) / per_decade)
    return np.searchsorted(edges, micro.astype(float), side="right").astype(np.int64) - 1

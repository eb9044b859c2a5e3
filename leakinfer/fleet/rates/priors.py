"""What is believed of a fleet before its history is read, as plain arrays; the history of any field fits in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.settings import Beta, FleetSettings, Gamma

Array = NDArray[np.float64]
WORKMANSHIP = "workmanship"


@dataclass(frozen=True, eq=False)
class HazardPriors:
    """Priors by component class (C,), circumstance (X,) and system type (T,). A spread of 0 fixes a number.

    A class rate, per year, is ``mean`` x theta, theta ~ Gamma(alpha x ``weight``, rate beta x ``weight``). Other
    numbers are lognormal around what stands here with ``..._log_sd``; the chance that a search finds a leak has a
    normal logit.
    ``found_least``: share of the sizes that a search can meet is computed from it (Pa m3/s; 0: all).
    """

    classes: tuple[str, ...]
    exposures: tuple[str, ...]
    types: tuple[str, ...]
    mean: Array
    weight: Array
    alpha: Gamma
    beta: Gamma
    weibull: Array
    weibull_log_sd: float
    reference_years: float
    size_median: Array
    size_median_log_sd: float
    size_log_sd: Array
    size_log_sd_log_sd: float
    found_least: float
    measured_least: float
    ratio: Array
    ratio_log_sd: Array
    prevalence: Array
    prevalence_weight: float
    type_log_sd: float
    found_logit: float
    found_logit_sd: float
    class_logit_sd: float
    unknown_visit: Beta | None  # None: such visits find as much as searches
    placed: Beta | None  # None: the place of every leak was written down
    backlog: Array  # leaks a component, at the begin of the record of a system that was taken over
    backlog_log_sd: float
    workmanship: NDArray[np.bool_]  # (C,) whether the class shares the workmanship of its system
    workmanship_log_sd: float
    workmanship_log_sd_log_sd: float
    installer_log_sd: float


def priors_of(
    catalogue: Catalogue,
    settings: FleetSettings,
    classes: Sequence[str],
    exposures: Sequence[str],
    types: Sequence[str],
) -> HazardPriors:
    """The shipped priors of these classes, circumstances and types, with the spreads of ``fleet.toml``."""
    parts = [catalogue.components[name] for name in classes]
    around = [catalogue.exposures[name] for name in exposures]
    spread, search, shared = settings.spread, settings.search, catalogue.shared[WORKMANSHIP]
    mean = np.array([part.hazard.mean for part in parts])
    return HazardPriors(
        classes=tuple(classes),
        exposures=tuple(exposures),
        types=tuple(types),
        mean=mean,
        weight=np.array([part.hazard.gamma_shape for part in parts]),
        alpha=settings.level.alpha,
        beta=settings.level.beta,
        weibull=np.array([part.age.weibull for part in parts]),
        weibull_log_sd=spread.weibull_log_sd,
        reference_years=catalogue.numbers["hazard_reference_years"],
        size_median=np.array([part.size.median for part in parts]),
        size_median_log_sd=spread.size_median_log_sd,
        size_log_sd=np.array([part.size.log_sd for part in parts]),
        size_log_sd_log_sd=spread.size_log_sd_log_sd,
        found_least=settings.cells.found_least,
        measured_least=settings.cells.measured_least,
        ratio=np.array([exposure.ratio.median for exposure in around]),
        ratio_log_sd=np.array([exposure.ratio.log_sd * spread.exposure_log_sd_factor for exposure in around]),
        prevalence=np.array([exposure.prevalence.value for exposure in around]),
        prevalence_weight=search.prevalence_weight,
        type_log_sd=spread.system_log_sd if len(types) > 1 else 0.0,  # one type: it is the level of all
        found_logit=search.found_logit,
        found_logit_sd=search.found_logit_sd,
        class_logit_sd=search.class_logit_sd,
        unknown_visit=search.unknown_visit,
        placed=search.placed,
        backlog=mean * search.backlog_years,
        backlog_log_sd=search.backlog_log_sd,
        workmanship=np.array([name in shared.classes for name in classes], dtype=bool),
        workmanship_log_sd=shared.log_sd,
        workmanship_log_sd_log_sd=spread.workmanship_log_sd_log_sd,
        installer_log_sd=spread.installer_log_sd,
    )

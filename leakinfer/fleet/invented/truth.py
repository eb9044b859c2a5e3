"""What is true of an invented fleet: drawn from the priors that a fit starts from, or near the shipped numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.invented.plan import Mild, Plan, load_invented, scope_of
from leakinfer.fleet.methods.priors import HALF, PerformancePriors, performance_priors
from leakinfer.fleet.rates.priors import HazardPriors, priors_of
from leakinfer.fleet.settings import Beta, FleetSettings, load_settings

Array = NDArray[np.float64]
MOST_SHARE = 0.999  # of a factor on a chance


@dataclass(frozen=True, eq=False)
class Truth:
    """By component class (C,), circumstance (X,), type of system (T,), installer (I,) and method (M,).

    ``mean``: leaks a component-year over the first ten years; ``theta`` the same over the shipped mean. ``found``:
    chance that a search finds a leak; ``backlog``: leaks a component where a plan draws them; ``fails``: chance that a
    mended leak stays. Factors of the ``installers`` and of installations have mean 1. ``blind`` (C, M): multiple of a
    method's blind share. Sizes in Pa m3/s, ``rate50`` in the method's own unit.
    """

    classes: tuple[str, ...]
    exposures: tuple[str, ...]
    types: tuple[str, ...]
    installers: tuple[str, ...]
    methods: tuple[str, ...]
    alpha: float
    beta: float
    theta: Array
    mean: Array
    weibull: Array
    size_median: Array
    size_log_sd: Array
    found: Array
    backlog: Array
    fails: Array
    ratio: Array
    prevalence: Array
    type_factor: Array
    installer_log_sd: float
    installer_factor: Array
    workmanship: NDArray[np.bool_]  # (C,) whether the class shares the workmanship of its system
    workmanship_log_sd: float
    unknown_visit: float
    placed: float
    before_written: float
    measured: float
    rate50: Array
    slope: Array
    lapse: Array
    unreachable: Array
    false_alarm: Array
    blind: Array
    found_least: float
    measured_least: float
    measured_at_c: float

    def as_data(self) -> dict[str, Any]:
        """Plain data for a JSON file: names with their numbers."""
        return {part.name: _plain(getattr(self, part.name)) for part in fields(self)}


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value


def draw_truth(
    catalogue: Catalogue, settings: FleetSettings, rng: np.random.Generator, plan: Plan | None = None
) -> Truth:
    """A truth as the settings' priors have it, for the classes, circumstances, types and methods of a plan.

    Chances that nothing is believed of beforehand (``before_written``, ``measured``) are drawn as ``methods.written``.
    """
    plan = plan or load_invented().plan
    rates, methods = _priors(catalogue, settings, plan)
    alpha, beta = (rng.gamma(each.shape) / each.rate for each in (rates.alpha, rates.beta))
    theta = rng.gamma(alpha * rates.weight) / (beta * rates.weight)
    count = len(rates.classes)
    common = rates.found_logit + rates.found_logit_sd * rng.standard_normal()
    found = common + rates.class_logit_sd * rng.standard_normal(count)
    installer_log_sd = float(abs(rates.installer_log_sd * rng.standard_normal()))
    search, written = settings.search, settings.methods.written
    return Truth(
        **_scope(rates, methods, plan, settings, catalogue),
        alpha=float(alpha),
        beta=float(beta),
        theta=theta,
        mean=rates.mean * theta,
        weibull=rates.weibull * _around_one(rng, rates.weibull_log_sd, count),
        size_median=rates.size_median * _around_one(rng, rates.size_median_log_sd, count),
        size_log_sd=rates.size_log_sd * _around_one(rng, rates.size_log_sd_log_sd, count),
        found=1 / (1 + np.exp(-found)),
        backlog=rates.backlog * _around_one(rng, rates.backlog_log_sd, count),
        ratio=rates.ratio * np.exp(rates.ratio_log_sd * rng.standard_normal(rates.ratio.size)),
        prevalence=_beta(rng, rates.prevalence_weight * rates.prevalence, rates.prevalence_weight),
        type_factor=_around_each_other(rng, rates.type_log_sd, len(rates.types)),
        installer_log_sd=installer_log_sd,
        installer_factor=mean_one(rng, installer_log_sd, plan.installers),
        workmanship_log_sd=float(rates.workmanship_log_sd * _around_one(rng, rates.workmanship_log_sd_log_sd, 1)[0]),
        unknown_visit=_chance(rng, search.unknown_visit),
        placed=_chance(rng, search.placed),
        before_written=_chance(rng, written),
        measured=_chance(rng, written),
        **_drawn_methods(rng, methods),
    )


def _priors(catalogue: Catalogue, settings: FleetSettings, plan: Plan) -> tuple[HazardPriors, PerformancePriors]:
    classes, exposures, types = scope_of(plan, catalogue)
    rates = priors_of(catalogue, settings, classes, exposures, types)
    return rates, performance_priors(catalogue, settings, tuple(sorted(plan.methods)), classes, ())


def _scope(
    rates: HazardPriors, methods: PerformancePriors, plan: Plan, settings: FleetSettings, catalogue: Catalogue
) -> dict[str, Any]:
    """What no draw changes."""
    cells = settings.cells
    fails = np.array([catalogue.repairs[name].fails for name in rates.classes])
    return {
        "classes": rates.classes,
        "exposures": rates.exposures,
        "types": rates.types,
        "installers": tuple(f"crew {number + 1:02d}" for number in range(plan.installers)),
        "methods": methods.methods,
        "fails": np.minimum(plan.fails * fails, 1.0),
        "workmanship": rates.workmanship,
        "blind": methods.blind,
        "found_least": cells.found_least,
        "measured_least": cells.measured_least,
        "measured_at_c": cells.measured_at_c,
    }


def _drawn_methods(rng: np.random.Generator, priors: PerformancePriors) -> dict[str, Any]:
    count = len(priors.methods)
    blind = np.zeros(count)
    alarm = HALF * rng.beta(priors.false_alarm_a, priors.false_alarm_b)
    lapse = rng.beta(priors.lapse_a, priors.lapse_b)
    if priors.unreachable_a is not None and priors.unreachable_b is not None:
        blind = rng.beta(priors.unreachable_a, priors.unreachable_b)
    return {
        "false_alarm": alarm,
        "lapse": lapse,
        "unreachable": blind,
        "rate50": priors.rate50 * _around_one(rng, priors.rate50_log_sd, count),
        "slope": priors.slope * _around_one(rng, priors.slope_log_sd, count),
    }


def mild_truth(catalogue: Catalogue, seed: int, plan: Plan | None = None, mild: Mild | None = None) -> Truth:
    """A plausible fleet of its own: the shipped numbers, scattered a little, with a few that are visibly different."""
    read = load_invented()
    plan, mild, settings = plan or read.plan, mild or read.mild, load_settings()
    rng = np.random.default_rng([seed, 1])
    rates, methods = _priors(catalogue, settings, plan)
    count = len(rates.classes)
    theta = _around_one(rng, mild.rate_log_sd, count)
    truth = Truth(
        **_scope(rates, methods, plan, settings, catalogue),
        alpha=float("nan"),
        beta=float("nan"),
        theta=theta,
        mean=rates.mean * theta,
        weibull=rates.weibull * _around_one(rng, mild.weibull_log_sd, count),
        size_median=rates.size_median * _around_one(rng, mild.size_median_log_sd, count),
        size_log_sd=rates.size_log_sd,
        found=_near(rng, mild.found, mild.found_logit_sd, count),
        backlog=rates.backlog,
        ratio=rates.ratio * _around_one(rng, mild.ratio_log_sd, rates.ratio.size),
        prevalence=rates.prevalence,
        type_factor=np.ones(len(rates.types)),
        installer_log_sd=mild.installer_log_sd,
        installer_factor=mean_one(rng, mild.installer_log_sd, plan.installers),
        workmanship_log_sd=mild.workmanship_log_sd,
        unknown_visit=mild.unknown_visit,
        placed=mild.placed,
        before_written=mild.before_written,
        measured=mild.measured,
        **_shipped_methods(catalogue, methods.methods),
    )
    return _with_differences(truth, mild)


def _shipped_methods(catalogue: Catalogue, names: tuple[str, ...]) -> dict[str, Any]:
    ways = [catalogue.methods[name] for name in names]
    return {
        "rate50": np.array([way.grades[0].rate50 for way in ways]),
        "slope": np.array([way.grades[0].slope for way in ways]),
        "lapse": np.array([way.lapse for way in ways]),
        "unreachable": np.array([way.unreachable for way in ways]),
        "false_alarm": np.array([way.grades[0].false_alarm for way in ways]),
    }


def _with_differences(truth: Truth, mild: Mild) -> Truth:
    """The truth with what the file names; names that the plan does not meet are passed over."""
    rate = {each.id: each.rate for each in mild.component}
    size = {each.id: each.size for each in mild.component}
    ratio = {each.id: each.ratio for each in mild.exposure}
    factor = {each.id: each.factor for each in mild.type}
    work = {each.id: each.factor for each in mild.installer}
    rate50, lapse = {each.id: each.rate50 for each in mild.method}, {each.id: each.lapse for each in mild.method}
    there = {each.id: each.prevalence for each in mild.exposure if each.prevalence is not None}
    times = _times(truth.classes, rate)
    return replace(
        truth,
        theta=truth.theta * times,
        mean=truth.mean * times,
        size_median=truth.size_median * _times(truth.classes, size),
        ratio=truth.ratio * _times(truth.exposures, ratio),
        prevalence=np.array([there.get(n, p) for n, p in zip(truth.exposures, truth.prevalence, strict=True)]),
        type_factor=truth.type_factor * _times(truth.types, factor),
        installer_factor=np.array(
            [work.get(n, f) for n, f in zip(truth.installers, truth.installer_factor, strict=True)]
        ),
        rate50=truth.rate50 * _times(truth.methods, rate50),
        lapse=np.minimum(truth.lapse * _times(truth.methods, lapse), MOST_SHARE),
    )


def _times(names: tuple[str, ...], factors: dict[str, float]) -> Array:
    return np.array([factors.get(name, 1.0) for name in names])


def values_of(truth: Truth, priors: HazardPriors, installers: Sequence[str]) -> dict[str, Any]:
    """The truth by the names of the values in the model of the rates, in the order of ``priors`` and ``installers``."""
    at = [truth.classes.index(name) for name in priors.classes]
    around = [truth.exposures.index(name) for name in priors.exposures]
    crew = [truth.installers.index(name) for name in installers]
    by_class = ("theta", "weibull", "backlog", "size_median", "size_log_sd", "found")
    return {name: getattr(truth, name)[at] for name in by_class} | {
        "alpha": truth.alpha,
        "beta": truth.beta,
        "type_log": np.log(truth.type_factor[[truth.types.index(name) for name in priors.types]]),
        "log_ratio": np.log(truth.ratio[around]),
        "prevalence": truth.prevalence[around],
        "unknown_visit": truth.unknown_visit,
        "placed": truth.placed,
        "workmanship_sd": truth.workmanship_log_sd,
        "installer_sd": truth.installer_log_sd,
        "installer_log": np.log(truth.installer_factor[crew]),
    }


def mean_one(rng: np.random.Generator, log_sd: Any, count: int) -> Array:
    """(count,) lognormal factors with mean 1."""
    return np.asarray(np.exp(log_sd * rng.standard_normal(count) - 0.5 * np.square(log_sd)))


def _around_one(rng: np.random.Generator, log_sd: float, count: int) -> Array:
    """(count,) lognormal factors with median 1."""
    return np.exp(log_sd * rng.standard_normal(count))


def _around_each_other(rng: np.random.Generator, log_sd: float, count: int) -> Array:
    """(count,) lognormal factors whose logarithms add up to nothing."""
    scattered = rng.standard_normal(count)
    return np.asarray(np.exp(log_sd * (scattered - scattered.mean())))


def _near(rng: np.random.Generator, chance: float, logit_sd: float, count: int) -> Array:
    logit = np.log(chance / (1 - chance)) + logit_sd * rng.standard_normal(count)
    return np.asarray(1 / (1 + np.exp(-logit)))


def _beta(rng: np.random.Generator, a: Array, weight: float) -> Array:
    return rng.beta(a, weight - a)


def _chance(rng: np.random.Generator, beta: Beta) -> float:
    return float(rng.beta(beta.a, beta.b))

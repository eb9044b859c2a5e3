"""The PyMC model of a fleet's rates: pooled class rates, circumstances, ages, sizes, searches, workmanship."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from leakinfer.fleet.ops import tensor_ops
from leakinfer.fleet.rates.data import HazardData
from leakinfer.fleet.rates.likelihood import log_likelihood
from leakinfer.fleet.rates.priors import HazardPriors


@dataclass(frozen=True, eq=False)
class HazardModel:
    """A ``pymc.Model`` of cells, and what it leaves fixed.

    The model's variables and deterministics together with ``fixed`` are the values that the formulas of
    :mod:`leakinfer.fleet.rates.likelihood` take, by name. Its potential ``log_likelihood`` is not kept with the draws:
    to compile it once more for that takes longer than to work it out again where it is asked for.
    """

    model: Any
    fixed: Mapping[str, Any]


def hazard_model(priors: HazardPriors, data: HazardData) -> HazardModel:
    """The model of the cells. A spread of zero fixes a number."""
    import pymc as pm

    with pm.Model() as model:
        values = _rates(priors) | _sizes(priors) | _around(priors) | _searches(priors) | _workmanship(priors, data)
        fixed = {name: value for name, value in values.items() if isinstance(value, np.ndarray | float)}
        for name, value in values.items():
            if name not in fixed and name not in model.named_vars:
                pm.Deterministic(name, value)
        pm.Potential("log_likelihood", log_likelihood(tensor_ops(), values, data, priors))
    return HazardModel(model, fixed)


def _rates(priors: HazardPriors) -> dict[str, Any]:
    import pymc as pm

    alpha = pm.Gamma("alpha", priors.alpha.shape, priors.alpha.rate)
    beta = pm.Gamma("beta", priors.beta.shape, priors.beta.rate)
    return {
        "theta": pm.Gamma("theta", alpha * priors.weight, beta * priors.weight, shape=len(priors.classes)),
        "weibull": priors.weibull * _around_one("weibull_z", priors.weibull_log_sd, len(priors.classes)),
        "type_log": _types(priors),
        "backlog": priors.backlog * _around_one("backlog_z", priors.backlog_log_sd, len(priors.classes)),
    }


def _types(priors: HazardPriors) -> Any:
    """(T,) log factors of the system types around their mean, which is the level of all rates."""
    import pymc as pm

    if not priors.type_log_sd:
        return np.zeros(len(priors.types))
    return pm.ZeroSumNormal("type_log", priors.type_log_sd, shape=len(priors.types))


def _sizes(priors: HazardPriors) -> dict[str, Any]:
    count = len(priors.classes)
    return {
        "size_median": priors.size_median * _around_one("size_median_z", priors.size_median_log_sd, count),
        "size_log_sd": priors.size_log_sd * _around_one("size_log_sd_z", priors.size_log_sd_log_sd, count),
    }


def _around(priors: HazardPriors) -> dict[str, Any]:
    import pymc as pm

    count = len(priors.exposures)
    if not count:
        return {"log_ratio": np.zeros(0), "prevalence": np.zeros(0)}
    weight, there = priors.prevalence_weight, priors.prevalence
    return {
        "log_ratio": np.log(priors.ratio) + priors.ratio_log_sd * pm.Normal("ratio_z", shape=count),
        "prevalence": pm.Beta("prevalence", weight * there, weight * (1 - there), shape=count),
    }


def _searches(priors: HazardPriors) -> dict[str, Any]:
    import pymc as pm

    found = (
        priors.found_logit
        + priors.found_logit_sd * _standard("found_z", priors.found_logit_sd, 1)
        + priors.class_logit_sd * _standard("found_class_z", priors.class_logit_sd, len(priors.classes))
    )
    unknown, placed = priors.unknown_visit, priors.placed
    return {
        "found": 1 / (1 + np.exp(-found)) if isinstance(found, np.ndarray) else pm.math.sigmoid(found),
        "unknown_visit": 1.0 if unknown is None else pm.Beta("unknown_visit", unknown.a, unknown.b),
        "placed": 1.0 if placed is None else pm.Beta("placed", placed.a, placed.b),
    }


def _workmanship(priors: HazardPriors, data: HazardData) -> dict[str, Any]:
    """Installers' factors have mean 1; their spread is learned, and that of the installations around them."""
    import pymc as pm

    installers = len(data.installers)
    log_sd = priors.workmanship_log_sd_log_sd
    values: dict[str, Any] = {
        "workmanship_sd": (priors.workmanship_log_sd * _around_one("workmanship_z", log_sd, 1))[0],
        "installer_sd": 0.0,
        "installer_log": np.zeros(installers),
    }
    if installers and priors.installer_log_sd:
        spread = pm.HalfNormal("installer_sd", priors.installer_log_sd)
        scattered = pm.Normal("installer_z", shape=installers)
        values |= {"installer_sd": spread, "installer_log": spread * scattered - 0.5 * spread**2}
    return values


def _standard(name: str, spread: float, count: int) -> Any:
    """(count,) standard normal variables, or zeros where the spread is zero."""
    import pymc as pm

    return pm.Normal(name, shape=count) if spread and count else np.zeros(count)


def _around_one(name: str, spread: float, count: int) -> Any:
    """(count,) lognormal factors with median one."""
    import pymc as pm

    scattered = spread * _standard(name, spread, count)
    return np.exp(scattered) if isinstance(scattered, np.ndarray) else pm.math.exp(scattered)

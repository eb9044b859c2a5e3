"""The model of the rates against a classic example of pooled failure rates, and against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate
from scipy.special import gammaln

from leakinfer.fleet.rates.data import HazardData, data_of
from leakinfer.fleet.rates.model import hazard_model
from leakinfer.fleet.rates.priors import HazardPriors
from leakinfer.fleet.sampling import Effort, Sample, sample
from leakinfer.fleet.settings import Gamma
from tests.fleet.made import cells_of

# Failures of ten pumps of a power plant, times in thousands of hours: Gaver & O'Muircheartaigh, Technometrics 29 (1987)
# 1-15; the table as carried by public teaching packages.
FAILURES = (5, 1, 5, 14, 3, 19, 1, 1, 4, 22)
TIMES = (94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48)
DAYS = 100_000  # whole days for a unit of time
PUMPS = tuple(f"pump_{number:02d}" for number in range(10))


def pump_data() -> HazardData:
    """The pumps as component classes of one kind of system, each searched once with nothing missed."""
    key = [(pump, "plant", "", 1, 0) for pump in PUMPS]
    cells = cells_of(
        {
            "found": [(*where, count, 0, 0) for where, count in zip(key, FAILURES, strict=True)],
            "risk": [(*where, "", 0, 0, 0, round(time * DAYS)) for where, time in zip(key, TIMES, strict=True)],
        }
    )
    return data_of(cells, PUMPS, (), ("plant",))


def plain(classes: tuple[str, ...], mean: float) -> HazardPriors:
    """Class rates pooled, everything else known: all is found, nothing ages."""
    count = len(classes)
    return HazardPriors(
        classes=classes,
        exposures=(),
        types=("plant",),
        mean=np.full(count, mean),
        weight=np.ones(count),
        alpha=Gamma(1.0, 1.0),  # exponential with mean 1
        beta=Gamma(0.1, 1.0),
        weibull=np.ones(count),
        weibull_log_sd=0.0,
        reference_years=10.0,
        size_median=np.ones(count),
        size_median_log_sd=0.0,
        size_log_sd=np.ones(count),
        size_log_sd_log_sd=0.0,
        found_least=0.0,
        measured_least=1.0,
        ratio=np.zeros(0),
        ratio_log_sd=np.zeros(0),
        prevalence=np.zeros(0),
        prevalence_weight=1.0,
        type_log_sd=0.0,
        found_logit=30.0,  # a search finds all
        found_logit_sd=0.0,
        class_logit_sd=0.0,
        unknown_visit=None,
        placed=None,
        backlog=np.ones(count),
        backlog_log_sd=0.0,
        workmanship=np.zeros(count, bool),
        workmanship_log_sd=0.0,
        workmanship_log_sd_log_sd=0.0,
        installer_log_sd=0.0,
    )


@pytest.fixture(scope="module")
def pumps() -> Sample:
    model = hazard_model(plain(PUMPS, 365.25 / DAYS), pump_data())
    return sample(model.model, 11, Effort(tune=1000, draws=2500, target_accept=0.95))


def by_quadrature() -> tuple[float, float, np.ndarray]:
    """Posterior means of alpha, beta and the ten rates: the rates integrated by hand, the rest on a grid."""
    alpha = np.exp(np.linspace(np.log(0.02), np.log(8), 900))[:, None]
    beta = np.exp(np.linspace(np.log(1e-4), np.log(25), 900))[None, :]
    weight = (
        -alpha + (0.1 - 1) * np.log(beta) - beta + np.log(alpha) + np.log(beta)
    )  # priors and the log grid's Jacobian
    for count, time in zip(FAILURES, TIMES, strict=True):
        weight = weight + alpha * np.log(beta) - gammaln(alpha) + gammaln(alpha + count)
        weight = weight - (alpha + count) * np.log(beta + time)
    weight = np.exp(weight - weight.max())
    total = integrate.trapezoid(integrate.trapezoid(weight))

    def mean(figure: np.ndarray) -> float:
        return float(integrate.trapezoid(integrate.trapezoid(weight * figure)) / total)

    rates = [mean((alpha + y) / (beta + t)) for y, t in zip(FAILURES, TIMES, strict=True)]
    return mean(alpha + 0 * beta), mean(beta + 0 * alpha), np.array(rates)


def test_quadrature_gives_the_published_figures() -> None:
    """BUGS examples volume 1, "Pumps" (from memory): .70, .93, .060, 1.99."""
    alpha, beta, rates = by_quadrature()
    assert [round(alpha, 2), round(beta, 2), round(rates[0], 3), round(rates[9], 2)] == [0.70, 0.93, 0.060, 1.99]


def test_pumps_through_the_fleet_model(pumps: Sample) -> None:
    """Means within 5 errors of the sampler: wrong by chance once in 100,000 for all twelve together."""
    alpha, beta, rates = by_quadrature()
    wanted = {"alpha": np.array(alpha), "beta": np.array(beta), "theta": rates}
    for name, value in wanted.items():
        drawn = pumps.values[name]
        error = drawn.std(axis=0) / np.sqrt(pumps.diagnostics.ess)
        assert np.all(np.abs(drawn.mean(axis=0) - value) < 5 * error), name
    assert pumps.diagnostics.rhat < 1.01
    assert pumps.diagnostics.divergences == 0


def test_the_order_of_pumps_does_not_matter() -> None:
    """Permuting the classes permutes nothing but names: the joint log-likelihood of permuted values is the same."""
    from leakinfer.fleet.ops import numpy_ops
    from leakinfer.fleet.rates.likelihood import log_likelihood

    rng = np.random.default_rng(5)
    theta = rng.gamma(1.0, size=10)
    order = rng.permutation(10)
    shuffled = tuple(PUMPS[place] for place in order)
    cells = pump_data()
    there = np.argsort(order)
    moved = replace(
        cells,
        band=there[cells.band // 2] * 2 + cells.band % 2,
        ways=replace(cells.ways, component=there[cells.ways.component]),
        cell_component=there[cells.cell_component],
    )
    base = plain(PUMPS, 365.25 / DAYS)
    fixed = {
        "weibull": np.ones(10), "type_log": np.zeros(1), "backlog": np.ones(10), "size_median": np.ones(10),
        "size_log_sd": np.ones(10), "log_ratio": np.zeros(0), "prevalence": np.zeros(0), "found": np.ones(10) - 1e-12,
        "unknown_visit": 1.0, "placed": 1.0, "workmanship_sd": 0.0, "installer_sd": 0.0, "installer_log": np.zeros(0),
    }  # fmt: skip
    one = log_likelihood(numpy_ops(), {"theta": theta, **fixed}, cells, base)
    two = log_likelihood(numpy_ops(), {"theta": theta[order], **fixed}, moved, replace(base, classes=shuffled))
    assert one == pytest.approx(two, rel=1e-12)

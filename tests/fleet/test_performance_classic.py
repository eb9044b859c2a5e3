"""The model of the methods against a classic example without a gold standard: two tests on two populations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import expit

from leakinfer.fleet.cells.model import NO_SIZE, Cells
from leakinfer.fleet.methods.data import trial_data
from leakinfer.fleet.methods.model import performance_model
from leakinfer.fleet.methods.priors import PerformancePriors
from leakinfer.fleet.sampling import Effort, compiled_by_numba, sample
from leakinfer.fleet.settings import Beta
from tests.fleet.made import cells_of

# Two tests for one disease in two populations, counts of (++, +-, -+, --), and the maximum-likelihood estimates:
# Hui & Walter, Biometrics 36 (1980) 167-171; the table and estimates from memory, recomputed below.
POPULATIONS = {"one": (14, 4, 9, 528), "two": (887, 31, 37, 367)}
PATTERNS = ((1, 1), (1, 0), (0, 1), (0, 0))
PUBLISHED = {"prevalence": (0.0268, 0.7168), "sensitivity": (0.9661, 0.9688), "specificity": (0.9933, 0.9841)}


def two_tests() -> Cells:
    """The classic table as trials of two methods on two classes of sites."""
    rows = [
        (name, "", f"first:{a}/1;second:{b}/1", "", NO_SIZE, count)
        for name, counts in POPULATIONS.items()
        for (a, b), count in zip(PATTERNS, counts, strict=True)
    ]
    return cells_of({"trials": rows})


def flat() -> PerformancePriors:
    """Nothing known, nothing blind, and one leak so large that only lapses miss it."""
    ones = np.ones(2)
    return PerformancePriors(
        methods=("first", "second"),
        classes=("one", "two"),
        refrigerants=("",),
        false_alarm_a=ones,
        false_alarm_b=ones,
        lapse_a=ones,
        lapse_b=ones,
        unreachable_a=None,
        unreachable_b=None,
        rate50=ones,
        rate50_log_sd=0.0,
        slope=ones,
        slope_log_sd=0.0,
        blind=np.ones((2, 2)),
        prevalence=Beta(1.0, 1.0),
        small_log_sd=0.0,
        written=Beta(1.0, 1.0),
        first_bin=0,
        log_rate=np.full((1, 2, 1), 60.0),
        shares=np.ones((2, 1)),
        findable=np.ones((2, 1)),
        measurable=np.ones((2, 1)),
    )


class LogProbability:
    """A PyMC model's log probability over one vector of its unbounded variables, without their Jacobian."""

    def __init__(self, model: Any) -> None:
        self.start = model.initial_point()
        with compiled_by_numba():
            self.value, self.slope = model.compile_logp(jacobian=False), model.compile_dlogp(jacobian=False)

    def point(self, vector: np.ndarray) -> dict[str, np.ndarray]:
        """The vector as the model's variables."""
        ends = np.cumsum([value.size for value in self.start.values()])
        parts = np.split(np.asarray(vector), ends[:-1])
        return {name: part.reshape(value.shape) for (name, value), part in zip(self.start.items(), parts, strict=True)}

    def highest(self, begin: np.ndarray) -> tuple[dict[str, np.ndarray], float]:
        """The variables at the maximum that is reached from a vector, and the log probability there."""
        with compiled_by_numba():  # it compiles at the first call
            found = optimize.minimize(
                lambda x: -float(self.value(self.point(x))),
                begin,
                jac=lambda x: -np.asarray(self.slope(self.point(x))),
                method="BFGS",
                options={"gtol": 1e-7},
            )
        return self.point(found.x), -float(found.fun)


def accuracies(alarm: np.ndarray, lapse: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sensitivity and specificity from twice the false alarm and the lapse, where a leak is large."""
    return 1 - (1 - alarm / 2) * lapse, 1 - alarm / 2


def plain_log_likelihood(prevalence: Any, sensitivity: Any, specificity: Any) -> Any:
    """Two tests on two populations, by hand; each argument (..., 2)."""
    total: Any = 0.0
    for place, counts in enumerate(POPULATIONS.values()):
        for pattern, count in zip(PATTERNS, counts, strict=True):
            ill, well = prevalence[..., place], 1 - prevalence[..., place]
            for test, positive in enumerate(pattern):
                ill = ill * (sensitivity[..., test] if positive else 1 - sensitivity[..., test])
                well = well * (1 - specificity[..., test] if positive else specificity[..., test])
            total = total + count * np.log(ill + well)
    return total


@pytest.fixture(scope="module")
def classic() -> Any:
    return performance_model(flat(), trial_data(two_tests(), flat()))


def test_the_plain_likelihood_has_the_published_maximum() -> None:
    found = optimize.minimize(
        lambda x: -plain_log_likelihood(*expit(x).reshape(3, 2)), np.array([-2, 0, 2, 2, 2, 2]), method="BFGS"
    )
    for value, published in zip(expit(found.x).reshape(3, 2), PUBLISHED.values(), strict=True):
        np.testing.assert_allclose(value, published, atol=5.1e-5)


def test_the_fleet_model_has_the_published_maximum_and_no_mirrored_one(classic: Any) -> None:
    """With flat priors the highest posterior is the maximum likelihood, wherever the search begins; the twin, which
    begins with nearly all sites of the first population leaking, is not there to be found."""
    log_probability = LogProbability(classic)
    rng = np.random.default_rng(4)
    starts = [np.zeros(6), *rng.normal(0.0, 1.5, (6, 6))]
    assert list(log_probability.start) == [f"{name}_logodds__" for name in ("false_alarm_half", "lapse", "prevalence")]
    starts.append(np.array([4.0, 4.0, -3.0, -3.0, 3.6, -0.9]))
    reached = [log_probability.highest(start) for start in starts]
    best = max(value for _, value in reached)
    ends = [point for point, value in reached if value > best - 1e-6]
    assert len(ends) >= 5
    for point in ends:
        alarm, lapse, prevalence = (expit(part) for part in point.values())
        found = (prevalence, *accuracies(alarm, lapse))
        for value, published in zip(found, PUBLISHED.values(), strict=True):
            np.testing.assert_allclose(value, published, atol=5.1e-5)


def test_the_mirrored_twin_is_as_likely_where_nothing_forbids_it() -> None:
    """The plain likelihood cannot tell the twins apart; of the fleet model no numbers give the second one."""
    prevalence, sensitivity, specificity = (np.array(part) for part in PUBLISHED.values())
    one = plain_log_likelihood(prevalence, sensitivity, specificity)
    assert plain_log_likelihood(1 - prevalence, 1 - specificity, 1 - sensitivity) == pytest.approx(one, abs=1e-9)
    alarm, lapse = np.random.default_rng(0).random((2, 10_000))
    sensitivity, specificity = accuracies(alarm, lapse)
    assert np.all(sensitivity >= 1 - specificity)
    assert np.all(specificity > 0.5)


def by_importance() -> tuple[np.ndarray, np.ndarray]:
    """Posterior means of twice the false alarms, lapses and prevalences (6,), and their errors, in numpy.

    Flat priors on the six shares; draws from a Student t of their log odds.
    """

    def log_posterior(x: np.ndarray) -> Any:
        shares = expit(x)
        alarm, lapse, prevalence = shares[..., :2], shares[..., 2:4], shares[..., 4:]
        jacobian = (np.log(shares) + np.log1p(-shares)).sum(axis=-1)
        return plain_log_likelihood(prevalence, *accuracies(alarm, lapse)) + jacobian

    middle, spread = np.array([-4.0, -3.5, -3.0, -3.0, -3.5, 1.0]), np.diag([0.5, 0.1, 0.1, 0.1, 0.1, 0.01])
    for draws in (20_000, 50_000, 100_000, 400_000):  # each time around the moments that the last draws had
        proposal = stats.multivariate_t(middle, spread, df=4, seed=draws)
        drawn = proposal.rvs(draws)
        log_weight = log_posterior(drawn) - proposal.logpdf(drawn)
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        middle, spread = weight @ drawn, np.cov(drawn, rowvar=False, aweights=weight)
    assert 1 / (weight**2).sum() > 50_000  # draws that count
    mean = weight @ expit(drawn)
    return mean, np.sqrt(weight**2 @ (expit(drawn) - mean) ** 2)


@pytest.mark.slow
def test_the_sampler_agrees_with_importance_sampling(classic: Any) -> None:
    """Six means within 4 errors of both: wrong by chance about four times in 10,000."""
    drawn = sample(classic, 21, Effort(tune=700, draws=1500))
    means, errors = by_importance()
    values = np.concatenate([drawn.values[name] for name in ("false_alarm_half", "lapse", "prevalence")], axis=1)
    mcse = values.std(axis=0) / np.sqrt(drawn.diagnostics.ess)
    assert np.all(np.abs(values.mean(axis=0) - means) < 4 * np.hypot(mcse, errors))
    assert drawn.diagnostics.rhat < 1.01
    assert drawn.diagnostics.divergences == 0

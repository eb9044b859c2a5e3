"""The model of the methods against enumeration, integrals, and what simulated trials were made with."""

from __future__ import annotations

import itertools
from dataclasses import replace
from math import comb
from typing import Any

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from scipy.special import expit

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.model import NO_SIZE
from leakinfer.fleet.methods.data import trial_data
from leakinfer.fleet.methods.model import fit_methods, log_likelihood, performance_model
from leakinfer.fleet.methods.priors import PerformancePriors, beta_of, performance_priors
from leakinfer.fleet.ops import numpy_ops
from leakinfer.fleet.sampling import Effort, Sample, compiled_by_numba
from leakinfer.fleet.settings import load_settings
from tests.fleet.made import cells_of
from tests.fleet.trying import GAS_AT_20_C, GRAMS_PER_MOL, Known, Trying, try_sites

CATALOGUE = load_catalogue()
SETTINGS = load_settings()

METHODS = ("bubbles", "oil_point", "probe_point")
CLASSES = ("flare", "valve_core")


def shipped() -> PerformancePriors:
    return performance_priors(CATALOGUE, SETTINGS, METHODS, CLASSES, ("", "R-22"))


def some_values(seed: int) -> dict[str, np.ndarray]:
    """Numbers for all that the model leaves open, all different."""
    rng = np.random.default_rng(seed)
    return {
        "false_alarm": rng.uniform(0.01, 0.3, 3),
        "lapse": rng.uniform(0.02, 0.4, 3),
        "unreachable": rng.uniform(0.02, 0.3, 3),
        "rate50": np.array([3e-5, 20.0, 5.0]) * rng.uniform(0.5, 2.0, 3),
        "slope": rng.uniform(0.8, 2.5, 3),
        "prevalence": rng.uniform(0.05, 0.4, 2),
        "written_leak": rng.uniform(0.1, 0.9, 2),
        "written_tight": rng.uniform(0.1, 0.9, 2),
        "measured": rng.uniform(0.2, 0.8, 1)[0],
        "small_times": rng.uniform(1.5, 4.0, 1)[0],
    }


def enumerated(values: dict[str, Any], priors: PerformancePriors, row: tuple[Any, ...]) -> float:
    """The chance of one trial, every leak size, blind spot and written word by hand; tests in their order."""
    component, fluid, answers, truth, size_bin = row
    c, f = priors.classes.index(component), priors.refrigerants.index(fluid)
    asked = [(priors.methods.index(name), hits, tests) for name, hits, tests in answers]
    responded = int(any(hits for _, hits, _ in asked))
    total = 0.0
    for size in [None, *range(priors.shares.shape[1])]:
        there = values["prevalence"][c]
        world = 1 - there if size is None else there
        said = _written(values, priors, (c, size, responded), truth, size_bin)
        for hidden in itertools.product((False, True), repeat=len(asked)):
            chance = world * said
            for blind, (m, hits, tests) in zip(hidden, asked, strict=True):
                share = values["unreachable"][m] * priors.blind[c, m]
                chance *= share if blind else 1 - share
                sees = 0.0
                if size is not None and not blind:
                    rate = np.exp(priors.log_rate[f, m, size])
                    sees = (1 - values["lapse"][m]) / (1 + (values["rate50"][m] / rate) ** values["slope"][m])
                one = sees + values["false_alarm"][m] - sees * values["false_alarm"][m]
                chance *= one**hits * (1 - one) ** (tests - hits)
            total += chance
    return total


def _written(
    values: dict[str, Any], priors: PerformancePriors, where: tuple[int, int | None, int], truth: str, size_bin: int
) -> float:
    """Chance of what was written down (times the share of the size)."""
    c, size, responded = where
    if size is None:
        tight = values["written_tight"][responded]
        return float({"tight": tight, "": 1 - tight, "leak": 0.0}[truth])
    small = values["small_times"] * (priors.shares[c] - priors.findable[c])
    whole = (priors.findable[c] + small).sum()
    findable, measurable = priors.findable[c, size] / whole, priors.measurable[c, size] / whole
    leak, measured = values["written_leak"][responded], values["measured"]
    if truth == "leak" and size_bin != NO_SIZE:  # the model leaves out the share of the bin, which nothing changes
        return float(leak * measured / whole) if size_bin - priors.first_bin == size else 0.0
    if truth == "leak":
        return float(leak * (findable - measured * measurable))
    return float((1 - leak) * findable + small[size] / whole) if truth == "" else 0.0


@pytest.mark.parametrize("seed", range(4))
def test_the_likelihood_is_that_of_enumeration(seed: int) -> None:
    """Trials of one to three methods, repeated or not, of every kind of truth, against a sum over all there can be."""
    rng, priors, values = np.random.default_rng(100 + seed), shipped(), some_values(seed)
    rows = []
    for number in range(60):
        names = sorted(rng.choice(METHODS, rng.integers(1, 4), replace=False))
        tests = [int(rng.integers(1, 4)) for _ in names]
        answers = [(str(name), int(rng.integers(0, n + 1)), n) for name, n in zip(names, tests, strict=True)]
        truth = ("", "tight", "leak", "leak")[number % 4]
        size_bin = priors.first_bin + int(rng.integers(8, 20)) if number % 4 == 3 else NO_SIZE
        rows.append((CLASSES[number % 2], ("", "R-22")[number % 3 % 2], answers, truth, size_bin))
    times = rng.integers(1, 9, len(rows))
    expected = sum(n * np.log(enumerated(values, priors, row)) for n, row in zip(times, rows, strict=True))
    told = [(*row[:2], ";".join(f"{m}:{k}/{n}" for m, k, n in row[2]), *row[3:]) for row in rows]
    cells = cells_of({"trials": [(*row, int(n)) for row, n in zip(told, times, strict=True)]})
    found = log_likelihood(numpy_ops(), values, trial_data(cells, priors), priors)
    assert found == pytest.approx(expected, rel=1e-10)


def test_all_that_can_be_seen_at_a_site_sums_to_one() -> None:
    """Over all responses and all truths, the bins of measured sizes weighted with their shares of the leaks.

    No bin is cut by the least measured size here, as in the shipped settings, where it is the edge of one."""
    priors, values = shipped(), some_values(7)
    bins = np.flatnonzero(priors.measurable[0])
    total = 0.0
    for hits in itertools.product(range(3), range(2)):
        times = comb(2, hits[0])
        tests = f"bubbles:{hits[0]}/2;probe_point:{hits[1]}/1"
        outcomes = [("", NO_SIZE, 1.0), ("tight", NO_SIZE, 1.0), ("leak", NO_SIZE, 1.0)]
        outcomes += [("leak", priors.first_bin + int(place), priors.measurable[0, place]) for place in bins]
        for truth, size_bin, share in outcomes:
            cells = cells_of({"trials": [("flare", "R-22", tests, truth, size_bin, 1)]})
            data = trial_data(cells, priors)
            total += times * share * np.exp(log_likelihood(numpy_ops(), values, data, priors))
    assert total == pytest.approx(1.0, abs=1e-9)


def test_the_tensor_likelihood_is_that_of_numpy() -> None:
    """One text of the formulas, two libraries: the model's own log-likelihood at its starting point."""
    cells = try_sites(truth_of(), 300, CATALOGUE, SETTINGS, 5)
    priors = shipped()
    priors = replace(priors, refrigerants=("R-410A", "R-22"))
    data = trial_data(cells, priors)
    model = performance_model(priors, data)
    names = (
        "false_alarm",
        "lapse",
        "unreachable",
        "rate50",
        "prevalence",
        "written_leak",
        "written_tight",
        "measured",
        "small_times",
    )
    with compiled_by_numba():
        outputs = [model[name] for name in (*names, "log_likelihood")]
        at = model.compile_fn(model.replace_rvs_by_values(outputs), inputs=model.value_vars)(model.initial_point())
    values = dict(zip(names, at[:-1], strict=True)) | {"slope": priors.slope}
    assert log_likelihood(numpy_ops(), values, data, priors) == pytest.approx(float(at[-1]), rel=1e-10)


def test_the_order_of_classes_and_methods_does_not_matter() -> None:
    cells, values = try_sites(truth_of(), 400, CATALOGUE, SETTINGS, 6), some_values(3)
    fluids = ("R-410A", "R-22")
    one = performance_priors(CATALOGUE, SETTINGS, METHODS, CLASSES, fluids)
    two = performance_priors(CATALOGUE, SETTINGS, METHODS[::-1], CLASSES[::-1], fluids[::-1])
    turned = {name: value[::-1] if np.size(value) == (2 if name == "prevalence" else 3) else value
              for name, value in values.items()}  # fmt: skip
    found = [log_likelihood(numpy_ops(), values, trial_data(cells, one), one)]
    found.append(log_likelihood(numpy_ops(), turned, trial_data(cells, two), two))
    assert found[0] == pytest.approx(found[1], rel=1e-12)


@pytest.mark.parametrize(("mean", "logit_sd"), [(0.03, 0.8), (0.45, 0.7), (0.1, 0.2), (0.9, 1.5)])
def test_a_beta_has_the_mean_and_spread_it_was_asked_for(mean: float, logit_sd: float) -> None:
    """Against integrals over the distribution, in log odds."""
    found = beta_of(mean, logit_sd)

    def over(figure: Any) -> float:
        def weighed(x: float) -> float:
            share = expit(x)
            return float(figure(x, share) * stats.beta.pdf(share, found.a, found.b) * share * (1 - share))

        return float(integrate.quad(weighed, -40, 30, limit=400, points=[-5, 0, 5])[0])

    middle = over(lambda x, share: x)
    assert over(lambda x, share: share) == pytest.approx(mean, rel=1e-6)
    assert np.sqrt(over(lambda x, share: (x - middle) ** 2)) == pytest.approx(logit_sd, rel=1e-5)


def test_shipped_priors_are_centred_on_the_shipped_numbers() -> None:
    priors = shipped()
    for place, name in enumerate(METHODS):
        method = CATALOGUE.methods[name]
        for a, b, number in (
            (priors.lapse_a, priors.lapse_b, method.lapse),
            (priors.unreachable_a, priors.unreachable_b, method.unreachable),
            (priors.false_alarm_a, priors.false_alarm_b, 2 * method.grades[0].false_alarm),
        ):
            assert a is not None
            assert b is not None
            assert a[place] / (a[place] + b[place]) == pytest.approx(number, rel=1e-6)
        assert priors.rate50[place] == method.grades[0].rate50


def test_sizes_and_rates_of_the_priors() -> None:
    """Shares against a million drawn sizes (each within 5 errors: once in 10,000 for all), gas against molar masses."""
    priors = performance_priors(CATALOGUE, SETTINGS, METHODS, CLASSES, tuple(GRAMS_PER_MOL))
    assert priors.shares.sum(axis=1) == pytest.approx(1.0)
    rng, draws = np.random.default_rng(2), 1_000_000
    for c, name in enumerate(CLASSES):
        size = CATALOGUE.components[name].size
        drawn = size.median * np.exp(size.log_sd * rng.standard_normal(draws))
        place = np.clip(np.floor(4 * np.log10(drawn)) - priors.first_bin, 0, priors.shares.shape[1] - 1).astype(int)
        for table, least in (
            (priors.shares, 0.0),
            (priors.findable, SETTINGS.cells.found_least),
            (priors.measurable, SETTINGS.cells.measured_least),
        ):
            counted = np.bincount(place[drawn >= least], minlength=priors.shares.shape[1]) / draws
            assert np.all(np.abs(counted - table[c]) < 5 * np.sqrt(table[c] / draws) + 5 / draws)
    for f, mass in enumerate(GRAMS_PER_MOL.values()):
        gas, grams = np.exp(priors.log_rate[f, METHODS.index("bubbles")]), np.exp(priors.log_rate[f, 1])
        np.testing.assert_allclose(gas, grams / mass * GAS_AT_20_C, rtol=2e-4)


def truth_of() -> Trying:
    """Methods that are not as shipped, and truths written down the more readily the more was heard."""
    return Trying(
        methods={
            "bubbles": Known(1e-4, 1.5, 0.03, 0.08, 0.02, gas=True),
            "oil_point": Known(20.0, 1.0, 0.5, 0.05, 0.1),
            "probe_point": Known(12.0, 2.0, 0.12, 0.1, 0.06),
        },
        prevalence={"flare": 0.3, "valve_core": 0.12},
        leak_written=(0.05, 0.8),
        tight_written=(0.0, 0.4),
        small_times=3.0,
    )


@pytest.mark.slow
def test_what_simulated_trials_were_made_with_comes_back() -> None:
    """8,000 tried sites, the truth of few of them written down, and the more of those that answered.

    Each of 19 numbers within 4 standard deviations of the posterior: wrong by chance about once in 1,000 (if it were
    normal). Repeats alone tell a lapse from a blind spot, so both must come back apart.
    """
    truth = truth_of()
    cells = try_sites(truth, 8_000, CATALOGUE, SETTINGS, 9)
    fit = fit_methods(cells, CATALOGUE, SETTINGS, 31, Effort(tune=500, draws=400))
    assert fit is not None
    drawn, known = fit.sample.values, [truth.methods[name] for name in fit.priors.methods]
    wanted = {
        "false_alarm": [one.false_alarm for one in known],
        "lapse": [one.lapse for one in known],
        "unreachable": [one.unreachable for one in known],
        "prevalence": [truth.prevalence[name] for name in fit.priors.classes],
        "written_leak": list(truth.leak_written),
        "written_tight": [1e-4, truth.tight_written[1]],
        "measured": truth.measured,
        "small_times": truth.small_times,
    }
    for name, value in wanted.items():
        assert np.all(np.abs(drawn[name].mean(axis=0) - value) < 4 * drawn[name].std(axis=0)), name
    off = np.log(drawn["rate50"] / [one.rate50 for one in known])
    assert np.all(np.abs(off.mean(axis=0)) < 4 * off.std(axis=0))
    assert np.all(off.std(axis=0) < 0.5)  # the prior's is 1: the trials did tell
    assert fit.sample.diagnostics.rhat < 1.01
    assert fit.sample.diagnostics.divergences == 0
    told = {one.id: one for one in fit.learned}
    for place, name in enumerate(fit.priors.methods):
        assert told[name].rate50.value == pytest.approx(np.median(drawn["rate50"][:, place]))
        assert told[name].lapse.shipped == CATALOGUE.methods[name].lapse
        assert told[name].false_alarm.low < told[name].false_alarm.value < told[name].false_alarm.high


@pytest.mark.parametrize(("unreachable", "gain"), [(0.3, (100.0, np.inf)), (0.0, (-0.1, 8.0))])
def test_blind_spots_show_in_repeated_tests(unreachable: float, gain: tuple[float, float]) -> None:
    """Three or four tests of each of two methods on one spot, whose leaks are all far above what they need.

    Where three spots in ten are blind for one of them, a model without blind spots fits far worse; where none is, no
    better: twice the gain is then at most a chi-square of two degrees, above 16 less than once in 2,000.
    """
    known = {
        "bubbles": Known(1e-11, 2.0, 0.2, 0.0, 0.1, gas=True),
        "probe_point": Known(1e-5, 2.0, 0.1, unreachable, 0.05),
    }
    truth = Trying(known, {"flare": 0.5}, (3, 4), (0.0, 0.0), (0.0, 0.0))
    priors = performance_priors(CATALOGUE, SETTINGS, tuple(known), ("flare",), tuple(GRAMS_PER_MOL))
    data = trial_data(try_sites(truth, 2000, CATALOGUE, SETTINGS, 12), priors)
    known_rates = {"rate50": np.array([1e-11, 1e-5]), "slope": np.array([2.0, 2.0]), "small_times": 1.0}

    def highest(blind_too: bool) -> tuple[np.ndarray, float]:
        def values(x: np.ndarray) -> dict[str, Any]:
            shares = expit(x)
            hidden = shares[5:] if blind_too else np.zeros(2)
            found = {"false_alarm": shares[:2] / 2, "lapse": shares[2:4], "prevalence": shares[4:5]}
            return (
                found
                | known_rates
                | {"unreachable": hidden}
                | {"written_leak": np.zeros(2), "written_tight": np.zeros(2), "measured": 0.0}
            )

        found = optimize.minimize(
            lambda x: -log_likelihood(numpy_ops(), values(x), data, priors),
            np.full(7 if blind_too else 5, -1.0),
            method="L-BFGS-B",
            bounds=[(-9.0, 9.0)] * (7 if blind_too else 5),
        )
        return expit(found.x), -float(found.fun)

    with_blind, without = highest(True), highest(False)
    assert gain[0] < with_blind[1] - without[1] < gain[1]
    errors = 5 * np.sqrt(0.25 / 1000)  # five standard errors of a share among the 1,000 or so that leak
    assert with_blind[0][5:] * priors.blind[0] == pytest.approx([0.0, unreachable * priors.blind[0, 1]], abs=errors)
    assert with_blind[0][2:4] == pytest.approx([0.2, 0.1], abs=errors)


def test_methods_without_tests_are_not_learned() -> None:
    """Cells without trials give no fit; a method of the priors that no trial used is left out."""
    assert fit_methods(cells_of({}), CATALOGUE, SETTINGS, 1) is None
    cells = cells_of({"trials": [("flare", "R-22", "probe_point:1/2", "", NO_SIZE, 7)]})
    data = trial_data(cells, shipped())
    assert data.trials == {"bubbles": 0, "oil_point": 0, "probe_point": 7}
    assert learned_of(data) == ("probe_point",)


def learned_of(data: Any) -> tuple[str, ...]:
    from leakinfer.fleet.methods.model import learned_methods

    rng = np.random.default_rng(0)
    values = {name: rng.random((20, 3)) for name in ("rate50", "lapse", "unreachable", "false_alarm")}
    drawn = Sample(None, values, None, Effort())  # type: ignore[arg-type]
    return tuple(one.id for one in learned_methods(drawn, shipped(), data, CATALOGUE))

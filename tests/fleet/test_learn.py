"""What a fit says of itself: predictive checks, reasons for refusal, how far numbers moved, log scores."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leakinfer.catalogue.learned import PredictiveCheck
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.model import Cells
from leakinfer.fleet.rates.compare import Scores, compare
from leakinfer.fleet.rates.learn import Fit, fit_cells, learned, reasons
from leakinfer.fleet.rates.predictive import checks, each_draw, failed
from leakinfer.fleet.sampling import Diagnostics, Effort
from leakinfer.fleet.settings import load_settings
from tests.fleet.made import cells_of

CATALOGUE, SETTINGS = load_catalogue(), load_settings()
AGES = (0.0, 2.0, 5.0, 12.0)
SOUND = Diagnostics(1.002, "theta", 900.0, "theta", 0, 1.0)
TRUE = {"flare": 4.0, "valve_core": 1.0, "brazed_joint": 0.2, "drier_liquid": 1.0}  # times the shipped mean
COUNTS = {"flare": 8, "valve_core": 2, "brazed_joint": 30, "drier_liquid": 0}  # a system; the last is hardly seen
SYSTEMS = 400
KEY = ("ducted_split", "", 1, 1)


def history(seed: int, years: float = 3.0, systems: int = SYSTEMS) -> Cells:
    """Leaks of known rates in systems that are two to five years old, all found; sizes and circumstances left out."""
    rng = np.random.default_rng(seed)
    found, risk = [], []
    for name, times in TRUE.items():
        part = CATALOGUE.components[name]
        exposure = max(systems * COUNTS[name] * years, 3.0)
        shape = part.age.weibull
        age = 10.0 * ((0.5) ** shape - (0.2) ** shape) / 3.0
        from scipy.stats import lognorm

        share = lognorm.sf(SETTINGS.cells.found_least, part.size.log_sd, scale=part.size.median)
        leaks = rng.poisson(part.hazard.mean * times * exposure * age * share * 0.8)
        found.append((name, *KEY, leaks, 0, 0))
        risk.append((name, *KEY, "", 1, 0, 0, round(exposure * 365.25)))
    return cells_of({"found": found, "risk": risk}, AGES)


@pytest.fixture(scope="module")
def fit() -> Fit:
    return fit_cells(history(3), CATALOGUE, SETTINGS, 5, Effort(tune=600, draws=600))


def test_rates_move_to_the_truth_and_unseen_classes_stay(fit: Fit) -> None:
    """Two-sided 99.9 % intervals of three known rates: wrong by chance three times in 1,000."""
    theta = fit.sample.values["theta"]
    place = {name: number for number, name in enumerate(fit.priors.classes)}
    for name in ("flare", "valve_core", "brazed_joint"):
        low, high = np.quantile(theta[:, place[name]], [0.0005, 0.9995])
        assert low < TRUE[name] < high
    told = {one.id: one for one in learned(fit, history(3), CATALOGUE, SETTINGS, 5).component}
    assert told["flare"].mean.value > 2 * told["flare"].mean.shipped
    assert told["brazed_joint"].mean.value < told["brazed_joint"].mean.shipped
    shipped = told["drier_liquid"].mean.shipped
    assert told["drier_liquid"].mean.low < shipped < told["drier_liquid"].mean.high
    assert told["drier_liquid"].gamma_shape.value < 4 * told["drier_liquid"].gamma_shape.shipped
    assert told["flare"].gamma_shape.value > told["drier_liquid"].gamma_shape.value


def test_learned_values_keep_provenance(fit: Fit) -> None:
    cells = history(3)
    origin = learned(fit, cells, CATALOGUE, SETTINGS, 5).provenance
    assert (origin.data, origin.shipped, origin.seed) == (cells.digest, CATALOGUE.digest, 5)
    assert {"pymc", "arviz", "numpy"} <= set(origin.versions)
    assert origin.trusted == (not origin.reasons)


def test_checks_pass_on_the_data_that_were_fitted_and_fail_on_others(fit: Fit) -> None:
    assert not failed(fit.checks, SETTINGS.trust.least_check_p)
    data = replace(fit.data, found=fit.data.found * np.where(fit.data.cell_component == 1, 4.0, 1.0) + 20)
    draws = list(each_draw(fit.sample.values, fit.model.fixed, 50))
    bad = failed(checks(draws, data, fit.priors, 1), SETTINGS.trust.least_check_p)
    assert {"found_by_class", "found_by_age", "found_by_type"} <= {check.group for check in bad}


@pytest.mark.parametrize(
    ("figures", "word"),
    [
        (replace(SOUND, rhat=1.011), "R-hat 1.011 at theta"),
        (replace(SOUND, rhat=float("nan")), "R-hat"),
        (replace(SOUND, ess=399.0), "bulk ESS 399 at theta"),
        (replace(SOUND, divergences=1), "1 divergences"),
    ],
)
def test_reasons_for_refusal(figures: Diagnostics, word: str) -> None:
    assert reasons(SETTINGS.trust, [SOUND], ()) == ()
    (said,) = reasons(SETTINGS.trust, [SOUND, figures], ())
    assert word in said


def test_a_failed_check_is_a_reason() -> None:
    check = PredictiveCheck("flare", "found_by_class", 90.0, 20.0, 12.0, 29.0, p=1e-9)
    fine = PredictiveCheck("stub", "found_by_class", 3.0, 2.5, 0.0, 6.0, p=0.002)
    (said,) = reasons(SETTINGS.trust, [SOUND], (check, fine))
    assert "flare" in said
    assert "90 seen" in said


def test_learned_priors_foretell_better(fit: Fit) -> None:
    """Years to come of the same rates: better than shipped priors, which are wrong fourfold for the main classes."""
    scores = compare(fit, history(3), history(4, systems=200), 1)
    assert isinstance(scores, Scores)
    assert scores.learned > scores.shipped
    assert scores.leaks == int(history(4, systems=200).tables["found"]["found"].sum())

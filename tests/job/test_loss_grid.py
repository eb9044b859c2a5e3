"""The grid of the loss is fine enough, and a loss says what it should."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from leakinfer.job import loss
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job

from .small import found, job_on, shipped_job, site, system, told, weighed

SAME = 1e-3  # absolute, on every site's probability
FINER = 15  # cells for each standard deviation; halving the step quarters the error

CASES: dict[str, tuple[str, dict[str, Any]]] = {
    "ducted split, a usual loss": ("ducted_split", {"loss": {"kg": 0.8, "years": 2.0}}),
    "ducted split, known to 5 %": ("ducted_split", {"loss": {"kg": 0.8, "years": 2.0, "relative_error": 0.05}}),
    "ductless split, a small loss": ("ductless_split", {"loss": {"kg": 0.08, "years": 1.0}}),
    "ductless split, nearly empty": ("ductless_split", {"loss": {"kg": 0.8, "years": 5.0}}),
    "heat pump, first charge weighed": (
        "heat_pump",
        {"first_charge_weighed": True, "loss": {"kg": 1.0, "years": 3.0}},
    ),
    "walk-in cooler, nothing missing": ("walk_in_cooler", {"loss": {"kg": 0.0, "years": 3.0}}),
    "rack, a third": ("rack_store", {"loss": {"kg": 60.0, "years": 2.0}}),
}

BEGINNINGS: tuple[dict[str, Any], ...] = (
    {"loss": {"kg": 1.0, "years": 2.0}},
    {"loss": {"kg": 1.0, "years": 10.0}},
    {"age_years": 5.0, "loss": {"kg": 1.0, "years": 5.0, "relative_error": 0.05}},
)


def answers(job: Job) -> dict[str, float]:
    """Every site's P(leak) and P(leak that matters)."""
    belief = Belief(job)
    return {f"{kind} {name}": value for kind, table in _tables(belief).items() for name, value in table.items()}


def _tables(belief: Belief) -> dict[str, dict[str, float]]:
    return {"leaks": belief.leak_probability, "matters": belief.matters_probability}


def worst_move(job: Job, monkeypatch: pytest.MonkeyPatch) -> float:
    """How far the finer grid moves any site."""
    shipped = answers(job)
    monkeypatch.setattr(loss, "CELLS_PER_ERROR", FINER)
    monkeypatch.setattr(loss, "MOST_CELLS", 100_000)
    fine = answers(job)
    return max(abs(fine[name] - value) for name, value in shipped.items())


@pytest.mark.parametrize("name", CASES)
def test_a_finer_grid_moves_no_site(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    system_id, facts = CASES[name]
    assert worst_move(shipped_job(system_id, **facts), monkeypatch) < SAME


def test_a_finer_grid_moves_no_site_after_a_weighing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert worst_move(told(shipped_job("ducted_split"), weighed(1.9)), monkeypatch) < SAME


def test_a_finer_grid_moves_no_site_of_a_small_charge_after_a_loss_and_a_weighing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    job = told(shipped_job("ductless_split", loss={"kg": 0.25, "years": 2.0}), weighed(0.6))
    assert worst_move(job, monkeypatch) < SAME


def test_a_small_loss_of_a_large_charge_moves_no_site_either(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rack of 192 kg that is 5 kg short: the error is a share of the loss, far smaller than the charge."""
    assert worst_move(shipped_job("rack_store", loss={"kg": 5.0, "years": 1.0}), monkeypatch) < SAME


@pytest.mark.parametrize("facts", BEGINNINGS)
def test_more_points_for_the_beginning_of_a_leak_move_no_site(
    facts: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    job = shipped_job("heat_pump", **facts)
    shipped = answers(job)
    monkeypatch.setattr(loss, "ONSET_POINTS", 200)
    fine = answers(job)
    assert max(abs(fine[name] - value) for name, value in shipped.items()) < SAME


def test_a_loss_raises_and_a_full_charge_lowers_the_chance_of_a_leak_that_matters() -> None:
    plain = Belief(shipped_job("ducted_split")).any_that_matters()
    assert Belief(shipped_job("ducted_split", loss={"kg": 0.8, "years": 2.0})).any_that_matters() > plain
    assert Belief(told(shipped_job("ducted_split"), weighed(2.6, "as_charged"))).any_that_matters() < plain


def test_a_weighing_agrees_with_a_reported_loss_of_the_same_amount() -> None:
    """Two readings of one sum: together they are surer than each, and lie between them."""
    made = system(site("core", "valve_core"), site("drier", "drier_suction"))
    reported = job_on(made, loss={"kg": 0.5, "years": 2.0}, first_charge_weighed=True)
    both = told(reported, weighed(1.5))
    assert Belief(both).any_leak > Belief(reported).any_leak > 0.3


def test_a_loss_over_a_longer_time_speaks_for_smaller_leaks() -> None:
    made = system(site("core", "valve_core", "hot_gas"))
    lost = {
        years: Belief(
            job_on(made, age_years=20.0, loss={"kg": 0.5, "years": years}, first_charge_weighed=True)
        ).expected_g_per_year["core"]
        for years in (0.5, 2.0, 10.0)
    }
    assert lost[0.5] > 1.5 * lost[2.0] > 3 * lost[10.0] > 0


def test_a_yearly_loss_of_a_leak_equals_what_was_lost_a_year() -> None:
    """One site, 0.5 kg in 2 years, the leak older than that: 250 g a year within the reading's error of a quarter."""
    made = system(site("core", "valve_core", "hot_gas"))
    job = job_on(made, age_years=40.0, loss={"kg": 0.5, "years": 2.0}, first_charge_weighed=True)
    belief = Belief(job)
    per_leak = belief.expected_g_per_year["core"] / belief.leak_probability["core"]
    assert 190 < per_leak < 420


def test_all_leaks_that_empty_a_system_explain_an_empty_one_alike() -> None:
    """No more than the charge can be missing: beyond it a weight does not tell sizes. Nearly all began before."""
    made = system(site("core", "valve_core", "hot_gas"))
    empty = {"kg": 2.0, "years": 2.0, "relative_error": 0.05}
    plain, known = (
        Belief(job_on(made, age_years=80.0, first_charge_weighed=True, loss=loss_known)) for loss_known in (None, empty)
    )
    emptying = plain.rates.year("hot_gas") * 2.0 > 3 * 2000.0
    assert emptying.sum() >= 3
    shares = [belief.posterior.marginal("core")[emptying] for belief in (plain, known)]
    np.testing.assert_allclose(shares[1] / shares[1].sum(), shares[0] / shares[0].sum(), rtol=0.05)


def test_a_weight_in_words_forecasts_what_it_then_finds() -> None:
    job = shipped_job("ducted_split")
    belief = Belief(job)
    chances = []
    for outcome in ("as_charged", "low", "very_low"):
        after = Belief(told(job, found("weigh_charge", "whole", outcome)))
        chances.append(after.posterior.log_evidence - belief.posterior.log_evidence)
    assert sum(math.exp(value) for value in chances) == pytest.approx(1.0, abs=1e-9)

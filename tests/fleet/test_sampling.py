"""What is drawn again where the first draws do not suffice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from msgspec import structs

from leakinfer.fleet.sampling import AGREED, CAREFUL, MORE, Effort, diagnose, sample, sample_well, save
from leakinfer.fleet.settings import load_settings

EFFORT = Effort(chains=2, tune=300, draws=200, cores=1)
WEIGHT, SEEN = 4.0, 1.5  # a standard normal prior, a mean of four looks with unit variance


@pytest.fixture(scope="module")
def one_mean() -> object:
    pm = pytest.importorskip("pymc")
    with pm.Model() as model:
        mean = pm.Normal("mean")
        pm.Potential("looks", -0.5 * WEIGHT * (mean - SEEN) ** 2)
    return model


def test_too_few_draws_are_kept_and_more_are_put_behind_them(one_mean: object, tmp_path: Path) -> None:
    xarray = pytest.importorskip("xarray")
    trust = structs.replace(load_settings().trust, least_ess=10_000)
    found = sample_well(one_mean, 7, EFFORT, trust)
    first = sample(one_mean, 7, EFFORT)
    assert found.effort.draws == MORE * EFFORT.draws
    drawn = found.values["mean"].reshape(EFFORT.chains, MORE * EFFORT.draws)
    assert np.array_equal(drawn[:, : EFFORT.draws], first.values["mean"].reshape(EFFORT.chains, EFFORT.draws))
    assert np.unique(drawn).size > 0.8 * drawn.size  # a trajectory may be refused, but none is drawn twice
    assert found.diagnostics.ess > 1.5 * first.diagnostics.ess
    assert found.diagnostics == diagnose(found.raw, found.diagnostics.seconds)
    # a conjugate prior: the weights of prior and looks add (any textbook)
    spread = (1 + WEIGHT) ** -0.5
    assert drawn.mean() == pytest.approx(WEIGHT * SEEN / (1 + WEIGHT), abs=5 * spread * found.diagnostics.ess**-0.5)
    save(found.raw, tmp_path / "sample.nc")
    with xarray.open_dataset(tmp_path / "sample.nc", group="posterior", engine="h5netcdf") as stored:
        assert np.array_equal(stored["mean"].transpose("chain", "draw"), drawn)
        assert np.array_equal(stored["draw"], np.arange(drawn.shape[1]))


def test_enough_draws_are_left_as_they_are(one_mean: object) -> None:
    trust = structs.replace(load_settings().trust, least_ess=1, most_rhat=2.0)
    assert np.array_equal(
        sample_well(one_mean, 7, EFFORT, trust).values["mean"], sample(one_mean, 7, EFFORT).values["mean"]
    )


@pytest.fixture(scope="module")
def funnel() -> object:
    """Neal's, Annals of Statistics 31 (2003) 705-767, section 8, from memory: its neck is too narrow for any step."""
    pm = pytest.importorskip("pymc")
    with pm.Model() as model:
        log_sd = pm.Normal("log_sd", 0.0, 3.0)
        pm.Normal("within", 0.0, pm.math.exp(log_sd / 2), shape=9)
    return model


@pytest.mark.parametrize(("target", "seed", "diverge"), [(0.5, 0, True), (0.85, 1, False)])
def test_a_bad_start_is_drawn_anew(funnel: object, target: float, seed: int, diverge: bool) -> None:
    """Trajectories that diverge are drawn with smaller steps, chains far apart with longer tuning; none is kept."""
    effort = replace(EFFORT, tune=20, target_accept=target)
    first = sample(funnel, seed, effort)
    assert bool(first.diagnostics.divergences) == diverge
    assert first.diagnostics.rhat > AGREED
    found = sample_well(funnel, seed, effort, load_settings().trust)
    assert found.effort.target_accept == (CAREFUL if diverge else target)
    assert (found.effort.tune, found.effort.draws) == (MORE * effort.tune, MORE * effort.draws)
    assert not np.isin(first.values["log_sd"], found.values["log_sd"]).any()

"""A whole job's belief against the sum over all its worlds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from leakinfer.circuit.model import Circumstance
from leakinfer.inference import AmountTest, Model, Observation
from leakinfer.job import loss
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from tests.inference.enumeration import solve_by_enumeration

from .small import BREEZE, COIL, RUNNING, VALVES, coarse, found, job_on, site, spot, system, told, weighed, world_count

CLOSE = 1e-9  # absolute on probabilities, relative on the evidence
MOST_WORLDS = 400_000


def port_and_bends(*, modes: bool = False) -> Job:
    """A port with two circumstances, one of them shared with its cap, and two equal bends."""
    made = system(
        site("core", "valve_core", exposures=("cap_missing",)),
        site("cap", "cap_plastic"),
        site("bends", "return_bend", "hot_gas", count=2),
        circumstances=(Circumstance("seal_lost", "seal of the cap lost", "cap_seal_lost", ("core", "cap")),),
        spots=(spot("ground", "core", "cap"),),
    )
    return job_on(made, coarse(modes=modes), age_years=12.0, first_charge_weighed=True)


def joints_and_drier() -> Job:
    """Three equal joints, and a drier that nobody has looked at."""
    made = system(
        site("joints", "brazed_joint", "liquid_line", COIL, count=3),
        site("drier", "drier_suction", exposures=("wet_suction_line",)),
        spots=(spot("ground", "drier"),),
    )
    return job_on(made, coarse((1e-7, 1e-5)), age_years=2.0, loss={"kg": 0.4, "years": 2.0})


PORT_FINDINGS: dict[str, tuple[Finding, ...]] = {
    "nothing": (),
    "a response of the zone": (found("probe_sweep", VALVES, "response"),),
    "a response, then a core that stays silent": (
        found("probe_sweep", VALVES, "response", BREEZE),
        found("probe_point", "core", "silent"),
    ),
    "oil, and slow foam at the cap": (
        found("oil_look", "ground", "oil"),
        found("bubbles", "cap", "slow_foam"),
    ),
    "fast bubbles, twice": (
        found("bubbles", "core", "fast_bubbles"),
        found("bubbles", "core", "fast_bubbles", RUNNING),
    ),
    "a look that finds the seal lost, and oil that may be old": (
        found("look", "seal_lost", "present"),
        found("look", "core:cap_missing", "absent"),
        found("oil_point", "core", "oil", false_causes=("old_oil",)),
    ),
    "bends silent twice": (
        found("probe_point", "bends", "silent"),
        found("probe_point", "bends", "silent", RUNNING),
    ),
}

LOSS_FINDINGS: dict[str, tuple[Finding, ...]] = {
    "the loss alone": (),
    "a response indoors": (found("probe_sweep", COIL, "response"),),
    "the charge weighed, and no oil below the drier": (weighed(1.55), found("oil_look", "ground", "no_oil")),
    "a dry drier, silent": (
        found("look", "drier:wet_suction_line", "absent"),
        found("probe_point", "drier", "silent"),
    ),
}


def one_sum(model: Model) -> Model:
    """The model with all readings of the sum of losses joined into one: what has leaked is drawn once, then weighed."""
    kept = tuple(seen for seen in model.observations if not isinstance(seen.test, AmountTest))
    likelihood, spread = np.ones(1), None
    for seen in model.observations:
        if isinstance(seen.test, AmountTest):
            likelihood, spread = likelihood * seen.test.likelihood[:, seen.outcome], seen.test.spread
    joined = () if spread is None else (Observation(AmountTest(spread, likelihood[:, None]), 0),)
    return Model(model.items, model.switches, (*kept, *joined))


def assert_equals_all_worlds(job: Job) -> None:
    """Evidence and every answer of the belief against the sum over all worlds of its model."""
    belief = Belief(job)
    assert world_count(belief.model) <= MOST_WORLDS
    right = solve_by_enumeration(one_sum(belief.model))
    assert belief.exact
    assert belief.posterior.log_evidence == pytest.approx(math.log(right.evidence), abs=CLOSE)
    leaks = np.arange(belief.rates.states) > 0
    for one in job.sites:
        none, nothing = right.probability_none({one.id: leaks}), right.probability_none({one.id: belief.masks[one.id]})
        assert belief.leak_probability[one.id] == pytest.approx(1 - none, abs=CLOSE)
        assert belief.matters_probability[one.id] == pytest.approx(1 - nothing, abs=CLOSE)
        lost = one.count * (right.marginal(one.id) @ belief.rates.year(one.section))
        assert belief.expected_g_per_year[one.id] == pytest.approx(lost, rel=1e-8)
    every = {one.id: leaks for one in job.sites}
    assert belief.any_leak == pytest.approx(1 - right.probability_none(every), abs=CLOSE)
    assert belief.any_that_matters() == pytest.approx(1 - right.probability_none(belief.masks), abs=CLOSE)


@pytest.mark.parametrize("name", PORT_FINDINGS)
def test_a_port_and_its_neighbours(name: str) -> None:
    assert_equals_all_worlds(told(port_and_bends(), *PORT_FINDINGS[name]))


@pytest.mark.parametrize("name", ["a response, then a core that stays silent", "fast bubbles, twice"])
def test_a_port_and_its_neighbours_whose_leaks_are_not_always_open(name: str) -> None:
    job = told(port_and_bends(modes=True), *PORT_FINDINGS[name])
    assert Belief(job).rates.states == 6  # tight; three sizes; one size for each rarer mode
    assert_equals_all_worlds(job)


@pytest.mark.parametrize("name", LOSS_FINDINGS)
def test_a_loss_shared_by_joints_and_a_drier(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loss, "CELLS_PER_ERROR", 2)  # few cells, so that all worlds can be listed
    assert_equals_all_worlds(told(joints_and_drier(), *LOSS_FINDINGS[name]))


def test_not_a_leak_is_a_short_first_charge_and_nothing_that_matters(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loss, "CELLS_PER_ERROR", 2)
    belief = Belief(joints_and_drier())
    right = solve_by_enumeration(belief.model)
    short = np.arange(1 + loss.SHORTFALLS.size) > 0
    expected = right.probability_none(belief.masks) - right.probability_none({**belief.masks, loss.FIRST_CHARGE: short})
    assert belief.not_a_leak == pytest.approx(expected, abs=CLOSE)
    assert 0.01 < belief.not_a_leak < 0.99


def test_circumstances_against_all_worlds() -> None:
    belief = Belief(told(port_and_bends(), *PORT_FINDINGS["a response of the zone"]))
    right = solve_by_enumeration(belief.model)
    for name in ("seal_lost", "core:cap_missing"):
        assert belief.circumstance(name) == pytest.approx(right.switch(f"there:{name}")[1], abs=CLOSE)


def test_a_unit_of_two_sites_against_all_worlds() -> None:
    made = system(site("bends", "return_bend", count=2, unit="coil"), site("header", "coil_header", unit="coil"))
    job = told(job_on(made, coarse(), age_years=15.0), found("probe_sweep", VALVES, "response"))
    belief = Belief(job)
    right = solve_by_enumeration(belief.model)
    assert belief.unit_probability["coil"] == pytest.approx(1 - right.probability_none(belief.masks), abs=CLOSE)
    assert belief.unit_probability["coil"] > max(belief.matters_probability.values())

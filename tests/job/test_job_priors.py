"""The prior of a site against quadrature by scipy, and what age, circumstances and workmanship do to it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec import structs
from scipy import integrate, stats

from leakinfer.circuit.model import Circumstance
from leakinfer.job.belief import Belief
from leakinfer.job.priors import (
    cumulative_hazard,
    leak_probability,
    shared_nodes,
    site_prior,
    size_distribution,
)
from leakinfer.job.rates import size_grid

from .small import CATALOGUE, VALVES, chance, coarse, found, job_on, odds, site, spot, system, told

SIZES = size_grid(CATALOGUE)
REFERENCE = 10.0  # years, hazard_reference_years


def prior_leak(component: str, years: float, present: tuple[str, ...] = (), unknown: tuple[str, ...] = ()) -> float:
    """P(leak) of one site, an unknown circumstance mixed by its prevalence."""
    there = [CATALOGUE.exposures[name] for name in present]
    open_ones = [CATALOGUE.exposures[name] for name in unknown]
    table = site_prior(CATALOGUE.components[component], CATALOGUE, SIZES, (0.0, years), there, open_ones, [])
    for exposure in reversed(open_ones):
        share = exposure.prevalence.value
        table = (1 - share) * table[..., 0, :] + share * table[..., 1, :]
    return float(1 - table[0])


@pytest.mark.parametrize(("expected", "shape"), [(0.001, 0.5), (0.05, 1.0), (0.5, 4.0), (3.0, 1.5)])
def test_leak_probability_is_the_integral_over_the_gamma(expected: float, shape: float) -> None:
    gamma = stats.gamma(shape, scale=expected / shape)
    tight, _ = integrate.quad(lambda u: math.exp(-gamma.ppf(u)), 0, 1, epsabs=1e-12, epsrel=1e-12, limit=400)
    assert leak_probability(np.array(expected), shape) == pytest.approx(1 - tight, rel=1e-6)


@pytest.mark.parametrize("shape", [0.5, 1.0, 4.0])
def test_plugging_in_the_mean_rate_overstates(shape: float) -> None:
    expected = np.array([0.01, 0.1, 1.0])
    assert np.all(leak_probability(expected, shape) < 1 - np.exp(-expected))


@pytest.mark.parametrize("name", sorted(CATALOGUE.components))
def test_mean_rate_is_that_of_the_first_ten_years(name: str) -> None:
    component = CATALOGUE.components[name]
    assert cumulative_hazard(component, REFERENCE, REFERENCE) == pytest.approx(10 * component.hazard.mean)
    assert cumulative_hazard(component, 0.0, REFERENCE) == 0


@pytest.mark.parametrize("name", ["valve_core", "shell_underside"])
def test_hazard_over_age_follows_weibull(name: str) -> None:
    """ln H is a line in ln age whose slope is the shape: scipy's Weibull has -ln of its survival as H."""
    component = CATALOGUE.components[name]
    law = stats.weibull_min(component.age.weibull, scale=1.0)
    one, two = (cumulative_hazard(component, years, REFERENCE) for years in (4.0, 13.0))
    assert two / one == pytest.approx(law.logsf(13.0) / law.logsf(4.0), rel=1e-12)


def test_workmanship_faults_show_early_and_rust_shows_late() -> None:
    joint, foot = (CATALOGUE.components[name] for name in ("brazed_joint", "shell_underside"))

    def first_half(component: object) -> float:
        return cumulative_hazard(component, 5.0, REFERENCE) / cumulative_hazard(component, 10.0, REFERENCE)  # type: ignore[arg-type]

    assert first_half(joint) > 0.5 > first_half(foot)


def test_time_before_the_last_proof_of_tightness_does_not_count() -> None:
    component = CATALOGUE.components["drier_suction"]
    late = site_prior(component, CATALOGUE, SIZES, (6.0, 9.0), [], [], [])
    expected = cumulative_hazard(component, 9.0, REFERENCE) - cumulative_hazard(component, 6.0, REFERENCE)
    assert 1 - late[0] == pytest.approx(leak_probability(np.array(expected), component.hazard.gamma_shape))


def test_a_small_hazard_is_multiplied_by_the_mean_of_its_ratio() -> None:
    """The mean of a lognormal with median m and log-sd s is m exp(s^2 / 2)."""
    ratio = CATALOGUE.exposures["tube_rubbing"].ratio
    young = 0.01
    grows = prior_leak("tube_run", young, ("tube_rubbing",)) / prior_leak("tube_run", young)
    assert grows == pytest.approx(ratio.median * math.exp(ratio.log_sd**2 / 2), rel=1e-3)


@pytest.mark.parametrize("present", [("wire_rubbing",), ("tube_rubbing", "wire_rubbing")])
@pytest.mark.parametrize("years", [3.0, 20.0])
def test_the_spread_of_hazard_ratios_is_integrated(present: tuple[str, ...], years: float) -> None:
    """Five nodes against scipy's adaptive quadrature, relative 2e-3."""
    component = CATALOGUE.components["tube_run"]
    ratios = [CATALOGUE.exposures[name].ratio for name in present]
    spread = math.sqrt(sum(ratio.log_sd**2 for ratio in ratios))
    plain = cumulative_hazard(component, years, REFERENCE) * math.prod(ratio.median for ratio in ratios)

    def weighed(z: float) -> float:
        return float(leak_probability(np.array(plain * math.exp(spread * z)), component.hazard.gamma_shape)) * float(
            stats.norm.pdf(z)
        )

    right, _ = integrate.quad(weighed, -10, 10, epsabs=1e-12)
    assert prior_leak("tube_run", years, present) == pytest.approx(right, rel=2e-3)


def test_an_unknown_circumstance_is_mixed_by_its_prevalence() -> None:
    share = CATALOGUE.exposures["outdoor_steel"].prevalence.value
    there, not_there = prior_leak("drier_liquid", 10.0, ("outdoor_steel",)), prior_leak("drier_liquid", 10.0)
    assert prior_leak("drier_liquid", 10.0, (), ("outdoor_steel",)) == pytest.approx(
        share * there + (1 - share) * not_there
    )


def test_a_job_mixes_an_unknown_circumstance_by_its_prevalence() -> None:
    made = system(site("drier", "drier_liquid", exposures=("outdoor_steel",)))
    share = CATALOGUE.exposures["outdoor_steel"].prevalence.value
    known = [chance(job_on(made, circumstances={"drier:outdoor_steel": there}), "drier") for there in (False, True)]
    assert chance(job_on(made), "drier") == pytest.approx((1 - share) * known[0] + share * known[1], abs=1e-12)


@pytest.mark.parametrize("name", sorted(CATALOGUE.shared))
def test_shared_unknowns_have_mean_one(name: str) -> None:
    """Three nodes give the mean of this lognormal to one in a thousand."""
    values, weights = shared_nodes(CATALOGUE.shared[name])
    assert weights.sum() == pytest.approx(1.0)
    assert values @ weights == pytest.approx(1.0, abs=1e-3)


def test_one_bad_joint_makes_another_likelier() -> None:
    made = system(site("here", "brazed_joint"), site("there", "brazed_joint", "hot_gas"), site("drier", "drier_liquid"))
    before = Belief(job_on(made))
    after = Belief(told(job_on(made), *[found("probe_point", "here", "response")] * 3))
    assert after.leak_probability["there"] > 1.2 * before.leak_probability["there"]
    assert after.leak_probability["drier"] == pytest.approx(before.leak_probability["drier"], abs=1e-12)


@pytest.mark.parametrize("name", sorted(CATALOGUE.components))
def test_sizes_are_scipys_lognormal_on_the_grid(name: str) -> None:
    size = CATALOGUE.components[name].size
    shares = size_distribution(size, SIZES)
    law = stats.lognorm(s=size.log_sd, scale=size.median)
    edges = np.sqrt(SIZES[1:] * SIZES[:-1])
    assert shares.sum() == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_allclose(shares, np.diff(law.cdf([0.0, *edges, np.inf])), rtol=0, atol=1e-12)


def test_grid_of_sizes_has_equal_steps_between_its_ends() -> None:
    grid = CATALOGUE.sizes
    assert SIZES[0] == pytest.approx(grid.least)
    assert SIZES[-1] == pytest.approx(grid.greatest)
    np.testing.assert_allclose(np.diff(np.log10(SIZES)), 1 / grid.per_decade, rtol=0.02)


def group_and_members(*, together: bool) -> tuple[Belief, tuple[str, ...]]:
    """Three joints as a counted group, or one by one; a loss, oil and a circumstance that touches all."""
    names = ("joints",) if together else ("joint_1", "joint_2", "joint_3")
    joints = [site(name, "brazed_joint", "hot_gas", count=3 if together else 1) for name in names]
    shakes = Circumstance("shakes", "compressor shakes", "vibration", names)
    made = system(*joints, site("core", "valve_core"), circumstances=(shakes,))
    job = job_on(made, coarse(), loss={"kg": 0.3, "years": 2.0})
    return Belief(told(job, found("look", "shakes", "present"))), names


def test_a_counted_group_equals_its_members() -> None:
    group, members = (group_and_members(together=value)[0] for value in (True, False))
    assert group.posterior.log_evidence == pytest.approx(members.posterior.log_evidence, abs=1e-9)
    assert group.any_leak == pytest.approx(members.any_leak, abs=1e-9)
    assert group.leak_probability["core"] == pytest.approx(members.leak_probability["core"], abs=1e-9)
    split = members.expected_g_per_year
    assert group.expected_g_per_year["joints"] == pytest.approx(sum(split[f"joint_{n}"] for n in (1, 2, 3)), rel=1e-9)


@pytest.mark.parametrize("outcome", ["silent", "response"])
def test_a_counted_group_equals_its_members_under_a_sweep(outcome: str) -> None:
    """Where no spot hides: what hides a group from a method hides all of it."""
    sweep = structs.replace(CATALOGUE.methods["probe_sweep"], unreachable=0.0, reach_of="", techniques={})
    catalogue = structs.replace(CATALOGUE, methods={**CATALOGUE.methods, "probe_sweep": sweep})

    def belief(*bends: str, count: int) -> Belief:
        made = system(*(site(name, "return_bend", count=count) for name in bends), site("core", "valve_core"))
        return Belief(told(job_on(made, catalogue), found("probe_sweep", VALVES, outcome)))

    group, members = belief("bends", count=3), belief("bend_1", "bend_2", "bend_3", count=1)
    assert group.posterior.log_evidence == pytest.approx(members.posterior.log_evidence, abs=1e-9)
    assert group.leak_probability["core"] == pytest.approx(members.leak_probability["core"], abs=1e-9)


def test_oil_that_may_come_from_two_sites_favours_the_likelier() -> None:
    made = system(site("core", "valve_core"), site("joint", "brazed_joint"), spots=(spot("ground", "core", "joint"),))
    before, after = Belief(job_on(made)), Belief(told(job_on(made), found("oil_look", "ground", "oil")))
    gain = {name: after.leak_probability[name] - before.leak_probability[name] for name in ("core", "joint")}
    assert gain["core"] > gain["joint"] > 0
    assert odds(after.leak_probability["core"]) > odds(before.leak_probability["core"])

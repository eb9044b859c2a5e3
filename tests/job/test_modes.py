"""Leaks that are not open all the time: open near the highest pressure, or while running."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from leakinfer.circuit.conditions import Condition
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.rates import (
    MODE_STRIDE,
    NEAR_HIGHEST,
    STEADY,
    WHILE_RUNNING,
    Rates,
    coarse_places,
    spread_over_modes,
)

from .small import (
    CATALOGUE,
    RUNNING,
    STANDING,
    chance,
    coarse,
    found,
    job_on,
    shipped_job,
    site,
    system,
    told,
    with_modes,
)
from .worlds import AIR_PA, FLUID, detect, nitrogen_flow, priors, unreachable, vapour_grams

Array = NDArray[np.float64]
PROBE, BUBBLES = CATALOGUE.methods["probe_point"], CATALOGUE.methods["bubbles"]
RATED = {"rating_high_kpa": 4000.0, "rating_low_kpa": 3500.0}  # invented nameplate


def bend(near_highest: float, while_running: float, section: str = "hot_gas") -> Job:
    """One return bend, which shares nothing with others, with these shares of rarer leaks."""
    made = system(site("bend", "return_bend", section))
    return job_on(made, with_modes(CATALOGUE, near_highest, while_running), age_years=20.0, **RATED)


def evidence(job: Job, finding: Finding) -> float:
    """P(finding)."""
    return math.exp(Belief(told(job, finding)).posterior.log_evidence - Belief(job).posterior.log_evidence)


def nitrogen(kpa: float) -> Condition:
    """All of the circuit under nitrogen."""
    return Condition("nitrogen", "still", 24.0, 22.0, test_kpa=kpa)


def of_mode(rates: Rates, values: Array, mode: int) -> Array:
    """Of values by state, those of the leaks of one mode."""
    return np.asarray(values[1:][rates.modes == mode])


# while running


def test_a_leak_open_only_while_running_is_silent_to_a_probe_while_standing() -> None:
    """Silence says nothing, and an answer is a false alarm."""
    job = bend(0.0, 1.0)
    assert chance(told(job, found("probe_point", "bend", "silent")), "bend") == pytest.approx(
        chance(job, "bend"), abs=1e-12
    )
    assert evidence(job, found("probe_point", "bend", "response")) == pytest.approx(0.03, abs=1e-12)


def test_it_is_found_running_as_by_bayes_rule() -> None:
    """Hot gas at 39 C while running at 24 C: 15 K above the air."""
    job = bend(0.0, 1.0)
    (prior,) = priors(job, "bend")
    rates = Belief(job).rates
    rate = vapour_grams(of_mode(rates, np.concatenate([[0.0], rates.holes]), WHILE_RUNNING), 39.0)[1:]
    within = (1 - unreachable(PROBE, "return_bend")) * detect(PROBE, PROBE.grades[0], rate)
    response = 1 - (1 - 0.03) * (1 - within)
    weights = prior[1:][rates.modes == WHILE_RUNNING] * response
    right = weights.sum() / (weights.sum() + prior[0] * 0.03)
    after = chance(told(job, found("probe_point", "bend", "response", RUNNING)), "bend")
    assert after == pytest.approx(right, abs=1e-12)
    assert after > 3 * prior[1:].sum()


def test_a_steady_leak_becomes_less_likely_than_one_open_while_running_after_silence_while_standing() -> None:
    job = bend(0.0, 0.1)
    belief = Belief(told(job, found("probe_point", "bend", "silent")))
    before, after = (Belief(j).posterior.marginal("bend") for j in (job, belief.job))
    running = of_mode(belief.rates, before, WHILE_RUNNING).sum(), of_mode(belief.rates, after, WHILE_RUNNING).sum()
    steady = of_mode(belief.rates, before, STEADY).sum(), of_mode(belief.rates, after, STEADY).sum()
    assert steady[1] < 0.9 * steady[0]
    assert running[1] > running[0]


# near the highest pressure


def test_the_highest_pressure_is_that_of_running_on_a_mild_day_on_the_high_side() -> None:
    """R-410A hot gas 15 K above 20 C; a test just above opens the leak, one just below does not."""
    job = bend(1.0, 0.0)
    opens_kpa = (FLUID.dew_pressure(35.0 + 273.15) - AIR_PA) / 1e3
    rates = Belief(job).rates
    for kpa, open_ in ((opens_kpa - 5, False), (opens_kpa + 5, True)):
        flow = of_mode(rates, rates.throughput("hot_gas", nitrogen(kpa)), NEAR_HIGHEST)
        assert np.all((flow > 0) == open_)
    right = nitrogen_flow(rates.holes, opens_kpa + 5)[1:][rates.modes == NEAR_HIGHEST]
    np.testing.assert_allclose(flow, right, rtol=1e-12)


def test_it_opens_under_nitrogen_at_test_pressure_and_not_while_standing() -> None:
    job = bend(1.0, 0.0)
    foam = [evidence(job, found("bubbles", "bend", "none", c)) for c in (STANDING, nitrogen(1200.0), nitrogen(3400.0))]
    alone = 1 - BUBBLES.grades[0].false_alarm
    assert foam[:2] == pytest.approx([alone, alone], abs=1e-12)
    assert foam[2] < alone
    after = [
        chance(told(job, found("bubbles", "bend", "slow_foam", nitrogen(kpa))), "bend") for kpa in (1200.0, 3400.0)
    ]
    assert after[0] == pytest.approx(chance(job, "bend"), abs=1e-12)
    assert after[1] > 3 * after[0]


@pytest.mark.parametrize(("outdoor_c", "indoor_c", "open_"), [(24.0, 22.0, True), (15.0, 22.0, False)])
def test_a_cold_suction_line_sees_its_highest_pressure_standing(outdoor_c: float, indoor_c: float, open_: bool) -> None:
    """Standing at 20 C it has more pressure than running; on a colder day such a leak is closed."""
    rates = Belief(bend(0.5, 0.0, "suction")).rates
    standing = Condition("standing", "still", outdoor_c, indoor_c)
    assert np.all((of_mode(rates, rates.g_per_year("suction", standing), NEAR_HIGHEST) > 0) == open_)
    assert np.all(of_mode(rates, rates.g_per_year("suction", RUNNING), NEAR_HIGHEST) == 0)


# over the year


def test_the_years_loss_counts_only_the_time_open() -> None:
    """A fifth of the year running at 30 C, the rest standing at 15 C. Hot gas runs at 45 C; suction at 3 C."""
    rates = Belief(bend(0.2, 0.2)).rates
    running = {"hot_gas": 45.0, "suction": 3.0}
    for section, celsius in running.items():
        on = 0.2 * vapour_grams(rates.holes, celsius, 30.0)[1:]
        off = 0.8 * vapour_grams(rates.holes, 15.0, 15.0)[1:]
        right = {STEADY: on + off, WHILE_RUNNING: on, NEAR_HIGHEST: on if section == "hot_gas" else 0 * on}
        for mode, year in right.items():
            np.testing.assert_allclose(
                of_mode(rates, rates.year(section), mode), year[rates.modes == mode], rtol=1e-9, atol=1e-12
            )


def test_a_leak_that_is_closed_all_year_does_not_matter() -> None:
    belief = Belief(bend(1.0, 0.0, "suction"))
    assert belief.leak_probability["bend"] > 0.001
    assert belief.matters_probability["bend"] == 0
    assert belief.expected_g_per_year["bend"] == 0


# shares


@pytest.mark.parametrize("modes", [(0.03, 0.03), (0.0, 0.05), (0.2, 0.0), (0.4, 0.6), (0.0, 0.0)])
@pytest.mark.parametrize("sizes", [3, 4, 8, 23])
def test_shares_sum_to_one_and_each_mode_gets_its_own(modes: tuple[float, float], sizes: int) -> None:
    shares = np.random.default_rng(7).dirichlet(np.ones(sizes))
    spread = spread_over_modes(shares, modes)
    groups = -(-sizes // MODE_STRIDE)
    assert spread.sum() == pytest.approx(1.0, abs=1e-12)
    assert spread.size == sizes + groups * sum(mode > 0 for mode in modes)
    rest = spread[sizes:].reshape(-1, groups).sum(axis=1)
    assert list(rest) == pytest.approx([mode for mode in modes if mode > 0], abs=1e-12)


@pytest.mark.parametrize("sizes", [3, 4, 8, 9, 23])
def test_a_size_that_stands_for_several_lies_within_their_stretch(sizes: int) -> None:
    places = coarse_places(sizes)
    assert list(places // MODE_STRIDE) == list(range(-(-sizes // MODE_STRIDE)))
    assert places.max() < sizes


def test_modes_leave_the_chance_of_a_leak_as_it_is() -> None:
    plain = Belief(job_on(shipped_job("ducted_split").system, with_modes(CATALOGUE, 0.0, 0.0)))
    assert Belief(shipped_job("ducted_split")).leak_probability == pytest.approx(plain.leak_probability, abs=1e-12)


def test_leaks_of_all_modes_add_up_to_the_leaks() -> None:
    belief = Belief(job_on(system(site("bend", "return_bend")), coarse(modes=True)))
    prior, numbers = belief.posterior.marginal("bend"), CATALOGUE.numbers
    assert prior.sum() == pytest.approx(1.0, abs=1e-12)
    for mode, name in ((NEAR_HIGHEST, "near_highest"), (WHILE_RUNNING, "while_running")):
        share = of_mode(belief.rates, prior, mode).sum() / prior[1:].sum()
        assert share == pytest.approx(numbers[f"mode_{name}_share"], abs=1e-12)

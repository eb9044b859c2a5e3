"""Holds, a vacuum's rise and gas under a shroud: against sums over all worlds of Gaussian densities."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from leakinfer.circuit.conditions import Condition
from leakinfer.inference import Observation, Posterior, solve
from leakinfer.job import flows, loss
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.tightness import planned_error
from leakinfer.job.why import explain
from leakinfer.physics.gather import GatherReading, gather_statistics
from leakinfer.physics.hold import HoldReading, hold_statistics
from leakinfer.physics.properties import load_properties
from leakinfer.physics.readings import FlowReading
from leakinfer.physics.vacuum import RiseReading, rise_likelihood

from .small import CATALOGUE, chance, found, shipped_job, told
from .tight import LOW_SIDE, NITROGEN, SITES, SIZES, TEST_KPA, gathered, held, rose, three_bends
from .worlds import FLUID, YEAR_G, World, leaks, nitrogen_flow, priors, unreachable, vapour_grams, weighed_worlds

Array = NDArray[np.float64]
FLOW = nitrogen_flow(SIZES, TEST_KPA)
LARGER = (1e-6, 1e-4)  # sizes for a vacuum, which sees no smaller ones in half an hour
AIR_IN = np.array([0.0, 1e-6, 1e-5, 1e-4])  # a standard leak size is its flow of air into a vacuum


def density(reading: FlowReading, flow: float, gross: float, top: float) -> float:
    """What was read, given the true flow: Gaussian, and a share of readings that say nothing, spread up to ``top``."""
    sd = math.hypot(reading.absolute_sd, reading.relative_sd * flow)
    normal = math.exp(-0.5 * ((reading.flow - flow) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    size = max(abs(reading.flow), reading.absolute_sd)
    top = max(size, top)
    return (1 - gross) * normal + gross / (2 * size * (1 + math.log(top / reading.absolute_sd)))


def hold_by_hand(end_kpa: float) -> Callable[[World], float]:
    """A day's hold of 5 l with the usual gauge: steps of 7 kPa, 3.5 kPa of drift, 1 K, a quarter of the volume."""
    reading = hold_statistics(
        HoldReading(
            start_kpa=TEST_KPA,
            end_kpa=end_kpa,
            start_c=22.0,
            end_c=22.0,
            hours=24.0,
            volume_l=5.0,
            resolution_kpa=7.0,
            accuracy_kpa=3.5,
            temperature_error_k=1.0,
            volume_relative_error=0.25,
        ),
        load_properties().fluid("nitrogen"),
    )
    nitrogen, top = load_properties().fluid("nitrogen"), TEST_KPA * 1e3 + 101325
    packed = [pressure / nitrogen.compressibility(295.15, pressure) for pressure in (top, 0.999 * top)]
    steeper = (packed[0] - packed[1]) / (0.001 * top)  # real gas: more goes with a pascal than p V / T says
    emptied = 0.005 * TEST_KPA * 1e3 / 86400 * 293.15 / 295.15 * steeper  # Pa m3/s at 20 C that lets all of it out
    return lambda world: density(reading, float(sum(FLOW[state] for state in world)), 0.01, emptied)


def errors(finding: Finding, right: dict[World, float]) -> list[float]:
    """Of every site's P(leak), and the evidence's relative one."""
    belief = Belief(told(three_bends(), finding))
    assert belief.exact
    found_so = [belief.leak_probability[name] - leaks(right, place) for place, name in enumerate(SITES)]
    evidence = math.expm1(belief.posterior.log_evidence - math.log(sum(right.values())))
    return [*(abs(error) for error in found_so), abs(evidence)]


# holds against all worlds


@pytest.mark.parametrize("end_kpa", [1203.0, 1199.0, 1190.0, 1170.0, 1150.0])
def test_a_hold_equals_the_direct_sum_over_worlds_within_its_grid(
    end_kpa: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shipped: one in a hundred at most on a probability, three on the evidence, with one size a decade the worst case.

    With eight times the cells the error is less than a tenth, or below 1e-5.
    """
    right = weighed_worlds(priors(three_bends(), *SITES), hold_by_hand(end_kpa))
    finding = held(three_bends(), end_kpa)
    shipped = errors(finding, right)
    monkeypatch.setattr(flows, "CELLS_PER_ERROR", 8 * flows.CELLS_PER_ERROR)
    monkeypatch.setattr(flows, "MOST_CELLS", 8 * flows.MOST_CELLS)
    fine = errors(finding, right)
    assert max(shipped[:3]) < 0.01
    assert shipped[3] < 0.03
    assert max(fine[:3]) < max(1e-5, 0.1 * max(shipped[:3]))
    assert fine[3] < max(1e-5, 0.1 * shipped[3])


@pytest.mark.parametrize("end_kpa", [1598.0, 1580.0, 1560.0])
def test_a_finer_grid_moves_no_site_of_a_shipped_system(end_kpa: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """With all sizes there, by less than two in a thousand."""
    job = shipped_job("ducted_split", rating_low_kpa=3000.0, rating_high_kpa=4000.0)
    condition = Condition("nitrogen", "still", 24.0, 22.0, test_kpa=1600.0)
    job = told(job, held(job, end_kpa, condition, start_kpa=1600.0))
    shipped = Belief(job).matters_probability
    monkeypatch.setattr(flows, "CELLS_PER_ERROR", 8)
    monkeypatch.setattr(flows, "MOST_CELLS", 192)
    assert Belief(job).matters_probability == pytest.approx(shipped, abs=2e-3)


@pytest.mark.parametrize(("system", "kg", "end_kpa"), [("ductless_split", 0.08, 1590.0), ("ducted_split", 0.8, 1598.0)])
def test_finer_grids_of_a_loss_and_a_hold_side_by_side_move_no_site(
    system: str, kg: float, end_kpa: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By half a hundredth; with more than twice the cells of one and thrice those of the other."""
    job = shipped_job(system, loss={"kg": kg, "years": 2.0}, rating_low_kpa=3000.0, rating_high_kpa=4000.0)
    condition = Condition("nitrogen", "still", 24.0, 22.0, test_kpa=1600.0)
    job = told(job, held(job, end_kpa, condition, start_kpa=1600.0))
    shipped = Belief(job).matters_probability
    monkeypatch.setattr(loss, "CELLS_BESIDE_FLOWS", 4.5)
    monkeypatch.setattr(flows, "CELLS_BESIDE_LOSS", 6)
    fine = Belief(job)
    assert isinstance(fine.posterior, Posterior)  # draws would be too coarse to compare with
    assert fine.matters_probability == pytest.approx(shipped, abs=5e-3)


def test_a_hold_of_an_isolation_counts_its_sites_only() -> None:
    """Half the volume: the same drop is half the flow; the hot gas is not in it."""
    job = three_bends()
    belief = Belief(told(job, held(job, 1150.0, LOW_SIDE, "low_side")))
    assert belief.leak_probability["three"] == pytest.approx(chance(job, "three"), abs=1e-12)
    plain = told(job, held(job, 1150.0, LOW_SIDE, "low_side", volume_l=2.5))
    assert Belief(plain).leak_probability == pytest.approx(belief.leak_probability, abs=1e-12)
    assert belief.leak_probability["one"] > 10 * chance(job, "one")


def test_a_hold_told_in_words_is_weaker_than_its_reading() -> None:
    job = three_bends()
    words = Belief(told(job, found("hold_day", "whole", "fell", NITROGEN)))
    clear = Belief(told(job, held(job, 1170.0)))
    assert chance(job, "one") < words.leak_probability["one"]
    assert words.any_leak < clear.any_leak


def test_the_words_forecast_add_up_to_one() -> None:
    job = three_bends()
    belief = Belief(job)
    test = belief.flows.test(CATALOGUE.methods["hold_day"], "whole", NITROGEN)
    after = [solve(belief.model.observing(Observation(test, number))).log_evidence for number in (0, 1)]
    assert sum(math.exp(value) for value in after) == pytest.approx(1.0, abs=1e-9)


def test_the_noise_of_the_gauge_counts_once_however_many_places_there_are() -> None:
    """By hand: a tight system falls as often as the gauge errs, Phi(-limit / error); a leak, as its flow says."""
    job = three_bends()
    test = Belief(job).flows.test(CATALOGUE.methods["hold_day"], "whole", NITROGEN)
    planned = planned_error(job, CATALOGUE.methods["hold_day"], "whole", NITROGEN)
    quiet, alone = float(test.background[0]), test.emit["one"].values[..., 0]
    assert quiet == pytest.approx(1 - 0.5 * math.erfc(planned.limit / planned.error / math.sqrt(2)), rel=1e-12)
    assert all(table.values[0, 0] == 1.0 for table in test.emit.values())
    for state, flow in enumerate(FLOW):
        sd = math.hypot(planned.error, planned.relative * flow)
        above = 0.5 * math.erfc((planned.limit - flow) / sd / math.sqrt(2))
        assert quiet * alone[state] == pytest.approx(1 - above, rel=1e-9)


# what a hold means


def small_leak_at_one() -> Job:
    """Slow foam twice and an answer of the probe: a leak for sure, and no large one."""
    return told(
        three_bends(),
        found("probe_point", "one", "response"),
        found("bubbles", "one", "slow_foam"),
        found("bubbles", "one", "slow_foam"),
    )


def large_leak_at_one() -> Job:
    return told(three_bends(), found("probe_point", "one", "response"), *[found("bubbles", "one", "fast_bubbles")] * 2)


def test_a_drop_that_contradicts_the_confirmed_leak_raises_the_chance_of_another() -> None:
    """1,170 kPa after a day from 5 l: 1.8e-3 Pa m3/s, as the largest size loses; the middle one loses a tenth."""
    job = small_leak_at_one()
    belief = Belief(job)
    assert belief.confirmed() == ("one",)
    fell, tight = (Belief(told(job, held(job, end))) for end in (1170.0, 1199.0))
    before = belief.any_that_matters({"one"})
    assert fell.any_that_matters({"one"}) > 5 * before
    assert tight.any_that_matters({"one"}) < before


def test_a_drop_that_the_confirmed_leak_explains_raises_no_other() -> None:
    job = large_leak_at_one()
    assert Belief(job).confirmed() == ("one",)
    fell = Belief(told(job, held(job, 1170.0)))
    assert fell.any_that_matters({"one"}) < 1.1 * Belief(job).any_that_matters({"one"})


def test_why_tells_of_the_hold_and_what_it_did() -> None:
    job = told(small_leak_at_one(), held(three_bends(), 1170.0))
    before, last = explain(job, "two").steps[-2:]
    assert "hold" in last.what
    assert "fell" in last.what
    assert "nitrogen at 1,200 kPa" in last.what
    assert last.probability > 5 * before.probability
    assert last.probability == pytest.approx(Belief(job).matters_probability["two"], abs=1e-12)
    right = (last.probability / (1 - last.probability)) / (before.probability / (1 - before.probability))
    assert last.odds_ratio == pytest.approx(right, rel=1e-9)


def test_a_tight_hold_of_an_isolation_lowers_its_units_and_raises_the_others() -> None:
    """Something is missing from the charge: what did not go here went there."""
    job = three_bends(loss={"kg": 0.5, "years": 2.0}, first_charge_weighed=True)
    before, after = Belief(job), Belief(told(job, held(job, 1199.0, LOW_SIDE, "low_side")))
    for unit in ("one", "two"):
        assert after.unit_probability[unit] < 0.9 * before.unit_probability[unit]
    assert after.unit_probability["three"] > 1.05 * before.unit_probability["three"]


def test_a_tight_hold_says_nothing_of_leaks_below_what_it_can_see() -> None:
    """1e-7 lets 1.8e-5 Pa m3/s pass, a twentieth of the hold's error."""
    job = three_bends()
    states = [Belief(j).posterior.marginal("one") for j in (job, told(job, held(job, 1200.0)))]
    assert states[1][1] / states[1][0] == pytest.approx(states[0][1] / states[0][0], rel=0.02)
    assert states[1][3] < 0.1 * states[0][3]


def test_a_longer_hold_sees_more() -> None:
    """The same gauge over four days: a quarter of the flow, and of its error but for the weather."""
    job = three_bends()
    middle = [Belief(told(job, held(job, 1200.0, hours=hours))).posterior.marginal("one")[2] for hours in (24.0, 96.0)]
    assert middle[1] < 0.95 * middle[0]


# a vacuum's rise


def rise_by_hand(end_pa: float, **middle: float) -> Callable[[World], float]:
    reading = RiseReading(start_pa=66.7, end_pa=end_pa, minutes=25.0, temperature_c=22.0, volume_l=5.0, **middle)
    return lambda world: float(rise_likelihood(reading, [sum(AIR_IN[state] for state in world)])[0])


LEVELS = {"middle_pa": 105.0, "middle_minutes": 8.0}
CLIMBS = {"middle_pa": 80.0, "middle_minutes": 8.0}


@pytest.mark.parametrize("middle", [{}, LEVELS, CLIMBS])
def test_a_rise_equals_the_direct_sum_over_worlds(middle: dict[str, float], monkeypatch: pytest.MonkeyPatch) -> None:
    """A standard leak lets air into a vacuum at its own size; the density is the physics', moisture within."""
    monkeypatch.setattr(flows, "CELLS_PER_ERROR", 32)
    monkeypatch.setattr(flows, "MOST_CELLS", 1000)
    monkeypatch.setattr(flows, "ERRORS_BEYOND", 15)  # so that it holds the sum of all three
    job = three_bends(LARGER)
    right = weighed_worlds(priors(job, *SITES), rise_by_hand(110.0, **middle))
    finding = rose(job, 110.0, **middle)
    belief = Belief(told(job, finding))
    for place, name in enumerate(SITES):
        assert belief.leak_probability[name] == pytest.approx(leaks(right, place), rel=5e-3)


def test_a_middle_reading_that_levels_speaks_for_moisture(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that climbs evenly says no more than the end alone: slow drying of two hours climbs as evenly as a leak."""
    job = three_bends(LARGER)

    def after_rise() -> list[float]:
        return [Belief(told(job, rose(job, 110.0, **middle))).any_leak for middle in ({}, LEVELS, CLIMBS)]

    alone, levels, climbs = after_rise()
    assert Belief(job).any_leak < alone
    assert levels < 0.7 * min(alone, climbs)
    assert climbs == pytest.approx(alone, rel=0.1)
    monkeypatch.setattr(flows, "CELLS_PER_ERROR", 8 * flows.CELLS_PER_ERROR)
    monkeypatch.setattr(flows, "MOST_CELLS", 8 * flows.MOST_CELLS)
    assert [alone, levels, climbs] == pytest.approx(after_rise(), rel=0.03)


def test_a_vacuum_that_stands_lowers_the_chance_of_a_leak() -> None:
    job = three_bends(LARGER)
    finding = rose(job, 70.0)
    assert finding.outcome == "held"
    assert Belief(told(job, finding)).any_leak < Belief(job).any_leak


# gas under a shroud

STANDING_FLOW = vapour_grams(SIZES, 22.0) / YEAR_G / FLUID.molar_mass * 8.314462618 * 293.15  # Pa m3/s at 20 C


def gather_by_hand(ppm: float) -> Callable[[World], float]:
    """All three bends are in the zone; each adds its flow unless it hides, as from a probe."""
    reading = gather_statistics(
        GatherReading(
            volume_l=60.0,
            minutes=30.0,
            temperature_c=24.0,
            resolution_ppm=1.0,
            relative_error=0.2,
            escape=2.0,
            start_ppm=0.0,
            end_ppm=ppm,
        )
    )
    hidden = unreachable(CATALOGUE.methods["probe_point"], "return_bend")
    kept = -math.expm1(-1.0)  # of one exchange of air within the half hour
    full = 0.06 * 101325 * 0.02 / 1800 / kept * 293.15 / 297.15  # Pa m3/s at 20 C that make 20,000 ppm

    def likelihood(world: World) -> float:
        total = 0.0
        for out in np.ndindex(2, 2, 2):
            weight = math.prod(hidden if one else 1 - hidden for one in out)
            flow = sum(STANDING_FLOW[state] for state, one in zip(world, out, strict=True) if not one)
            total += weight * density(reading, float(flow), 0.02, full)
        return total

    return likelihood


@pytest.mark.parametrize("ppm", [0.0, 5.0, 100.0])
def test_gas_under_a_shroud_equals_the_direct_sum_over_worlds(ppm: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flows, "CELLS_PER_ERROR", 64)
    monkeypatch.setattr(flows, "MOST_CELLS", 3000)
    monkeypatch.setattr(flows, "ERRORS_BEYOND", 15)  # so that a leak far above what was read is not taken for its end
    job = three_bends()
    right = weighed_worlds(priors(job, *SITES), gather_by_hand(ppm))
    belief = Belief(told(job, gathered(job, ppm)))
    for place, name in enumerate(SITES):
        assert belief.leak_probability[name] == pytest.approx(leaks(right, place), rel=0.01, abs=1e-4)


def test_more_gas_speaks_for_a_larger_leak() -> None:
    job = three_bends()
    nothing, some = (Belief(told(job, gathered(job, ppm))) for ppm in (0.0, 100.0))
    assert nothing.any_leak < Belief(job).any_leak < some.any_leak
    assert some.expected_g_per_year["one"] > 3 * Belief(job).expected_g_per_year["one"]


def test_a_shroud_does_not_bring_back_what_hides_from_the_probe() -> None:
    """Silence of the probe first: then nothing gathered says less of what hides."""
    job = three_bends()
    silent = told(job, *[found("probe_point", "one", "silent")] * 5)
    after = Belief(told(silent, gathered(silent, 0.0)))
    hidden = unreachable(CATALOGUE.methods["probe_point"], "return_bend")
    assert after.leak_probability["one"] > 0.9 * hidden * chance(job, "one")

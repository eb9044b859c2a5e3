"""Readings of gauge, meter and scale, against the densities that the physics has for them.

If readings come from a density, the density's distribution function of them is even from 0 to 1 (probability integral
transform, Rosenblatt 1952, from memory). Evenness is judged by Kolmogorov and Smirnov's statistic (scipy) at a false
alarm of 0.001 for each test; seeds are the worlds' names.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from msgspec import structs
from numpy.typing import NDArray
from scipy import stats

from leakinfer.circuit.conditions import Condition
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding
from leakinfer.job.later import Return
from leakinfer.job.tightness import gather_reading, hold_reading, rise_reading
from leakinfer.physics.gather import HIGHEST_PPM, gather_likelihood
from leakinfer.physics.hold import hold_likelihood, hold_statistics
from leakinfer.physics.properties import load_properties
from leakinfer.physics.vacuum import rise_likelihood
from leakinfer.planner.model import Candidate
from leakinfer.study.world.lots import Lots
from leakinfer.study.world.population import load_study
from leakinfer.study.world.readings import Instruments
from tests.job.worlds import nitrogen_flow
from tests.study.world.made import CATALOGUE, NITROGEN, STANDING, candidate, prior, size, world

Array = NDArray[np.float64]
JOB = prior().job
COUNT = 800
WIDE = size(2e-4)
LEAST_P = 0.001
VACUUM = Condition("vacuum", "still", 24.0, 22.0)
USUAL = structs.replace(load_study().reading, hold_change_k=0.0, middle_share=0.0)  # one number in each reading
HOLD = candidate("hold_hour", "whole", NITROGEN)
INSIDE = structs.replace(NITROGEN, sections=("liquid", "suction"))


def read(test: Candidate, leaks: dict[str, list[int]], number: int, missing_g: float = 0.0) -> Finding:
    """What the technician writes down in one world."""
    made = Instruments(world(leaks, number, missing_g=missing_g).answers, USUAL)
    take = made.weight if CATALOGUE.methods[test.method].kind == "total" else made.tightness
    return take(JOB, test, Lots(f"reading {number}").generator())


def even(values: Array, grid: Array, density: Array) -> float:
    """P of Kolmogorov and Smirnov that values come from a density on a grid, cut off at the grid's ends."""
    mass = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(grid))])
    return float(stats.kstest(np.interp(values, grid, mass / mass[-1]), "uniform").pvalue)


@pytest.mark.parametrize(("copies", "kpa"), [(0, 1500.0), (2, 1500.0), (0, 200.0)])
def test_holds_scatter_as_the_physics_takes_it(copies: int, kpa: float) -> None:
    # tight at 1,500 kPa the thermometer's error counts most, at 200 kPa the gauge's; with two wide holes the volume's
    nitrogen, told = load_properties().fluid("nitrogen"), structs.replace(NITROGEN, test_kpa=kpa)
    flow = copies * float(nitrogen_flow(prior().rates.sizes[WIDE - 1 :][:1], kpa)[1])
    test, leaks = candidate("hold_hour", "whole", told), {"bends": [WIDE] * copies} if copies else {}
    holds = [hold for number in range(COUNT // 2) if (hold := read(test, leaks, number).hold) is not None]
    assert len(holds) == COUNT // 2
    one = hold_reading(JOB, Finding("hold_hour", "whole", "held", told), holds[0])
    grid = kpa + np.linspace(-300, 45, 500) if copies else kpa + np.linspace(-45, 45, 300)
    flows = np.array([hold_statistics(structs.replace(one, end_kpa=end), nitrogen).flow for end in grid])
    density = np.array([hold_likelihood(structs.replace(one, end_kpa=end), [flow], nitrogen)[0] for end in grid])
    shown = np.array([hold.end_kpa for hold in holds])
    assert even(shown[shown > grid[0]], grid, density * np.abs(np.gradient(flows, grid))) > LEAST_P


def test_a_hold_of_a_part_takes_in_that_part_alone() -> None:
    # the same hole shows in the part that it is in, not in the other
    test = Candidate("hold_hour", "inside", INSIDE, None)
    outside = Candidate("hold_hour", "outside", structs.replace(NITROGEN, sections=("hot_gas",)), None)
    leaks = {"outlet_joint": [WIDE]}
    inside_words = [read(test, leaks, number).outcome for number in range(60)]
    outside_words = [read(outside, leaks, number).outcome for number in range(60)]
    assert inside_words.count("fell") > 50
    assert outside_words.count("held") > 50


@pytest.mark.parametrize("copies", [0, 5])
def test_rises_scatter_as_the_physics_takes_it_with_moisture(copies: int) -> None:
    # with five wide holes the gauge's calibration counts most
    leaks = {"bends": [WIDE] * copies} if copies else {}
    flow = copies * prior().rates.sizes[WIDE - 1]  # a size is the flow of air into a vacuum
    test = candidate("vacuum_hold", "whole", VACUUM)
    rises = [rise for number in range(COUNT) if (rise := read(test, leaks, number).rise) is not None]
    assert len(rises) == COUNT
    told = rise_reading(JOB, Finding("vacuum_hold", "whole", "held", VACUUM), rises[0])
    assert told.middle_pa is None
    grid = np.concatenate([np.linspace(told.start_pa - 28, 3000, 900), np.geomspace(3001, 101_000, 300)])
    density = np.array([rise_likelihood(structs.replace(told, end_pa=pa), [flow])[0] for pa in grid])
    assert even(np.array([rise.end_pa for rise in rises]), grid, density) > LEAST_P


def test_a_rise_is_read_half_way_too() -> None:
    made = world({}, "half way")
    found = made.answer(JOB, candidate("vacuum_hold", "whole", VACUUM), 1.0)
    assert found.rise is not None
    assert found.rise.middle_minutes == pytest.approx(found.rise.minutes / 2)


@pytest.mark.parametrize("leak", [0.0, 1e-7])
def test_gathered_gas_scatters_as_the_physics_takes_it(leak: float) -> None:
    leaks = {"hot_joint": [size(leak)]} if leak else {}
    flow = float(prior().rates.throughput("hot_gas", STANDING)[size(leak)]) if leak else 0.0
    test = candidate("gather", "valves")
    method, site = CATALOGUE.methods["gather"], JOB.site("hot_joint")
    numbers = [n for n in range(2 * COUNT) if not world({}, n).answers.hides(method, site)]
    told = [found for n in numbers[:COUNT] if (found := read(test, leaks, n).gathered) is not None]
    assert len(told) > 0.99 * COUNT
    reading = gather_reading(JOB, Finding("gather", "valves", "gas", STANDING), told[0])
    grid = np.concatenate([np.linspace(3.0, 200.0, 4000), np.geomspace(200.1, HIGHEST_PPM, 800)])
    density = np.array([gather_likelihood(structs.replace(reading, end_ppm=ppm), [flow])[0] for ppm in grid])
    assert even(np.array([each.end_ppm for each in told]), grid, density) > LEAST_P


def test_a_hidden_site_gathers_nothing() -> None:
    method, site = CATALOGUE.methods["gather"], JOB.site("outlet_joint")
    hidden = [n for n in range(2000) if world({}, n).answers.hides(method, site)][:20]
    leaks = {"outlet_joint": [size(1e-5)]}
    flows = [Instruments(world(leaks, n).answers, USUAL).flow(method, candidate("gather", "coil_box")) for n in hidden]
    assert flows == [0.0] * 20


@pytest.mark.parametrize("missing_g", [0.0, 700.0])
def test_weights_scatter_by_scale_and_hoses_with_a_share_of_slips(missing_g: float) -> None:
    # by hand: normal around what is missing, 3 % of the charge and 40 g together, and 1 % even over the charge
    test, charge = candidate("weigh_charge", "whole"), JOB.facts.charge_kg * 1000
    weighed = [read(test, {}, number, missing_g) for number in range(COUNT)]
    kilos = np.array([found.reading_kg for found in weighed if found.reading_kg is not None])
    error, gross = math.hypot(0.03 * charge, 40.0), 0.01

    def below(missing: Array) -> Array:
        slips = np.clip(missing / charge, 0, 1)
        return np.asarray((1 - gross) * stats.norm.cdf(missing, missing_g, error) + gross * slips)

    assert stats.kstest(charge - 1000 * kilos, below).pvalue > LEAST_P
    words = {found.outcome for found in weighed}
    assert words <= {"as_charged", "low", "very_low"}
    assert ("very_low" in words) == (missing_g > 0 or any(kilos < 0.8 * charge / 1000))


def test_every_reading_is_one_that_a_job_takes() -> None:
    # check_readings refuses what no circuit can give, and words that the numbers do not mean
    tests: list[Callable[[], Candidate]] = [lambda: HOLD, lambda: Candidate("hold_day", "inside", INSIDE, None)]
    tests += [lambda: candidate("vacuum_hold", "whole", VACUUM), lambda: candidate("gather", "valves")]
    tests += [lambda: candidate("weigh_charge", "whole")]
    leaks: tuple[dict[str, list[int]], ...] = ({}, {"hot_joint": [size(3e-4), size(3e-4)], "bends": [size(3e-4)] * 3})
    for number in range(60):
        made = world(leaks[number % 2], number, missing_g=2000.0 * (number % 2))
        for test in tests:
            job = JOB.with_finding(made.answer(JOB, test(), 3.0))
            assert job.findings[-1].minutes == 3.0


def test_in_frost_a_vacuum_gives_words_only() -> None:
    frost = structs.replace(VACUUM, outdoor_c=-5.0)
    found = world({}, "frost").answer(JOB, candidate("vacuum_hold", "whole", frost), 1.0)
    assert found.rise is None
    assert found.outcome in ("held", "rose")
    JOB.with_finding(found)


def test_a_later_visit_is_refused() -> None:
    later = JOB.with_return(Return(1.0))
    with pytest.raises(InputError, match="one visit"):
        world({}, 0).answer(later, candidate("probe_point", "stem"), 1.0)

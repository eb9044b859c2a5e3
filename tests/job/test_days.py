"""Days on which a method does badly for a reason that all its tests share: wind, cold, low pressure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from leakinfer.circuit.conditions import Condition
from leakinfer.job.belief import Belief
from leakinfer.job.detection import DAY
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job

from .small import BREEZE, CATALOGUE, COIL, STANDING, WIND, chance, coarse, found, job_on, odds, site, system, told
from .worlds import World, detect, hidden_or_not, leaks, priors, unreachable, vapour_grams, weighed_worlds

Array = NDArray[np.float64]
Day = tuple[float, float]  # what divides the rate, what the chance to detect is multiplied with

PROBE = CATALOGUE.methods["probe_point"]
ALARM = 0.03
SIZES = np.array([1e-8, 1e-7, 1e-6])
HIDDEN = unreachable(PROBE, "return_bend")
COLD = Condition("standing", "still", 10.0, 22.0)  # below the 15 C that the method asks for
COLD_WIND = Condition("standing", "wind", 10.0, 22.0)
SATURATED_C = {STANDING: 22.0, BREEZE: 22.0, WIND: 22.0, COLD: 10.0, COLD_WIND: 10.0}
FINE: tuple[Day, ...] = ((1.0, 1.0),)
DAYS: dict[Condition, tuple[Day, ...]] = {
    STANDING: FINE,
    BREEZE: ((6.0**1.4, 1.0), (6.0**0.6, 1.0)),
    WIND: ((20.0**1.4, 1.0), (20.0**0.6, 1.0)),
    COLD: ((1.0, 0.1), (1.0, 0.5)),
    COLD_WIND: ((20.0**1.4, 0.1), (20.0**0.6, 0.5)),
}
TIED = (WIND, COLD, COLD_WIND)  # a breeze divides by less than ten and is taken on average


def two_bends(zone: str = "valves") -> Job:
    """Two bends with nothing in common but the air."""
    made = system(site("one", "return_bend", zone=zone), site("two", "return_bend", zone=zone))
    return job_on(made, coarse((1e-8, 1e-6)), age_years=30.0)


def miss(state: int, condition: Condition, day: Day) -> float:
    """P(silence | state, in reach) on one kind of day, without the false alarm."""
    grams = vapour_grams(SIZES, SATURATED_C[condition], condition.outdoor_c)
    return float(1 - detect(PROBE, PROBE.grades[0], grams / day[0], day[1])[state])


def outcome(quiet: float, silent: bool) -> float:
    """P(outcome) from P(no answer to the leak)."""
    return (1 - ALARM) * quiet if silent else 1 - (1 - ALARM) * quiet


def by_hand(job: Job, *seen: tuple[str, bool, Condition]) -> dict[World, float]:
    """All worlds of both bends and of the days; each condition has one day for all tests made in it."""
    met = [c for c in dict.fromkeys(c for _, _, c in seen) if c in TIED]

    def likelihood(world: World) -> float:
        return float(np.mean([_given(world, seen, dict(zip(met, days, strict=True))) for days in _all_days(met)]))

    return weighed_worlds(priors(job, "one", "two"), likelihood)


def _all_days(met: Sequence[Condition]) -> list[tuple[Day, ...]]:
    every: list[tuple[Day, ...]] = [()]
    for condition in met:
        every = [(*before, day) for before in every for day in DAYS[condition]]
    return every


def _given(world: World, seen: Sequence[tuple[str, bool, Condition]], days: dict[Condition, Day]) -> float:
    total = 1.0
    for place, name in enumerate(("one", "two")):
        reached, hidden = [], []
        for target, silent, condition in seen:
            if target == name:
                choice = (days[condition],) if condition in days else DAYS[condition]
                quiet = float(np.mean([miss(world[place], condition, day) for day in choice]))
                reached.append(outcome(quiet, silent))
                hidden.append(outcome(1.0, silent))
        total *= hidden_or_not(HIDDEN, reached, hidden) if reached else 1.0
    return total


def in_words(name: str, silent: bool, condition: Condition) -> Finding:
    return found("probe_point", name, "silent" if silent else "response", condition)


CASES: dict[str, tuple[tuple[str, bool, Condition], ...]] = {
    "both silent in wind": (("one", True, WIND), ("two", True, WIND)),
    "one silent twice in wind": (("one", True, WIND), ("one", True, WIND)),
    "an answer in wind, then silence": (("two", False, WIND), ("one", True, WIND)),
    "both silent in a breeze": (("one", True, BREEZE), ("two", True, BREEZE)),
    "one silent twice in a breeze": (("one", True, BREEZE), ("one", True, BREEZE)),
    "wind, then still air": (("one", True, WIND), ("one", True, STANDING), ("two", False, WIND)),
    "wind and a breeze": (("one", True, WIND), ("two", True, BREEZE)),
    "both silent in the cold": (("one", True, COLD), ("two", True, COLD)),
    "cold wind twice, and an answer": (("one", True, COLD_WIND), ("one", True, COLD_WIND), ("two", False, COLD_WIND)),
    "cold and wind are two days": (("one", True, COLD), ("one", True, WIND), ("two", True, COLD)),
    "both silent in still air": (("one", True, STANDING), ("two", True, STANDING)),
}


@pytest.mark.parametrize("name", CASES)
def test_two_sites_equal_the_sum_over_worlds_and_days(name: str) -> None:
    job = two_bends()
    belief = Belief(told(job, *(in_words(*seen) for seen in CASES[name])))
    right = by_hand(job, *CASES[name])
    assert belief.leak_probability["one"] == pytest.approx(leaks(right, 0), abs=1e-12)
    assert belief.leak_probability["two"] == pytest.approx(leaks(right, 1), abs=1e-12)
    assert belief.any_leak == pytest.approx(leaks(right, 0, 1), abs=1e-12)
    assert np.exp(belief.posterior.log_evidence) == pytest.approx(sum(right.values()), rel=1e-12)


# what that means


def move(job: Job, name: str, condition: Condition) -> float:
    """How a silence divides the odds of a leak."""
    return odds(chance(job, name)) / odds(chance(told(job, in_words(name, True, condition)), name))


@pytest.mark.parametrize("condition", TIED)
def test_a_second_silence_in_the_same_poor_air_says_less_than_an_independent_one(condition: Condition) -> None:
    """Independent: had the other silence not been; and, at one spot, with a day of its own for each."""
    job = two_bends()
    after = told(job, in_words("one", True, condition))
    assert 1 < move(after, "two", condition) < move(job, "two", condition)
    prior = priors(job, "one")[0]
    miss_twice = [
        HIDDEN + (1 - HIDDEN) * float(np.mean([miss(state, condition, day) for day in DAYS[condition]])) ** 2
        for state in range(4)
    ]
    own_days = float(prior[1:] @ miss_twice[1:]) / float(prior @ miss_twice)
    assert chance(told(job, *[in_words("one", True, condition)] * 2), "one") > own_days + 1e-6


@pytest.mark.parametrize("condition", [STANDING, BREEZE])
def test_silences_in_still_air_and_in_a_breeze_share_no_day(condition: Condition) -> None:
    job = two_bends()
    after = told(job, in_words("one", True, condition))
    assert move(after, "two", condition) == pytest.approx(move(job, "two", condition), rel=1e-12)
    assert not [switch for switch in Belief(after).model.switches if switch.name.startswith(DAY)]


def test_indoors_the_wind_is_still_air() -> None:
    job = two_bends(COIL)
    after = told(job, in_words("one", True, WIND), in_words("two", True, WIND))
    calm = told(job, in_words("one", True, STANDING), in_words("two", True, STANDING))
    assert Belief(after).leak_probability == pytest.approx(Belief(calm).leak_probability, abs=1e-12)


def test_under_a_shroud_the_wind_is_shut_out_and_gas_gathers_fourfold() -> None:
    """The rate times 4, in still air; the chance of each size by hand."""
    job = two_bends()
    shroud = Condition("standing", "wind", 24.0, 22.0, shroud=True)
    seen = 1 - detect(PROBE, PROBE.grades[0], 4 * vapour_grams(SIZES, 22.0))
    weights = priors(job, "one")[0] * (1 - ALARM) * (HIDDEN + (1 - HIDDEN) * seen)
    after = chance(told(job, in_words("one", True, shroud)), "one")
    assert after == pytest.approx(weights[1:].sum() / weights.sum(), abs=1e-12)


def test_a_day_that_nobody_met_is_no_part_of_the_belief() -> None:
    """The switch comes with the first finding in such air, and that finding alone says what it says on average."""
    job = two_bends()
    assert not [switch for switch in Belief(job).model.switches if switch.name.startswith(DAY)]
    one = told(job, in_words("one", True, WIND))
    assert [switch.name for switch in Belief(one).model.switches if switch.name.startswith(DAY)]
    average = [float(np.mean([miss(state, WIND, day) for day in DAYS[WIND]])) for state in range(4)]
    weights = priors(job, "one")[0] * (HIDDEN + (1 - HIDDEN) * np.array(average))
    assert chance(one, "one") == pytest.approx(weights[1:].sum() / weights.sum(), abs=1e-12)

"""Repeating a test on one spot says less each time: a spot that hides from a method hides from its repeats too."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest

from leakinfer.circuit.model import System
from leakinfer.job.belief import Belief
from leakinfer.job.detection import Detection
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired, Return

from .small import CATALOGUE, STANDING, chance, found, job_on, odds, site, spot, system, told

SILENT = found("probe_point", "drier", "silent")
LOOKS = [
    ("oil_look", "ground", "oil"),
    ("oil_point", "drier", "oil"),
    ("dye_look", "drier", "glow"),
    ("look", "drier:outdoor_steel", "present"),
]


def one_drier() -> System:
    return system(site("drier", "drier_suction"))


def watched() -> Job:
    """A drier that may rust and a joint, above ground that shows what drips."""
    drier = site("drier", "drier_suction", exposures=("outdoor_steel",))
    return job_on(system(drier, site("joint", "brazed_joint"), spots=(spot("ground", "drier", "joint"),)))


def after_silences(job: Job, times: int) -> float:
    return chance(told(job, *[SILENT] * times), "drier")


def by_closed_form(job: Job, times: int) -> float:
    """P(leak | n silences): the reach of the spot is drawn once, the misses of each size n times.

    Tight: (1 - f)^n. Size k: (1 - f)^n (u + (1 - u) (1 - d_k)^n).
    """
    belief = Belief(job)
    method = CATALOGUE.methods["probe_point"]
    hidden = method.techniques["drier_suction"].unreachable
    assert hidden is not None
    rate = belief.rates.g_per_year("suction", STANDING)[1:]  # nothing where a leak is closed while standing
    power, half = method.grades[0].slope, method.grades[0].rate50
    detect = (1 - method.lapse) * rate**power / (rate**power + half**power)
    prior = belief.posterior.marginal("drier")
    leaking = float(prior[1:] @ (hidden + (1 - hidden) * (1 - detect) ** times))
    return leaking / (float(prior[0]) + leaking)


@pytest.mark.parametrize("times", [1, 2, 3, 10])
def test_silences_of_one_spot_equal_the_closed_form(times: int) -> None:
    job = job_on(one_drier())
    assert after_silences(job, times) == pytest.approx(by_closed_form(job, times), abs=1e-12)


def test_each_silence_moves_the_odds_less_than_the_one_before() -> None:
    job = job_on(one_drier(), age_years=20.0)
    have = [odds(after_silences(job, times)) for times in range(5)]
    moves = [before / after for before, after in pairwise(have)]
    assert all(earlier > later > 1 for earlier, later in pairwise(moves))


def test_however_often_it_is_repeated_a_leak_stays_possible() -> None:
    """No less than what hides from the method for good."""
    job = job_on(one_drier())
    prior = chance(job, "drier")
    hidden = CATALOGUE.methods["probe_point"].techniques["drier_suction"].unreachable or 0.0
    assert after_silences(job, 40) > 0.9 * prior * hidden > 0


def test_a_repeat_elsewhere_is_not_weakened() -> None:
    made = system(site("one", "drier_suction"), site("two", "drier_suction", "hot_gas"))
    alone = chance(told(job_on(made), found("probe_point", "two", "silent")), "two")
    after = chance(
        told(job_on(made), found("probe_point", "one", "silent"), found("probe_point", "two", "silent")), "two"
    )
    assert after == pytest.approx(alone, abs=1e-12)


def test_a_spot_that_answered_once_is_not_hidden() -> None:
    """After a response the belief that the method reaches the spot has grown."""
    job = told(job_on(one_drier()), found("probe_point", "drier", "response"))
    before = CATALOGUE.methods["probe_point"].techniques["drier_suction"].unreachable
    assert before is not None
    assert Belief(job).posterior.switch("blind:probe_point:drier")[1] < 0.95 * before


def test_the_first_silence_is_the_same_with_and_without_a_shared_reach() -> None:
    job = job_on(one_drier())
    detection = Detection(job, Belief(job).rates)
    method, drier = CATALOGUE.methods["probe_point"], job.site("drier")
    shared, _ = detection.answer(method, drier, STANDING, repeated=True)
    alone, hidden = detection.answer(method, drier, STANDING, repeated=False)
    assert detection.blind_switch(method, drier).prior == pytest.approx([1 - hidden, hidden])
    assert shared.values[0] == pytest.approx(alone.values, abs=1e-15)
    assert np.all(shared.values[1, :, 0] == 1)


# looks at what stays as it is


@pytest.mark.parametrize(("method", "target", "outcome"), LOOKS)
def test_a_look_that_says_the_same_again_says_nothing(method: str, target: str, outcome: str) -> None:
    job = watched()
    for name in (outcome, CATALOGUE.methods[method].silent):
        once, often = told(job, found(method, target, name)), told(job, *[found(method, target, name)] * 4)
        assert chance(once, "drier") != pytest.approx(chance(job, "drier"), rel=1e-3)
        assert chance(often, "drier") == chance(once, "drier")


@pytest.mark.parametrize(("method", "target", "outcome"), LOOKS)
def test_another_answer_counts_for_itself_in_any_order(method: str, target: str, outcome: str) -> None:
    """A second "oil" after "no oil" adds nothing to the first; both together lie between the two."""
    silent = CATALOGUE.methods[method].silent
    looks = [found(method, target, name) for name in (outcome, silent, outcome)]
    told_so = {chance(told(watched(), *order), "drier") for order in permutations(looks)}
    assert max(told_so) - min(told_so) < 1e-12
    alone = [chance(told(watched(), look), "drier") for look in looks[:2]]
    low, high = sorted(alone)
    assert low < max(told_so) < high


def test_a_false_cause_counts_whichever_look_told_it() -> None:
    plain, stained = found("oil_look", "ground", "oil"), found("oil_look", "ground", "oil", false_causes=("old_oil",))
    right = chance(told(watched(), stained), "drier")
    for looks in ([plain, stained], [stained, plain], [stained, stained]):
        assert chance(told(watched(), *looks), "drier") == right
    assert right < chance(told(watched(), plain), "drier")


@pytest.mark.parametrize("how", ["repair", "return"])
def test_after_a_repair_or_a_return_a_look_is_new(how: str) -> None:
    look = found("oil_look", "ground", "oil")
    seen = told(watched(), look)
    later = seen.with_repair(Repaired("joint")) if how == "repair" else seen.with_return(Return(1.0))
    assert chance(told(later, look), "drier") > chance(later, "drier") + 0.01
    assert chance(told(later, look, look), "drier") == chance(told(later, look), "drier")


def test_a_probe_that_answers_again_says_more() -> None:
    """Its air may have changed, so only one that repeats counts (common practice, no source)."""
    again = found("probe_point", "drier", "response")
    assert chance(told(watched(), again, again), "drier") > chance(told(watched(), again), "drier")

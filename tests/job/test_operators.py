"""An operator of whom nobody has seen whether they find what is there: what they miss stays with them all day."""

from __future__ import annotations

import numpy as np
import pytest

from leakinfer.circuit.conditions import Condition
from leakinfer.job.belief import Belief
from leakinfer.job.detection import OPERATOR
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan

from .small import BREEZE, COIL, STANDING, WIND, chance, coarse, found, job_on, shipped_job, site, system, told
from .test_days import DAYS, HIDDEN, PROBE, SIZES, outcome
from .worlds import World, detect, hidden_or_not, leaks, priors, vapour_grams, weighed_worlds

OPERATORS = ((0.75, 0.93), (0.25, 0.35))  # share of operators, and of what is there how much they find: settings.toml
Seen = tuple[str, bool, Condition]


def two_bends(*, untried: bool = True) -> Job:
    """Two bends with nothing in common but who searches."""
    made = system(site("one", "return_bend"), site("two", "return_bend"))
    return job_on(made, coarse((1e-8, 1e-6)), age_years=30.0, untried_operator=untried)


def after(job: Job, *seen: Seen) -> Job:
    """The job with these answers of the probe."""
    answers = [found("probe_point", name, "silent" if silent else "response", where) for name, silent, where in seen]
    return told(job, *answers)


def miss(state: int, finds: float, condition: Condition) -> float:
    """P(silence | state, in reach) of an operator, without the false alarm, on average over days."""
    grams = vapour_grams(SIZES, 22.0, condition.outdoor_c)
    days = [detect(PROBE, PROBE.grades[0], grams / into, finds * factor)[state] for into, factor in DAYS[condition]]
    return float(1 - np.mean(days))


def by_hand(job: Job, *seen: Seen) -> dict[World, float]:
    """All worlds of both bends, of what hides them and of the operator."""

    def likelihood(world: World) -> float:
        return sum(share * _given(world, seen, finds) for share, finds in OPERATORS)

    return weighed_worlds(priors(job, "one", "two"), likelihood)


def _given(world: World, seen: tuple[Seen, ...], finds: float) -> float:
    total = 1.0
    for place, name in enumerate(("one", "two")):
        mine = [(silent, where) for target, silent, where in seen if target == name]
        reached = [outcome(miss(world[place], finds, where), silent) for silent, where in mine]
        hidden = [outcome(1.0, silent) for silent, _ in mine]
        total *= hidden_or_not(HIDDEN, reached, hidden) if mine else 1.0
    return total


CASES: dict[str, tuple[Seen, ...]] = {
    "one silence": (("one", True, STANDING),),
    "two silences at one bend": (("one", True, STANDING), ("one", True, STANDING)),
    "silent at one, then at the other": (("one", True, STANDING), ("two", True, STANDING)),
    "an answer and two silences": (("one", False, STANDING), ("two", True, STANDING), ("two", True, STANDING)),
    "in a breeze, which is taken on average": (("one", True, BREEZE), ("two", True, BREEZE)),
}


@pytest.mark.parametrize("name", CASES)
def test_two_bends_equal_the_sum_over_worlds_and_operators(name: str) -> None:
    job = two_bends()
    belief, right = Belief(after(job, *CASES[name])), by_hand(job, *CASES[name])
    assert belief.leak_probability["one"] == pytest.approx(leaks(right, 0), abs=1e-12)
    assert belief.leak_probability["two"] == pytest.approx(leaks(right, 1), abs=1e-12)
    assert np.exp(belief.posterior.log_evidence) == pytest.approx(sum(right.values()), rel=1e-12)


def test_a_second_silence_of_an_untried_operator_says_less_than_that_of_another_one() -> None:
    """Two silences at a bend, of one operator, and of two drawn apart: the latter from the sum over each on its own."""
    job = two_bends()
    prior = priors(job, "one")[0]
    misses = [sum(share * miss(state, finds, STANDING) for share, finds in OPERATORS) for state in range(4)]
    apart = prior * (HIDDEN + (1 - HIDDEN) * np.array(misses) ** 2)
    assert chance(after(job, *[("one", True, STANDING)] * 2), "one") > apart[1:].sum() / apart.sum() + 1e-6


def test_a_find_makes_the_silences_count_again() -> None:
    """Who answered where gas is found is likelier to be one who finds."""
    job = after(two_bends(), ("two", True, STANDING))
    assert chance(after(job, *[("one", False, STANDING)] * 2), "two") < chance(job, "two")


def test_the_operator_is_part_of_the_belief_only_where_they_are_untried_and_have_searched() -> None:
    tried, untried = two_bends(untried=False), two_bends()
    for job, there in ((tried, False), (untried, False), (after(tried, ("one", True, STANDING)), False)):
        assert (OPERATOR in {switch.name for switch in Belief(job).model.switches}) == there
    searched = Belief(after(untried, ("one", True, WIND)))
    assert OPERATOR in {switch.name for switch in searched.model.switches}


def test_before_the_first_test_an_answer_is_forecast_on_average() -> None:
    """P(response) of the first probe: the sum over operators, and what is told after it is its Bayes' rule."""
    job = two_bends()
    (test,) = (
        test
        for test in make_plan(Belief(job)).next
        if (test.candidate.method, test.candidate.target) == ("probe_point", "one")
        and test.candidate.condition.state == "standing"
    )
    after_it = Belief(after(job, ("one", True, STANDING)))
    assert test.outcomes["silent"] == pytest.approx(np.exp(after_it.posterior.log_evidence), rel=1e-9)


def test_whoever_is_untried_goes_on_for_longer() -> None:
    """All silent at the valves and at the coil: more is left, and going on is worth more."""
    silent = [found("probe_sweep", zone, "silent") for zone in ("service_valves", "indoor_coil_cabinet")]
    loss = {"kg": 0.5, "years": 2.0}
    known, unknown = (told(shipped_job("ducted_split", loss=loss, untried_operator=u), *silent) for u in (False, True))
    assert Belief(unknown).unit_probability["indoor_coil"] > Belief(known).unit_probability["indoor_coil"]


def test_the_coil_behind_a_panel_is_no_other_operator() -> None:
    """A silence in the closet lowers what the silences in the yard say: it is the same person."""
    made = system(site("one", "return_bend"), site("two", "return_bend", zone=COIL))
    job = job_on(made, coarse((1e-8, 1e-6)), age_years=30.0, untried_operator=True)
    alone = after(job, ("one", True, STANDING))
    both = after(alone, ("two", True, STANDING))
    assert chance(both, "one") > chance(alone, "one")

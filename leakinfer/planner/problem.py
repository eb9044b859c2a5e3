"""A job's next step as a decision: what is at stake in each repair unit, what each test costs and tells."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import State
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.candidates import possible
from leakinfer.planner.costs import minutes
from leakinfer.planner.decision import Choice, Problem
from leakinfer.planner.information import Score, Scorer
from leakinfer.planner.model import Candidate, Minutes
from leakinfer.planner.setups import Way, price, ways

Array = NDArray[np.float64]
Mode = tuple[State, bool]  # state of the system, and whether it heats


def make_problem(
    belief: Belief, candidates: Sequence[Candidate], scores: Sequence[Score], costs: Sequence[Minutes], *, consent: bool
) -> Problem:
    """The decision of a belief over the scored candidates."""
    job = belief.job
    units = {unit: number for number, unit in enumerate(belief.units)}
    modes = _modes(job, candidates)
    choices = tuple(
        Choice(
            spent.at_hand,
            modes[candidate.condition.state, candidate.condition.heating],
            tuple(units[unit] for unit in score.units),
            score.information.outcomes,
            score.leaking,
        )
        for candidate, score, spent in zip(candidates, scores, costs, strict=True)
    )
    risk = np.array(list(belief.unit_probability.values()))
    missed = np.full(risk.size, job.catalogue.numbers["missed_leak_minutes"])
    present = job.condition()
    change = _change(job, list(modes), consent=consent)
    return Problem(risk, missed, in_vain(belief), choices, change, modes[present.state, present.heating])


def in_vain(belief: Belief) -> Array:
    """(units,): minutes that a repair costs where nothing leaked: the work, and the charge out and in again."""
    job, numbers = belief.job, belief.job.catalogue.numbers

    def of_site(site: str) -> float:
        repair = job.catalogue.repairs[job.site(site).component]
        return repair.minutes + (numbers["open_and_close_minutes"] if repair.opens_circuit else 0.0)

    return np.array([max(of_site(site) for site in sites) for sites in belief.units.values()])


def _modes(job: Job, candidates: Sequence[Candidate]) -> dict[Mode, int]:
    """Numbers of all states of the system that matter, the present one among them."""
    present = job.condition()
    named = [(present.state, present.heating), *((c.condition.state, c.condition.heating) for c in candidates)]
    return {mode: number for number, mode in enumerate(dict.fromkeys(named))}


def _change(job: Job, modes: Sequence[Mode], *, consent: bool) -> Array:
    """(modes, modes): minutes of the cheapest way from one to another."""
    turn = price(job, job.catalogue.setups["start"])
    result = np.full((len(modes), len(modes)), np.inf)
    for row, (state, heating) in enumerate(modes):
        found: Mapping[State, Way] = ways(job, state, consent=consent)
        for column, (to, heats) in enumerate(modes):
            if state == to:
                result[row, column] = 0.0 if heating == heats else turn
            elif to in found:
                result[row, column] = found[to].minutes
    return result


def scored(belief: Belief, *, consent: bool = True) -> tuple[list[Candidate], list[Score], list[Minutes]]:
    """All candidates of a belief with what they tell and cost."""
    candidates, _ = possible(belief, consent=consent)
    there = ways(belief.job, consent=consent)
    return candidates, Scorer(belief).score(candidates), [minutes(belief.job, c, there) for c in candidates]


def looking_ahead(belief: Belief, candidates: Sequence[Candidate]) -> Callable[[int, int], Problem]:
    """The exact problem after a candidate's outcome; where that outcome cannot be, the problem as it stands."""

    def after(choice: int, outcome: int) -> Problem:
        chosen = candidates[choice]
        name = outcome_names(belief.job.catalogue.methods[chosen.method])[outcome]
        told = Finding(chosen.method, chosen.target, name, chosen.condition)
        try:
            later = Belief(belief.job.with_finding(told))
        except InputError:
            later = belief
        left, scores, costs = scored(later)
        return make_problem(later, left, scores, costs, consent=True)

    return after

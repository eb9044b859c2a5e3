"""A job's next step as a decision: what is at stake in each repair unit, what each test costs and tells."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import State
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.candidates import may_charge, possible_in
from leakinfer.planner.costs import minutes
from leakinfer.planner.decision import Choice, Problem
from leakinfer.planner.information import Score, Scorer
from leakinfer.planner.model import Candidate, Minutes, NotAllowed
from leakinfer.planner.setups import Way, price, ways

Array = NDArray[np.float64]
Mode = tuple[State, bool]  # state of the system, and whether it heats


@dataclass(frozen=True, eq=False)
class Doable:
    """The candidates that fit into the time that is left, with their minutes; the others with the reason; and the ways
    to the states of the system."""

    candidates: tuple[Candidate, ...]
    costs: tuple[Minutes, ...]
    refused: tuple[NotAllowed, ...]
    ways: dict[State, Way]


@dataclass(frozen=True, eq=False)
class Scored(Doable):
    """What can be done, with what each candidate tells."""

    scores: tuple[Score, ...]


def doable(job: Job, *, charging: bool, consent: bool = True) -> Doable:
    """All that can be done in a job. ``charging``: whether refrigerant may be charged; ``consent``: only what the
    customer has agreed to."""
    left = math.inf if job.facts.minutes_left is None else job.facts.minutes_left
    there = ways(job, consent=consent, charging=charging)
    every, refused = possible_in(job, charging=charging, consent=consent)
    candidates, costs = list[Candidate](), list[Minutes]()
    for candidate in every:
        spent = minutes(job, candidate, there)
        if spent.total > left:
            late = f"takes {spent.total:.0f} min, {left:.0f} are left"
            refused.append(NotAllowed(candidate.method, candidate.target, late))
        else:
            candidates.append(candidate)
            costs.append(spent)
    return Doable(tuple(candidates), tuple(costs), tuple(refused), there)


def scored(belief: Belief, *, consent: bool = True, found: Doable | None = None) -> Scored:
    """All candidates of a belief. ``consent``: only what the customer has agreed to. ``found``: what can be done, where
    that is known already."""
    found = found or doable(belief.job, charging=may_charge(belief), consent=consent)
    scores = Scorer(belief).score(found.candidates)
    return Scored(found.candidates, found.costs, found.refused, found.ways, tuple(scores))


def make_problem(belief: Belief, found: Scored, *, consent: bool, weight: float = 1.0) -> Problem:
    """The decision of a belief over the scored candidates. ``weight``: factor on the weight of a leak that is left."""
    job = belief.job
    units = {unit: number for number, unit in enumerate(belief.units)}
    modes = _modes(job, found.candidates)
    choices = tuple(
        Choice(
            spent.at_hand,
            modes[candidate.condition.state, candidate.condition.heating],
            tuple(units[unit] for unit in score.units),
            score.information.outcomes,
            score.leaking,
        )
        for candidate, score, spent in zip(found.candidates, found.scores, found.costs, strict=True)
    )
    risk = np.array(list(belief.unit_probability.values()))
    present = job.condition()
    change = _change(belief, list(modes), consent=consent)
    missed = weight * job.catalogue.numbers["missed_weight"] * left(belief)
    return Problem(risk, missed, in_vain(belief), choices, change, modes[present.state, present.heating])


def left(belief: Belief) -> Array:
    """(units,): price in minutes of a leak that is left there: a second visit, and more the faster it empties the
    system, by what a leak that matters there is expected to lose."""
    numbers, posterior = belief.job.catalogue.numbers, belief.posterior
    charge_g = belief.job.facts.charge_kg * 1000
    prices = []
    for items in belief.unit_items.values():
        lost, chance = 0.0, 0.0
        for name in items:
            origin = belief.origins[name]
            matter = posterior.marginal(name) * belief.masks[name]
            lost += origin.site.count * float(matter @ origin.by_state(belief.rates.year(origin.site.section)))
            chance += origin.site.count * float(matter.sum())
        share = min(lost / chance / charge_g, 1.0) if chance > 0 else 0.0
        prices.append(numbers["missed_leak_minutes"] + numbers["missed_charge_minutes"] * share)
    return np.array(prices)


def in_vain(belief: Belief) -> Array:
    """(units,): minutes that a repair costs where nothing leaked: the work, the charge out and in again, and the part
    where a whole unit is exchanged."""
    job, numbers = belief.job, belief.job.catalogue.numbers

    def of_site(site: str) -> float:
        repair = job.catalogue.repairs[job.site(site).component]
        return repair.minutes + (numbers["open_and_close_minutes"] if repair.opens_circuit else 0.0)

    whole = numbers["unit_exchange_minutes"]
    return np.array(
        [max(of_site(site) for site in sites) + whole * (len(sites) > 1) for sites in belief.units.values()]
    )


def _modes(job: Job, candidates: Sequence[Candidate]) -> dict[Mode, int]:
    """Numbers of all states of the system that matter, the present one among them."""
    present = job.condition()
    named = [(present.state, present.heating), *((c.condition.state, c.condition.heating) for c in candidates)]
    return {mode: number for number, mode in enumerate(dict.fromkeys(named))}


def _change(belief: Belief, modes: Sequence[Mode], *, consent: bool) -> Array:
    """(modes, modes): minutes of the cheapest way from one to another."""
    job, charging = belief.job, may_charge(belief)
    turn = price(job, job.catalogue.setups["start"])
    result = np.full((len(modes), len(modes)), np.inf)
    for row, (state, heating) in enumerate(modes):
        found: Mapping[State, Way] = ways(job, state, consent=consent, charging=charging)
        for column, (to, heats) in enumerate(modes):
            if state == to:
                result[row, column] = 0.0 if heating == heats else turn
            elif to in found:
                result[row, column] = found[to].minutes
    return result


def looking_ahead(
    belief: Belief, candidates: Sequence[Candidate], weight: float = 1.0
) -> Callable[[int, int], Problem]:
    """The exact problem after a candidate's outcome; where that outcome cannot be, the problem as it stands."""

    def after(choice: int, outcome: int) -> Problem:
        chosen = candidates[choice]
        name = outcome_names(belief.job.catalogue.methods[chosen.method])[outcome]
        told = Finding(chosen.method, chosen.target, name, chosen.condition)
        try:
            later = Belief(belief.job.with_finding(told))
        except InputError:
            later = belief
        return make_problem(later, scored(later), consent=True, weight=weight)

    return after

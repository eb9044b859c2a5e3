"""Whether the search may end: by the price of ending wrong against the minutes of going on."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.belief import Belief
from leakinfer.job.wording import percent
from leakinfer.planner.decision import Worth
from leakinfer.planner.model import Ranked, Stop
from leakinfer.planner.problem import in_vain, left


def least_saving(numbers: Mapping[str, float], at_stake: float) -> float:
    """Minutes that going on must be expected to save: what the forecast can tell of so much at stake."""
    return max(numbers["stop_saves_minutes"], numbers["stop_saves_share"] * at_stake)


def stopping(belief: Belief, ranked: Sequence[Ranked], worth: Worth) -> Stop:
    """The word on stopping: end when no test is expected to save more than it costs."""
    job, numbers = belief.job, belief.job.catalogue.numbers
    confirmed = belief.confirmed()
    sure = {job.site(site).unit for site in confirmed}
    likely = tuple(unit for unit in likely_units(belief) if unit not in sure)
    another = belief.any_that_matters({*sure, *likely})
    loses = belief.expected_g_per_year
    expected = sum(g for site, g in loses.items() if job.site(site).unit not in sure)
    readings = belief.deficit.readings
    suspects = [unit for unit, chance in belief.unit_probability.items() if chance >= numbers["prove_from"]]
    prove = _prove(belief, ranked, [unit for unit in suspects if unit not in sure])
    saves = worth.stop - min((test.cost for test in ranked), default=worth.stop)
    goes_on = saves > least_saving(numbers, worth.stop)
    stop, reason = _decided(belief, another, goes_on, (confirmed, likely), prove)
    return Stop(
        stop=stop,
        reason=reason,
        confirmed=confirmed,
        another=another,
        expected_g_per_year=expected,
        observed_g_per_year=max(readings[-1].missing_g, 0.0) / belief.deficit.years if readings else None,
        explained_g_per_year=sum(loses.values()) - expected,
        at_stake=worth.stop,
        cheapest=max(ranked, key=lambda test: test.bits_per_minute, default=None),
        worth=max(saves, 0.0),
        pays=goes_on,
        doubtful=doubtful(belief, {*sure, *likely}),
        likely=likely,
        prove=prove,
    )


def likely_units(belief: Belief) -> tuple[str, ...]:
    """Repair units as sure as a confirmed leak must be, confirmed or not."""
    least = belief.job.catalogue.numbers["confirmed_probability"]
    return tuple(unit for unit, chance in belief.unit_probability.items() if chance >= least)


def doubtful(belief: Belief, known: Collection[str]) -> tuple[str, ...]:
    """Repair units, not among the ``known``, that are dearer to leave than to repair, and not mere guesses.

    The price by which a search ends takes it that they are repaired.
    """
    least = belief.job.catalogue.numbers["doubtful_from"]
    chances = {unit: chance for unit, chance in belief.unit_probability.items() if chance >= least}
    if chances.keys() <= {*known, ELSEWHERE}:
        return ()
    prices = zip(belief.units, left(belief).tolist(), in_vain(belief).tolist(), strict=True)
    dearer = [u for u, missed, wrong in prices if u in chances and chances[u] * missed > (1 - chances[u]) * wrong]
    return tuple(unit for unit in dearer if unit not in known and unit != ELSEWHERE)


def _prove(belief: Belief, ranked: Sequence[Ranked], suspects: Sequence[str]) -> Ranked | None:
    """The pinpoint test in a suspect unit that promises a response soonest; none where it promises too little."""
    job = belief.job
    found = []
    for test in ranked:
        method = job.catalogue.methods[test.candidate.method]
        if method.pinpoint and method.kind == "point" and not test.repeat:
            answer = 1 - test.outcomes[method.silent]
            if job.site(test.candidate.target).unit in suspects and answer >= job.catalogue.numbers["prove_response"]:
                found.append((answer / test.minutes.total, test))
    if not found:
        return None
    proof = max(found, key=lambda pair: pair[0])[1]
    return replace(proof, reason=f"{proof.reason}; a response proves it")


def _decided(
    belief: Belief,
    another: float,
    goes_on: bool,
    found: tuple[tuple[str, ...], tuple[str, ...]],
    prove: Ranked | None,
) -> tuple[bool, str]:
    """Whether to stop, and the reason; what is likely is proved first where a test promises to."""
    confirmed, likely = found
    what = "another leak that matters" if confirmed or likely else "a leak that matters"
    told = [f"{len(confirmed)} confirmed"] * bool(confirmed) + [f"{len(likely)} likely"] * bool(likely)
    head = f"{', '.join(told)}; " if told else ""
    if goes_on:
        return False, f"{head}{percent(another)} for {what}: go on"
    if prove is not None:
        where = belief.job.target_name(prove.candidate.target)
        return False, f"{head}prove {where} before it is repaired, then done: {percent(another)} for {what}"
    return True, f"{head}{percent(another)} left for {what}: no test here is worth its minutes"

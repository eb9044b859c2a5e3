"""Whether the search may end: by the price of ending wrong against the minutes of going on."""

from __future__ import annotations

from collections.abc import Sequence

from leakinfer.job.belief import Belief
from leakinfer.planner.decision import Worth
from leakinfer.planner.model import Ranked, Stop


def stopping(belief: Belief, ranked: Sequence[Ranked], worth: Worth) -> Stop:
    """The word on stopping: end when no test is expected to save more than it costs."""
    job, numbers = belief.job, belief.job.catalogue.numbers
    confirmed = belief.confirmed()
    sure = {job.site(site).unit for site in confirmed}
    least = numbers["confirmed_probability"]
    likely = tuple(unit for unit, chance in belief.unit_probability.items() if chance >= least and unit not in sure)
    another = belief.any_that_matters({*sure, *likely})
    loses = belief.expected_g_per_year
    expected = sum(g for site, g in loses.items() if job.site(site).unit not in sure)
    readings = belief.deficit.readings
    suspects = [unit for unit, chance in belief.unit_probability.items() if chance >= numbers["prove_from"]]
    prove = _prove(belief, ranked, [unit for unit in suspects if unit not in sure])
    saves = worth.stop - min((test.cost for test in ranked), default=worth.stop)
    stop, reason = _decided(belief, another, saves, (confirmed, likely), prove)
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
        likely=likely,
        prove=prove,
    )


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
    return max(found, key=lambda pair: pair[0])[1] if found else None


def _decided(
    belief: Belief,
    another: float,
    saves: float,
    found: tuple[tuple[str, ...], tuple[str, ...]],
    prove: Ranked | None,
) -> tuple[bool, str]:
    """Whether to stop, and the reason; what is likely is proved first where a test promises to."""
    confirmed, likely = found
    what = "another leak that matters" if confirmed or likely else "a leak that matters"
    told = [f"{len(confirmed)} confirmed"] * bool(confirmed) + [f"{len(likely)} likely"] * bool(likely)
    head = f"{', '.join(told)}; " if told else ""
    if saves > belief.job.catalogue.numbers["stop_saves_minutes"]:
        return False, f"{head}{another:.0%} for {what}: go on"
    if prove is not None:
        where = belief.job.target_name(prove.candidate.target)
        return False, f"{head}prove {where} before it is repaired, then done: {another:.0%} for {what}"
    return True, f"{head}{another:.0%} left for {what}: no test here is worth its minutes"

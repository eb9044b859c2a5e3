"""Whether the search may end: by the risk that remains, or because no test is worth its minutes."""

from __future__ import annotations

from collections.abc import Sequence

from leakinfer.job.belief import Belief
from leakinfer.planner.model import Ranked, Stop


def stopping(belief: Belief, ranked: Sequence[Ranked]) -> Stop:
    """The word on stopping."""
    job, numbers = belief.job, belief.job.catalogue.numbers
    confirmed = belief.confirmed()
    sure = {job.site(site).unit for site in confirmed}
    least = numbers["confirmed_probability"]
    likely = tuple(unit for unit, chance in belief.unit_probability.items() if chance >= least and unit not in sure)
    another = belief.any_that_matters({*sure, *likely})
    expected = sum(g for site, g in belief.expected_g_per_year.items() if job.site(site).unit not in sure)
    best = max(ranked, key=lambda test: test.bits_per_minute, default=None)
    readings = belief.deficit.readings
    observed = max(readings[-1].missing_g, 0.0) / belief.deficit.years if readings else None
    prove = _prove(belief, ranked, likely)
    stop, reason = _decided(belief, another, best, (confirmed, likely), prove)
    return Stop(stop, reason, confirmed, another, expected, observed, best, likely, prove)


def _prove(belief: Belief, ranked: Sequence[Ranked], likely: tuple[str, ...]) -> Ranked | None:
    """The first pinpoint test in a likely unit that promises a response; the likeliest response counts."""
    job = belief.job
    found = []
    for test in ranked:
        method = job.catalogue.methods[test.candidate.method]
        if method.pinpoint and method.kind == "point" and not test.repeat:
            answer = 1 - test.outcomes[method.silent]
            if job.site(test.candidate.target).unit in likely and answer >= job.catalogue.numbers["prove_response"]:
                found.append((answer / test.minutes.total, test))
    return max(found, key=lambda pair: pair[0])[1] if found else None


def _decided(
    belief: Belief,
    another: float,
    best: Ranked | None,
    found: tuple[tuple[str, ...], tuple[str, ...]],
    prove: Ranked | None,
) -> tuple[bool, str]:
    """Whether to stop, and the reason; what is likely is proved first where a test promises to."""
    confirmed, likely = found
    numbers = belief.job.catalogue.numbers
    what = "another leak that matters" if confirmed or likely else "a leak that matters"
    told = [f"{len(confirmed)} confirmed"] * bool(confirmed) + [f"{len(likely)} likely"] * bool(likely)
    head = f"{', '.join(told)}; " if told else ""
    enough = another < numbers["stop_risk"]
    if enough and prove is not None:
        return False, f"{head}prove what is likely, then done: {another:.0%} for {what}"
    if enough:
        return True, f"{head}{another:.0%} left for {what}: below {numbers['stop_risk']:.0%}"
    if best is None:
        return True, f"{head}no test is possible here; {another:.0%} remains for {what}"
    if best.bits_per_minute < numbers["stop_bits_per_minute"]:
        return True, f"{head}no test here is worth its minutes; {another:.0%} remains for {what}"
    return False, f"{head}{another:.0%} for {what}: go on"

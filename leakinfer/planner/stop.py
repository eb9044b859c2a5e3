"""Whether the search may end: by the risk that remains, or because no test is worth its minutes."""

from __future__ import annotations

from collections.abc import Sequence

from leakinfer.job.belief import Belief
from leakinfer.planner.model import Ranked, Stop


def stopping(belief: Belief, ranked: Sequence[Ranked]) -> Stop:
    """The word on stopping."""
    job, numbers = belief.job, belief.job.catalogue.numbers
    confirmed = belief.confirmed()
    units = {job.site(site).unit for site in confirmed}
    another = belief.any_that_matters(units)
    expected = sum(g for site, g in belief.expected_g_per_year.items() if job.site(site).unit not in units)
    best = max(ranked, key=lambda test: test.bits_per_minute, default=None)
    readings = belief.deficit.readings
    observed = max(readings[-1].missing_g, 0.0) / belief.deficit.years if readings else None
    stop, reason = _decided(another, best, confirmed, numbers["stop_risk"], numbers["stop_bits_per_minute"])
    return Stop(stop, reason, confirmed, another, expected, observed, best)


def _decided(
    another: float, best: Ranked | None, confirmed: tuple[str, ...], risk: float, least: float
) -> tuple[bool, str]:
    if another < risk:
        found = f"{len(confirmed)} confirmed, " if confirmed else ""
        return True, f"{found}{another:.0%} left for another leak that matters: below {risk:.0%}"
    if best is None:
        return True, f"no test is possible here; {another:.0%} remains for another leak that matters"
    if best.bits_per_minute < least:
        return True, f"no test here is worth its minutes; {another:.0%} remains for another leak that matters"
    return False, f"{another:.0%} for another leak that matters: go on"

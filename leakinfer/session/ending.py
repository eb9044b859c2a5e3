"""What follows when the search ends here: what to repair, to replace, to prove first, to watch and to look up."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from leakinfer.catalogue.model import Repair
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.candidates import cautions
from leakinfer.planner.model import Stop

YEAR_DAYS = 365.25


@dataclass(frozen=True)
class Ending:
    """What to do when the search ends here.

    ``repair``: confirmed sites. ``replace``: likely units whose sites cannot be told apart. ``prove``: other likely
    units. ``unproved``: units to repair although they are not proved, since leaving them is dearer. ``watch_until``: by
    when the charge is weighed or looked at again, None where nothing is left to watch. ``unexplained_g_per_year``: loss
    seen that the confirmed leaks do not explain, None if none was seen.
    """

    word: str
    repair: tuple[str, ...]
    replace: tuple[str, ...]
    prove: tuple[str, ...]
    unproved: tuple[str, ...]
    watch_until: date | None
    unexplained_g_per_year: float | None


def ending(belief: Belief, stop: Stop, today: date) -> Ending:
    """What follows from the word on stopping.

    Example:
        >>> from leakinfer import Belief, Finding, Job, ending, load_catalogue, load_system, make_plan, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "my job"))
        >>> from datetime import date
        >>> told = Finding("bubbles", "liquid_valve_flare", "fast_bubbles", job.condition())
        >>> belief = Belief(job.with_finding(told))
        >>> end = ending(belief, make_plan(belief).stop, date(2026, 5, 1))
        >>> end.word, end.repair
        ('go on', ('liquid_valve_flare',))
    """
    alike = tuple(unit for unit in stop.likely if _one_part(belief, unit))
    lost = stop.observed_g_per_year
    left = None if lost is None else max(0.0, lost - stop.explained_g_per_year)
    watch = _recheck(belief, stop, left, today)
    if not stop.stop:
        word = "go on"
    elif stop.confirmed or stop.likely or stop.doubtful:
        word = "replace the unit" if alike and not stop.confirmed else "repair"
    else:
        word = "watch" if watch else "done"
    return Ending(
        word=word,
        repair=stop.confirmed,
        replace=alike,
        prove=tuple(unit for unit in stop.likely if unit not in alike),
        unproved=stop.doubtful,
        watch_until=watch,
        unexplained_g_per_year=left,
    )


def _one_part(belief: Belief, unit: str) -> bool:
    """Whether a likely unit is one part of several sites of which none stands out."""
    sites = belief.units[unit]
    sure = belief.job.catalogue.numbers["confirmed_probability"]
    return len(sites) > 1 and max(belief.matters_probability[site] for site in sites) < sure


def _recheck(belief: Belief, stop: Stop, left_g_per_year: float | None, today: date) -> date | None:
    """The day on which what is left would show on a scale: the expected loss has taken the share that counts as low."""
    numbers = belief.job.catalogue.numbers
    if stop.another < numbers["watch_least"] and not stop.likely:
        return None
    grams = max(stop.expected_g_per_year, left_g_per_year or 0.0)
    shows = numbers["charge_low"] * belief.job.facts.charge_kg * 1000
    longest = numbers["watch_longest_days"]
    days = longest if grams <= 0 else min(longest, shows / grams * YEAR_DAYS)
    return today + timedelta(days=max(1, round(days)))


def entries_of(job: Job, target: str) -> list[Repair]:
    """What the catalogue says of repairs of a site, or of each kind of part of a repair unit.

    Example:
        >>> from leakinfer import Job, load_catalogue, load_system, repairs_for, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {}, "my job"))
        >>> repair = repairs_for(job, "liquid_valve_flare")[0]
        >>> repair.component, repair.opens_circuit
        ('flare', True)
    """
    kinds = dict.fromkeys(site.component for site in job.sites if target in (site.id, site.unit))
    return [job.catalogue.repairs[kind] for kind in kinds]


def cautions_of(job: Job, entry: Repair) -> list[str]:
    """The cautions of a repair that apply to the job's refrigerant, those of fire first."""
    return list(cautions(job, entry.cautions))

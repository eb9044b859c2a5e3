"""Words of a report in the reader's units."""

from __future__ import annotations

from collections.abc import Iterable

from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.words.job import fact_rows, years_words
from leakinfer.words.units import Units


def day_words(when: str) -> str:
    """``2026-03-01 14:05`` of a moment in ISO 8601."""
    return when[:16].replace("T", " ")


def hundredths(share: float) -> str:
    """``46 in 100``, for readers who do not think in percent; never nothing and never all."""
    if share < 0.01:
        return "less than 1 in 100"
    return "more than 99 in 100" if share > 0.99 else f"{share * 100:.0f} in 100"


def joined(names: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def times_words(count: int, one: str, many: str) -> str:
    """``1 leak`` or ``3 leaks``."""
    return f"{count} {one if count == 1 else many}"


def facts_of(job: Job, units: Units) -> list[tuple[str, str]]:
    """The facts of a job, name and words, in the reader's units."""
    told = _in_units(job, units)
    return [(name, told.get(name, words)) for name, words in fact_rows(job)]


def _in_units(job: Job, units: Units) -> dict[str, str]:
    """Those facts that have a unit."""
    facts = job.facts
    weighed = ", weighed in" if facts.first_charge_weighed else ""
    told = {"charge": f"{units.mass_words(facts.charge_kg)} of {facts.refrigerant}{weighed}"}
    if (loss := facts.loss) is not None:
        yearly = units.rate_words(loss.kg * 1000 / loss.years)
        told["lost"] = f"{units.mass_words(loss.kg)} in {years_words(loss.years)}, about {yearly}"
    warmth = f"{units.temperature_words(facts.outdoor_c)} outdoors, {units.temperature_words(facts.indoor_c)} indoors"
    shut_in = f", in {job.target_name(facts.test_isolation)}" if facts.test_isolation else ""
    told["now"] = f"{units.condition_words(job.condition())}{shut_in}, {warmth}"
    told["gauges"] = ", ".join(["on" if facts.gauges else "off", *_sides(units, facts.high_kpa, facts.low_kpa)])
    told["rated"] = ", ".join(_sides(units, facts.rating_high_kpa, facts.rating_low_kpa))
    return told


def _sides(units: Units, high: float | None, low: float | None) -> list[str]:
    shown = {"high side": high, "low side": low}
    return [f"{side} {units.pressure_words(kpa)}" for side, kpa in shown.items() if kpa is not None]


def condition_of(job: Job, finding: Finding, units: Units) -> str:
    """The state of the system, the air at the place and the temperatures of a test."""
    if finding.earlier:
        return "before this job"
    method, told = job.catalogue.methods[finding.method], finding.condition
    if method.kind == "exposure":
        return ""
    if method.kind in ("total", "hold"):
        ends = f"{units.temperature_words(told.outdoor_c)} outdoors, {units.temperature_words(told.indoor_c)} indoors"
        return f"{units.condition_words(told).partition(', ')[0]}, {ends}"
    place = job.place_of(finding.method, finding.target)
    air = job.air_at(place, told) if place else told.air
    words = units.condition_words(told)
    if told.air != air:
        words = f"{words.rpartition(', ')[0]}, still air"
    warmth = told.indoor_c if place is None else job.temperature_at(place, told)
    return f"{words}, {units.temperature_words(warmth)}"

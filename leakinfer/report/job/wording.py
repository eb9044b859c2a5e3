"""Words of a report in the reader's units."""

from __future__ import annotations

from collections.abc import Iterable

from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
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

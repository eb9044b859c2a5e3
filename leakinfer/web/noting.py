"""What the last telling did, for the page that follows it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.verdicts import verdict_of
from leakinfer.job.why import surprise_words
from leakinfer.web.asked import Asked
from leakinfer.web.desk import Seen
from leakinfer.words.belief import movers, unit_name
from leakinfer.words.job import finding_words, said_again, verdict_words
from leakinfer.words.numbers import percent
from leakinfer.words.units import Units


@dataclass(frozen=True)
class Noted:
    """What the last telling did: in words, what moved, whether it was a surprise, what a reading means."""

    words: str
    moved: tuple[tuple[str, float, float], ...] = ()
    confirmed: tuple[str, ...] = ()
    surprise: str = ""
    verdict: str = ""
    causes: bool = False  # something else may have made it answer, and nothing was ticked


def tell(
    asked: Asked, kind: str, body: Callable[[Job], Mapping[str, Any]], note: Callable[[Seen, Seen], Noted]
) -> Seen:
    """Tell one event, once; ``note`` says what it did to the job before it, and is asked only where it is told now."""
    based_on = asked.form.number("last")
    before, seen = asked.desk.tell(asked.path["job"], kind, body, who=asked.who, based_on=based_on, token=asked.token)
    if seen is not before:
        seen.noted = note(before, seen)
    return seen


def noted(before: Seen, seen: Seen, units: Units) -> Noted:
    """What a finding, the last of the job, did to the belief."""
    job, old, new = seen.job, before.belief, seen.belief
    finding = job.findings[-1]
    method = job.catalogue.methods[finding.method]
    verdict = verdict_of(before.job, finding, new.rates.matters_g_per_year)
    answered = finding.outcome != method.silent
    return Noted(
        words=finding_words(job, finding, units),
        moved=tuple((unit_name(new, unit), was, now) for unit, was, now in movers(old, new, 3)),
        confirmed=tuple(job.target_name(site) for site in new.confirmed() if site not in old.confirmed()),
        surprise=_surprise(before.job, old, new, finding),
        verdict=said_again(job) if verdict is None else verdict_words(before.job, verdict, finding, units),
        causes=answered and bool(method.false_causes) and not finding.false_causes and not finding.earlier,
    )


def _surprise(job: Job, old: Belief, new: Belief, finding: Finding) -> str:
    """A word on a finding that was hardly expected; of a reading only its words can be, and they are not asked."""
    read = (finding.reading_kg, finding.hold, finding.rise, finding.gathered)
    if any(value is not None for value in read):
        return ""
    chance = math.exp(new.posterior.log_evidence - old.posterior.log_evidence)
    if chance >= job.catalogue.numbers["surprise_probability"]:
        return ""
    return f"This was given {percent(chance)}. {surprise_words(job, finding)}".strip()

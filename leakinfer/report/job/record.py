"""What a report on a job is made from, and what was found in that job."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from leakinfer.job.belief import Belief
from leakinfer.job.events import FINDING, REPAIR, RETURN
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan
from leakinfer.reading import checked
from leakinfer.session.ending import Ending, ending
from leakinfer.store import UNDO, Event
from leakinfer.words.history import Line, told_so_far
from leakinfer.words.job import part_words
from leakinfer.words.units import METRIC, Units


@dataclass(frozen=True)
class Leak:
    """A leak that was confirmed.

    ``chance`` that it leaks and ``g_per_year`` of all that leaks there: now, or just before it was repaired.
    ``shown_by``: the findings that speak for it. ``repaired``: the repair after which it no longer counts as confirmed.
    """

    site: str
    name: str
    chance: float
    g_per_year: float
    shown_by: tuple[Line, ...]
    repaired: Line | None = None


@dataclass(frozen=True)
class Record:
    """A job to report on.

    ``events``: all of its journal, also those taken back. ``today``: the day from which dates are reckoned.
    ``notices``: what a person should know of the priors. ``title``: what people call the job.
    """

    title: str
    belief: Belief
    plan: Plan
    events: tuple[Event, ...]
    today: date
    units: Units = METRIC
    notices: tuple[str, ...] = ()

    @property
    def job(self) -> Job:
        """The job as it stands."""
        return self.belief.job

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """The events that hold, in order, each with the job after it."""
        return told_so_far(self.events, self.job.catalogue, self.title)

    @property
    def taken_back(self) -> int:
        """How many events were taken back."""
        return sum(event.kind == UNDO for event in self.events)

    @cached_property
    def ending(self) -> Ending:
        """What follows if the search ends here."""
        return ending(self.belief, self.plan.stop, self.today)

    @cached_property
    def leaks(self) -> tuple[Leak, ...]:
        """Each place where a leak was confirmed, as it stands: those that were repaired first, in the order of repairs.

        A leak that was confirmed again after its repair is one that is there now.
        """
        now = {site: _leak(self.belief, site, _since_repair(site, self.lines)) for site in self.belief.confirmed()}
        done = {leak.site: leak for number, line in enumerate(self.lines) for leak in self._repaired_by(number, line)}
        return (*(leak for site, leak in done.items() if site not in now), *now.values())

    @cached_property
    def explained_g_per_year(self) -> float:
        """Of the loss that was seen last, what the leaks explain that were there at that time.

        The planner's figure, and what was repaired since the last visit began. g/yr.
        """
        began = max((line.event.number for line in self.lines if line.event.kind == RETURN), default=0)
        repaired = [leak for leak in self.leaks if leak.repaired is not None and leak.repaired.event.number > began]
        return self.plan.stop.explained_g_per_year + sum(leak.g_per_year for leak in repaired)

    def _repaired_by(self, number: int, line: Line) -> Iterable[Leak]:
        """The leaks that were confirmed when a repair began, at the places that it was made on."""
        if line.event.kind != REPAIR:
            return
        before = self.lines[number - 1].job
        touched = sites_of(before, str(line.event.body["target"]))
        belief = Belief(before)
        for site in belief.confirmed():
            if site in touched:
                yield _leak(belief, site, _since_repair(site, self.lines[:number]), line)


def sites_of(job: Job, target: str) -> tuple[str, ...]:
    """The sites of a repair's target: the site itself, or all of a repair unit."""
    return tuple(site.id for site in job.sites if target in (site.id, site.unit))


def finding_of(line: Line) -> Finding:
    """The finding that an event tells."""
    return checked(dict(line.event.body), Finding, where="finding")


def looked_at(line: Line) -> frozenset[str]:
    """The sites that a finding's test looks at; none where the place it was made at is not fitted."""
    finding, fitted = finding_of(line), {site.id for site in line.job.sites}
    method = line.job.catalogue.methods[finding.method]
    if method.kind == "point" and finding.target not in fitted:
        return frozenset()
    return frozenset(site.id for site in line.job.scope(method, finding.target))


def _since_repair(site: str, lines: Sequence[Line]) -> Sequence[Line]:
    """The lines after the last repair at a site."""
    repairs = [
        number
        for number, line in enumerate(lines, start=1)
        if line.event.kind == REPAIR and site in sites_of(line.job, str(line.event.body["target"]))
    ]
    return lines[repairs[-1] :] if repairs else lines


def _leak(belief: Belief, site: str, lines: Iterable[Line], repaired: Line | None = None) -> Leak:
    shown = tuple(line for line in lines if line.event.kind == FINDING and _speaks_for(line, site))
    chance, loss = belief.leak_probability[site], belief.expected_g_per_year[site]
    return Leak(site, part_words(belief.job, site), chance, loss, shown, repaired)


def _speaks_for(line: Line, site: str) -> bool:
    """Whether a finding answered at a test that looks at a site, and not at the whole circuit."""
    finding = finding_of(line)
    method = line.job.catalogue.methods[finding.method]
    answered = finding.outcome != method.silent and method.kind not in ("total", "hold")
    return answered and site in looked_at(line)

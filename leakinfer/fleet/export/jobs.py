"""Jobs as a history: what their journals tell, table by table.

A visit counts as a search of the whole system (``searched`` yes) where every fitted place was within a test that meets
gas: a sweep or a shroud of its zone, or a test of the place itself, at that visit. Whether the search may end is
another question: it may end on a leak that explains the loss while other places were never looked at, and a model that
took that for a search would learn that those places do not leak. All other visits are left empty, as the tests that a
person made and did not tell are unknown.

The record begins with the first visit, or on the day on which all of the system was last proved tight, if that was
told: what was done before is not on record.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

from leakinfer.circuit.model import ELSEWHERE, Site
from leakinfer.errors import InputError
from leakinfer.fleet.export.around import Seen, around_site
from leakinfer.fleet.export.leaks import Found, confirmed_leaks, held, loss_alone, part_name
from leakinfer.fleet.history.writing import NO, NOT_WRITTEN_DOWN, YES, Row, Tables, no_rows, number_text, row_of
from leakinfer.job.job import Job
from leakinfer.job.origins import visit_at

YEAR_DAYS = 365.25  # Julian year, IAU
LOOSE_DAYS, LOOSE_SHARE = (
    31,
    0.1,
)  # how far a told time between visits may be off ("6 months") before it overrules dates
MEETS_GAS = ("point", "sweep", "gather")


@dataclass(frozen=True)
class Attended:
    """A visit: the day, and who was there."""

    day: date
    technician: str = ""


@dataclass(frozen=True)
class JobRecord:
    """A job and its dates.

    ``system``: its name in the history. ``stages``: the job as it stood before each repair, before each later visit
    and at its end. ``visits``: the first visit and each return.
    """

    system: str
    stages: tuple[Job, ...]
    visits: tuple[Attended, ...]
    commissioned: date
    installer: str = NOT_WRITTEN_DOWN

    @property
    def job(self) -> Job:
        """The job at its end."""
        return self.stages[-1]

    def at_end_of(self, visit: int) -> Job:
        """The job at the end of a visit."""
        return [stage for stage in self.stages if len(stage.returns) == visit][-1]


@dataclass(frozen=True)
class Exported:
    """The rows of a job, and how many of its findings no row could be made of, by reason."""

    tables: Tables
    left_out: dict[str, int]


def visit_days(told: Sequence[date], years: Sequence[float]) -> tuple[date, ...]:
    """The day of each visit, from the days on which they were told and the (n - 1) times told between them.

    The days told stand, unless the time between two says otherwise by more than a month and a tenth of it, as where a
    history is typed in afterwards: then the earlier visit is dated back from the later one.
    """
    days = [told[-1]]
    for day, apart in zip(reversed(told[:-1]), reversed(years), strict=True):
        between = apart * YEAR_DAYS
        off = abs((days[0] - day).days - between)
        fits = day <= days[0] and off <= LOOSE_DAYS + LOOSE_SHARE * between
        days.insert(0, day if fits else days[0] - timedelta(round(between)))
    return tuple(days)


def before(day: date, years: float) -> date:
    """The day so many years before another."""
    return day - timedelta(days=round(years * YEAR_DAYS))


def job_tables(record: JobRecord) -> Exported:
    """A job as rows of all tables.

    Raises:
        InputError: it was commissioned after its first visit, or its evidence is impossible.
    """
    job, first = record.job, record.visits[0].day
    if record.commissioned > first:
        what = f"was commissioned on {record.commissioned}, after the first visit"
        raise InputError(what, where=record.system, allowed=f"{first} or earlier")
    found = confirmed_leaks(record.stages)
    tables = no_rows()
    tables["systems"].append(_system(record))
    seen = Seen.in_job(job, [record.at_end_of(visit) for visit in range(len(record.visits))])
    for site in job.sites:
        rows, dated = _site_rows(record, site, seen)
        tables["sites"] += rows
        tables["exposures"] += dated
    tables["visits"] += [_visit(record, number) for number in range(len(record.visits))]
    tables["leaks"] += [_leak(record, leak, found) for leak in found if not leak.old]
    tables["repairs"] += list(_repairs(record, found))
    tables["findings"] += list(_findings(record))
    return Exported(tables, _left_out(job, len(tables["findings"])))


def visit_name(visit: int) -> str:
    """What a visit is called, the first being 0."""
    return f"visit {visit + 1}"


def _system(record: JobRecord) -> Row:
    job, first = record.job, record.visits[0].day
    tight = job.facts.tight_years_ago
    begins = first if tight is None else max(before(first, tight), record.commissioned)
    return row_of(
        "systems",
        system=record.system,
        type=job.system.id,
        commissioned=record.commissioned.isoformat(),
        installer=record.installer,
        refrigerant=job.facts.refrigerant,
        charge_kg=number_text(job.facts.charge_kg),
        followed_from=begins.isoformat() if begins > record.commissioned else NOT_WRITTEN_DOWN,
        tight_then=NOT_WRITTEN_DOWN if tight is None else YES,
    )


def _visit(record: JobRecord, visit: int) -> Row:
    attended = record.visits[visit]
    return row_of(
        "visits",
        system=record.system,
        visit=visit_name(visit),
        date=attended.day.isoformat(),
        searched=YES if searched(record.at_end_of(visit), visit) else NOT_WRITTEN_DOWN,
        technician=attended.technician,
    )


def searched(job: Job, visit: int) -> bool:
    """Whether tests that meet gas took in every fitted place at a visit."""
    met: set[str] = set()
    for number, finding in job.standing_findings:
        method = job.catalogue.methods[finding.method]
        gas = method.kind in MEETS_GAS and not method.lasting
        if gas and not finding.earlier and visit_at(job, number) == visit:
            met.update(site.id for site in job.scope(method, finding.target))
    return all(site.id in met for site in job.sites if site.component != ELSEWHERE)


def _exchanges(job: Job, site: Site) -> list[int]:
    """The numbers of the repairs that put a new part there."""
    return [number for number, done in enumerate(job.repairs) if done.exchanged and done.target in (site.id, site.unit)]


def _site_rows(record: JobRecord, site: Site, seen: Seen) -> tuple[list[Row], list[Row]]:
    """A row for each part that stood at a site, and rows for circumstances that came or went there."""
    days = [attended.day for attended in record.visits]
    side = next(section.side for section in record.job.system.sections if section.id == site.section)
    changes = [record.job.repairs[number].visit for number in _exchanges(record.job, site)]
    last = len(record.visits) - 1
    rows, dated = [], []
    for number, (begin, end) in enumerate(pairwise([0, *changes, last])):
        name = part_name(site.id, number)
        columns, spells = around_site(seen, site, days, range(begin, end + 1))
        fitted = days[begin].isoformat() if number else NOT_WRITTEN_DOWN
        removed = days[end].isoformat() if number < len(changes) else NOT_WRITTEN_DOWN
        about = {"component": site.component, "count": str(site.count), "side": side}
        dates = {"fitted": fitted, "removed": removed}
        rows.append(row_of("sites", system=record.system, site=name, **about, **columns, **dates))
        dated += [row_of("exposures", system=record.system, site=name, **spell) for spell in spells]
    return rows, dated


def _leak(record: JobRecord, leak: Found, found: Sequence[Found]) -> Row:
    alone = sum(other.visit == leak.visit for other in found) == 1
    loss = loss_alone(leak) if alone else None
    return row_of(
        "leaks",
        system=record.system,
        visit=visit_name(leak.visit),
        site=leak.part,
        component=record.job.site(leak.site).component,
        confirmed=YES,
        loss_g_per_year=NOT_WRITTEN_DOWN if loss is None else number_text(loss),
    )


def _repairs(record: JobRecord, found: Sequence[Found]) -> Iterator[Row]:
    job = record.job
    for number, done in enumerate(job.repairs):
        for site in job.sites:
            if done.target in (site.id, site.unit):
                earlier = [one for one in _exchanges(job, site) if one < number]
                yield row_of(
                    "repairs",
                    system=record.system,
                    visit=visit_name(done.visit),
                    site=part_name(site.id, len(earlier)),
                    exchanged=YES if done.exchanged else NO,
                    held=held(job, number, site, found),
                )


def _findings(record: JobRecord) -> Iterator[Row]:
    """Tests of single places made during the job."""
    job = record.job
    for number, finding in job.standing_findings:
        if job.catalogue.methods[finding.method].kind == "point" and not finding.earlier:
            exchanges = _exchanges(job, job.site(finding.target))
            earlier = [one for one in exchanges if job.repairs[one].after <= number]
            yield row_of(
                "findings",
                system=record.system,
                visit=visit_name(visit_at(job, number)),
                site=part_name(finding.target, len(earlier)),
                method=finding.method,
                outcome=finding.outcome,
            )


def _left_out(job: Job, written: int) -> dict[str, int]:
    methods = job.catalogue.methods
    point = [finding for finding in job.findings if methods[finding.method].kind == "point"]
    made_before = sum(finding.earlier for finding in point)
    counts = {
        "tests of no single place": len(job.findings) - len(point),
        "tests made before the job": made_before,
        "tests of places struck out since": len(point) - made_before - written,
    }
    return {reason: count for reason, count in counts.items() if count}

"""All that a job was told, as rows: what was done, what came of it, and in which conditions."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from leakinfer.job.events import AIRED, BEGIN, FACTS, FINDING, REPAIR, RETURN, SITE, SKIP
from leakinfer.job.job import Job
from leakinfer.job.verdicts import verdict_of
from leakinfer.report.job.record import Record, finding_of
from leakinfer.report.job.wording import condition_of, day_words, times_words
from leakinfer.report.section import Section, Table
from leakinfer.words.history import Line
from leakinfer.words.job import (
    fact_rows,
    method_words,
    outcome_words,
    part_words,
    place_words,
    reading_words,
    return_words,
    test_words,
    verdict_words,
)

HEADS = ("No.", "When (UTC), who", "What was done", "What came of it", "In which conditions")


def told_section(record: Record) -> Section:
    """Every event that holds, in order."""
    lines = record.lines
    before = [lines[0].job, *(line.job for line in lines[:-1])]
    rows = tuple(_row(record, line, job) for line, job in zip(lines, before, strict=True))
    back = record.taken_back
    gone = f"Left out here, but kept in the job file: {times_words(back, 'entry', 'entries')} taken back."
    says = ("A place where nothing was detected is not proved tight: see what this report cannot say.",)
    table = Table("All that was told and found, in order", HEADS, rows, frozenset({1, 2, 3, 4}))
    return Section("told", "Findings", "What was done and found", (*says, *((gone,) if back else ())), tables=(table,))


def _row(record: Record, line: Line, before: Job) -> tuple[str, ...]:
    event = line.event
    when = f"{day_words(event.when)}, {event.who}" if event.who else day_words(event.when)
    return (str(event.number), when, *WORDS[event.kind](record, line, before))


Told = tuple[str, str, str]


def _begun(record: Record, line: Line, _: Job) -> Told:
    """The facts that a person would name first; the present ones have a section of their own."""
    first = ("system", "charge", "age", "proved tight", "lost", "now")
    facts = "; ".join(f"{name}: {words}" for name, words in fact_rows(line.job, record.units) if name in first)
    return "Job begun", facts, ""


def _facts(record: Record, line: Line, before: Job) -> Told:
    """Facts that are new; of those that are gone, their names."""
    old, new = fact_rows(before, record.units), fact_rows(line.job, record.units)
    told = [f"{name}: {words}" for name, words in new if (name, words) not in old]
    names = {name for name, _ in new}
    told += [f"no longer told: {name}, {words}" for name, words in old if name not in names]
    return "Facts", "; ".join(told) or "as they were", ""


def _finding(record: Record, line: Line, _: Job) -> Told:
    job, finding = line.job, finding_of(line)
    causes = {cause.id: cause.name for cause in job.catalogue.methods[finding.method].false_causes}
    told = [outcome_words(finding.outcome)]
    told += [reading_words(finding, record.units)]
    told += [f"also there: {causes[name]}" for name in finding.false_causes]
    words = ", ".join(part for part in told if part)
    verdict = verdict_of(job, finding, record.belief.rates.matters_g_per_year)
    meaning = "" if verdict is None else f". {verdict_words(job, verdict, finding, record.units)}"
    note = f" (note: {finding.note})" if finding.note else ""
    what = test_words(job, finding.method, finding.target)
    return what, f"{words}{meaning}{note}", condition_of(job, finding, record.units)


def _skip(_: Record, line: Line, __: Job) -> Told:
    body = line.event.body
    name = target_words(line.job, str(body["target"]))
    method = body.get("method")
    tests = method_words(line.job, str(method)) if method else "all tests"
    return f"Left out: {name}, {tests}", f"reason: {body['reason']}", ""


def target_words(job: Job, target: str) -> str:
    """A place, a site, a zone, a spot or a circumstance by its name."""
    places = {place.id for place in job.system.places}
    return place_words(job, target) if target in places else job.target_name(target)


def _site(_: Record, line: Line, __: Job) -> Told:
    body = line.event.body
    kind = line.job.catalogue.components[str(body["component"])].name
    return "Place added", f"{body['name']}, a {kind}", ""


def _repair(_: Record, line: Line, __: Job) -> Told:
    body = line.event.body
    what = "New part" if body.get("exchanged") else "Repaired"
    return f"{what}: {part_words(line.job, str(body['target']))}", str(body.get("note") or "done"), ""


def _return(record: Record, line: Line, _: Job) -> Told:
    return "Later visit", return_words(line.event.body, record.units), ""


def _aired(_: Record, line: Line, __: Job) -> Told:
    return f"Aired: {place_words(line.job, str(line.event.body['place']))}", "until the probe fell silent", ""


WORDS: Mapping[str, Callable[[Record, Line, Job], Told]] = {
    BEGIN: _begun,
    FACTS: _facts,
    FINDING: _finding,
    SKIP: _skip,
    SITE: _site,
    REPAIR: _repair,
    RETURN: _return,
    AIRED: _aired,
}

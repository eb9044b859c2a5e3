"""Sections on leaks: those that were found, what may still leak, and the repairs."""

from __future__ import annotations

from collections.abc import Iterable

from leakinfer.job.events import FINDING, REPAIR
from leakinfer.report.circuit.layout import known_marks
from leakinfer.report.circuit.states import Mark
from leakinfer.report.job.record import Leak, Record, finding_of, looked_at, sites_of
from leakinfer.report.job.wording import day_words, hundredths, times_words
from leakinfer.report.section import Section, Table
from leakinfer.report.wording import capital
from leakinfer.session.ending import entries_of
from leakinfer.words.history import Line
from leakinfer.words.job import LIKELY, method_words, outcome_words, part_words, place_words, repairs_of
from leakinfer.words.numbers import percent

LEAST_SHOWN = 0.01  # chance from which "no leak" has a row of its own


def found_section(record: Record) -> Section:
    """The leaks that were confirmed, with what shows each of them."""
    leaks = record.leaks
    heads = ("Place", "Where", "Shown by", "How sure that it leaks", "Loses about", "Now")
    rows = tuple(_leak_row(record, leak) for leak in leaks)
    least = percent(record.job.catalogue.numbers["confirmed_probability"])
    says = (
        f"A leak is confirmed where a test at the very spot answered and all findings make it at least {least} "
        "sure. The loss is what such a leak is expected to lose in a year; it is an estimate.",
    )
    if not rows:
        return Section("leaks", "Leaks found", "Leaks found", ("No leak is confirmed.", *says))
    table = Table("Confirmed leaks", heads, rows, frozenset({1, 2, 5}))
    return Section("leaks", "Leaks found", "Leaks found", says, tables=(table,))


def _leak_row(record: Record, leak: Leak) -> tuple[str, ...]:
    job = record.job
    fitted = {site.id: site for site in job.system.sites}
    now = "confirmed in spite of its repair" if leak.site in repairs_of(job) else "confirmed, not repaired"
    if leak.repaired is not None:
        now = f"repaired, no. {leak.repaired.event.number}"
    shown = "; ".join(f"no. {line.event.number}: {_evidence(line)}" for line in leak.shown_by)
    where = place_words(job, fitted[leak.site].place)
    return leak.name, where, shown, percent(leak.chance), record.units.rate_words(leak.g_per_year), now


def _evidence(line: Line) -> str:
    finding = finding_of(line)
    return f"{method_words(line.job, finding.method)}, {outcome_words(finding.outcome)}"


def remains_section(record: Record) -> Section:
    """What may leak, likeliest first, with the numbers of the drawing."""
    stop, belief, units = record.plan.stop, record.belief, record.units
    marks = known_marks(belief, units)
    rows = [_mark_row(record, mark) for mark in marks]
    marked = {site for mark in marks for site in mark.sites}
    others = [site.id for site in record.job.sites if site.id not in marked]
    if others:
        loss = sum(belief.expected_g_per_year[site] for site in others)
        chance = belief.any_of({item: belief.masks[item] for site in others for item in belief.items[site]})
        name = f"all {len(others)} other places together"
        rows.append(("-", name, "", "", percent(chance), units.rate_words(loss)))
    if belief.not_a_leak >= LEAST_SHOWN:
        rows.append(("-", "no leak: the charge was never right", "", "", percent(belief.not_a_leak), "-"))
    another = "another leak" if stop.confirmed or stop.likely else "a leak"
    says = (
        f"{capital(stop.reason)}.",
        f"The chance of {another} that matters is {hundredths(stop.another)}. All that is not confirmed is expected to "
        f"lose {units.rate_words(stop.expected_g_per_year)}. A leak matters here from "
        f"{units.rate_words(belief.rates.matters_g_per_year)} on.",
    )
    heads = ("No.", "Place", "Where", "What is known", "Chance of a leak that matters", "Expected loss")
    table = Table(
        "Places, likeliest first; the numbers are those of the drawing", heads, tuple(rows), frozenset({1, 2, 3})
    )
    return Section("remains", "What remains", "What may still leak", says, tables=(table,))


def _mark_row(record: Record, mark: Mark) -> tuple[str, ...]:
    places = dict.fromkeys(place_words(record.job, record.job.site(site).place) for site in mark.sites)
    loss = sum(record.belief.expected_g_per_year[site] for site in mark.sites)
    small = mark.state == "confirmed" and mark.chance < LIKELY
    known = f"{mark.verdict}, likely too small to matter alone" if small else mark.verdict
    words = record.units.rate_words(loss)
    return str(mark.rank), mark.name, ", ".join(places), known, percent(mark.chance), words


def repairs_section(record: Record) -> Section:
    """Each repair, how it is proved, and whether it was tested since."""
    rows = tuple(_repair_row(record, number, line) for number, line in enumerate(record.lines) if _is_repair(line))
    if not rows:
        return Section("repairs", "Repairs", "Repairs and their proof", ("No repair was recorded.",))
    heads = ("No.", "Part", "When, who", "How it is proved", "Tested since", "Chance that it leaks now")
    says = (
        f"{times_words(len(rows), 'repair was', 'repairs were')} recorded. A repair counts as proved when it was "
        "tested as told beside it.",
    )
    return Section(
        "repairs",
        "Repairs",
        "Repairs and their proof",
        says,
        tables=(Table("Repairs", heads, rows, frozenset({1, 2, 3, 4})),),
    )


def _is_repair(line: Line) -> bool:
    return line.event.kind == REPAIR


def _repair_row(record: Record, number: int, line: Line) -> tuple[str, ...]:
    job, belief, event = line.job, record.belief, line.event
    target = str(event.body["target"])
    new = " (new part)" if event.body.get("exchanged") else ""
    note = f"; {event.body['note']}" if event.body.get("note") else ""
    proved = " ".join(dict.fromkeys(entry.verify for entry in entries_of(job, target)))
    fitted = {site.id for site in record.job.sites}
    items = [item for site in sites_of(job, target) if site in fitted for item in belief.items[site]]
    chance = percent(belief.any_of({item: belief.masks[item] for item in items})) if items else "not fitted"
    since = "; ".join(_tests_since(record.lines[number + 1 :], sites_of(job, target))) or "not yet"
    who = f"{day_words(event.when)}{f', {event.who}' if event.who else ''}"
    return str(event.number), f"{part_words(job, target)}{new}{note}", who, proved, since, chance


def _tests_since(lines: Iterable[Line], sites: tuple[str, ...]) -> Iterable[str]:
    """The tests after a repair that look at one of its places, or at all of the circuit."""
    for line in lines:
        if line.event.kind != FINDING:
            continue
        method = line.job.catalogue.methods[finding_of(line).method]
        if method.kind not in ("exposure", "total") and looked_at(line).intersection(sites):
            yield f"no. {line.event.number}: {_evidence(line)}"

"""From a history to cells: one pass over the sites, all else in memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

import numpy as np

from leakinfer.catalogue.model import Catalogue
from leakinfer.errors import InputError
from leakinfer.fleet.cells.counting import Codes, Frame, add_parts, profile_of
from leakinfer.fleet.cells.model import Cells, Counts, Scale
from leakinfer.fleet.cells.placing import Dated, Placed, classes_agree, place_leaks, sites_known
from leakinfer.fleet.cells.results import Outcome, confirmed, tables_of
from leakinfer.fleet.cells.sites import Reading, SiteRows
from leakinfer.fleet.cells.streaming import Stream, Wanted, Work, each_chunk
from leakinfer.fleet.cells.stretches import Spells, stretches_of
from leakinfer.fleet.cells.windows import EVER, Bands, Parts, Span, Visits
from leakinfer.fleet.history.badrows import Log, OnBad
from leakinfer.fleet.history.held import NOWHERE, Held, Systems, Tables, VisitTable, find_sorted, hold, says
from leakinfer.fleet.history.reader import EPOCH, NO_DAY, open_history
from leakinfer.fleet.settings import FleetSettings, Reduction


def reduce_history(
    folders: Sequence[Path],
    catalogue: Catalogue,
    settings: FleetSettings,
    *,
    chunk_rows: int = 200_000,
    processes: int = 1,
    until: date | None = None,
    since: date | None = None,
    on_bad: OnBad | None = None,
    on_progress: Callable[[int], None] | None = None,
) -> Cells:
    """The cells of the history in these folders, which together are one history.

    Only visits from ``since`` and before ``until`` give rows; those before still shape the windows. The cells are the
    same, bit for bit, for any order of the rows, any split over files and folders, any ``chunk_rows`` and number of
    ``processes``, as long as no name is given twice (then the first row counts). ``on_bad`` gets each fault,
    ``on_progress`` the number of rows read so far.

    Raises:
        InputError: a table or column is missing, or a file cannot be read.

    Example:
        >>> from leakinfer import fleet_settings, load_catalogue, reduce_history, shipped
        >>> history = shipped("data_demo", "fleet")  # invented
        >>> cells = reduce_history([history], load_catalogue(), fleet_settings())
        >>> cells.counts.systems, cells.counts.left_out
        (2000, {})
    """
    if chunk_rows < 1 or processes < 1:
        raise InputError("chunk_rows and processes", allowed="1 or more")
    log = Log(on_bad)
    history = open_history(folders, log)
    tables = hold(history, catalogue, chunk_rows, log)
    if on_progress is not None:
        on_progress(log.rows)
    span = span_of(since, until)
    frame = frame_of(tables, settings.cells, span)
    reading = Reading(tables.systems, history.files, catalogue, on_bad is not None)
    stream = Stream(_work(tables, frame, reading, settings.cells), log, on_progress)
    for chunk, result in each_chunk(stream.work, history, chunk_rows, processes):
        stream.take(chunk, result)
    outcome = finish(tables, stream, span)
    return Cells(
        scale_of(catalogue, settings.cells),
        _counts(log, tables.systems, frame.visits, span),
        tables_of(outcome, catalogue, settings.cells, log),
    )


def span_of(since: date | None, until: date | None) -> Span:
    """The span between two dates, either of which may be open."""
    low, high = (None if day is None else day.toordinal() - EPOCH for day in (since, until))
    return Span(-EVER if low is None else low, EVER if high is None else high)


def scale_of(catalogue: Catalogue, reduction: Reduction) -> Scale:
    """The scale on which these settings make cells."""
    return Scale(
        reduction.age_years,
        reduction.missed_most,
        reduction.expected_per_decade,
        reduction.size_per_decade,
        catalogue.digest,
    )


def frame_of(tables: Tables, reduction: Reduction, span: Span) -> Frame:
    """The counting visits and bands."""
    visits = counting_visits(tables.visits, tables.leaks, tables.systems, span)
    bands = Bands.of_years(reduction.age_years)
    codes = Codes(bands.count, reduction.missed_most)
    return Frame(visits, bands, codes, tables.systems.type.code.astype(np.int64))


def counting_visits(table: VisitTable, leaks: Held, systems: Systems, span: Span) -> Visits:
    """Visits on record that were searches, may have been, or at which a leak was written down."""
    leaky = np.zeros(table.day.size, dtype=bool)
    leaky[leaks.visit[confirmed(leaks)]] = True
    some = np.flatnonzero(table.inside & (~says(table.searched, "no") | leaky))
    some = some[np.lexsort((table.rank[some], table.day[some], table.system[some]))]
    place = np.full(table.day.size, NOWHERE, dtype=np.int64)
    place[some] = np.arange(some.size)
    system, day, searched = table.system[some], table.day[some], says(table.searched, "yes")[some]
    return Visits(
        begin=np.searchsorted(system, np.arange(len(systems) + 1)).astype(np.int64),
        system=system,
        day=day,
        searched=searched,
        searches=np.cumsum(searched) - searched,
        scored=span.holds(day),
        record=systems.record,
        backlog=systems.backlog,
        place=place,
    )


def _work(tables: Tables, frame: Frame, reading: Reading, reduction: Reduction) -> Work:
    classes = tuple(sorted(reading.catalogue.components))
    profile = profile_of(frame, tables.systems.commissioned)
    return Work(reading, frame, profile, Wanted.by(tables, classes), classes, reduction)


def finish(tables: Tables, stream: Stream, span: Span) -> Outcome:
    """Place the leaks and count the parts that have something of their own."""
    named, special = _sorted(stream.named), _sorted(stream.special)
    work = stream.work
    component = work.components(stream.kinds.all)
    exposures = sites_known(tables.exposures, named, tables.visits, stream.log)
    leaks = sites_known(tables.leaks, named, tables.visits, stream.log)
    leaks = classes_agree(leaks, named, work.classes, component, stream.log)
    spells = _spells(exposures, special, tuple(work.reading.catalogue.exposures))
    dated = _dated(stream, special, spells)
    leaks = leaks.keep(np.argsort(leaks.visit, kind="stable"))
    found = leaks.keep(confirmed(leaks))
    placed = place_leaks(found, dated, tables.visits, work.frame.bands, work.classes)
    _count_special(stream, dated, found, placed)
    return Outcome(
        tables=tables,
        stream=stream,
        span=span,
        named=named,
        dated=dated,
        spells=spells,
        leaks=leaks,
        found=found,
        placed=placed,
        findings=sites_known(tables.findings, named, tables.visits, stream.log),
        repairs=sites_known(tables.repairs, named, tables.visits, stream.log),
    )


def _sorted(parts: Sequence[SiteRows]) -> SiteRows:
    every = SiteRows.joined(parts)
    return every.keep(np.argsort(every.key))


def _spells(exposures: Held, special: SiteRows, names: Sequence[str]) -> Spells:
    """The spells of the circumstances, by part."""
    rows = exposures.rows
    place = {name: number for number, name in enumerate(names)}
    texts = rows.text("exposure")
    number = np.array([*(place.get(word, NOWHERE) for word in texts.words()), NOWHERE], dtype=np.int64)
    since, until = rows.figures("since"), rows.figures("until")
    return Spells(
        find_sorted(special.key, exposures.site),
        number[texts.code],
        np.where(since == NO_DAY, -EVER, since).astype(np.int32),
        np.where(until == NO_DAY, EVER, until).astype(np.int32),
    )


def _dated(stream: Stream, special: SiteRows, spells: Spells) -> Dated:
    names = tuple(stream.work.reading.catalogue.exposures)
    stretches, kind = stretches_of(spells, special.kind, stream.kinds, names)
    texts = np.array([each.around for each in stream.kinds.all], dtype=object).astype(str)
    around = np.unique(texts, return_inverse=True)[1].reshape(-1).astype(np.int64)
    return Dated(special, stretches, kind, stream.work.components(stream.kinds.all), around)


def _count_special(stream: Stream, dated: Dated, found: Held, placed: Placed) -> None:
    work, rows, sure = stream.work, dated.rows, np.flatnonzero(placed.sure)
    at = (placed.part[sure], work.frame.visits.place[found.visit[sure]])
    parts = Parts(rows.system, rows.fitted, rows.removed, rows.count)
    rates = work.rates(stream.kinds.all)
    add_parts(work.frame, parts, dated.stretches, dated.kind, at, rates, stream.sums, stream.micro)


def _counts(log: Log, systems: Systems, visits: Visits, span: Span) -> Counts:
    """Where the cells come from; the days are those on record that lie in the span."""
    some = np.unique(visits.system)
    first = int(max(systems.record[some].min(), span.since)) if some.size else None
    last = int(visits.day[visits.scored].max()) if visits.scored.any() else None
    low, high = (None if day is None or last is None else day + EPOCH for day in (first, last))
    return Counts(log.rows, dict(sorted(log.left_out.items())), len(systems), low, high)

"""The tables of cells, once all is read and placed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.expected import expected_bin, workmanship_classes
from leakinfer.fleet.cells.model import FORMATS, joined
from leakinfer.fleet.cells.placing import Dated, Placed, class_of
from leakinfer.fleet.cells.sites import SiteRows
from leakinfer.fleet.cells.sizes import size_bin, size_of_loss
from leakinfer.fleet.cells.streaming import Stream
from leakinfer.fleet.cells.stretches import Spells
from leakinfer.fleet.cells.trials import trials_of
from leakinfer.fleet.cells.windows import Span
from leakinfer.fleet.history.badrows import BadRow, Log, Mask
from leakinfer.fleet.history.held import NOWHERE, Held, Index, Tables, find_sorted, says
from leakinfer.fleet.history.reader import Texts
from leakinfer.fleet.settings import Reduction

if TYPE_CHECKING:
    from pandas import DataFrame

EDGE = 1e-9  # of a size: sizes come out of an inverse and so miss an edge by rounding


@dataclass(frozen=True, eq=False)
class Outcome:
    """A history read to its end. ``leaks``: all rows that are in order; ``found``: the confirmed ones, as ``placed``.

    ``named``: the sites that another table names, sorted by key.
    """

    tables: Tables
    stream: Stream
    span: Span
    named: SiteRows
    dated: Dated
    spells: Spells
    leaks: Held
    found: Held
    placed: Placed
    findings: Held
    repairs: Held

    def scored(self, held: Held) -> Mask:
        """(n,) whether rows belong to visits in the span."""
        return self.span.holds(self.tables.visits.day[held.visit])


def confirmed(leaks: Held) -> Mask:
    """(n,) whether rows of the table of leaks are leaks, and not places that proved tight."""
    return ~says(leaks.rows.text("confirmed"), "no")


def tables_of(outcome: Outcome, catalogue: Catalogue, reduction: Reduction, log: Log) -> Mapping[str, DataFrame]:
    """All tables of cells."""
    made = {
        "found": _found(outcome),
        "risk": _risk(outcome),
        "unplaced": _unplaced(outcome),
        "systems": _systems(outcome, catalogue, reduction),
        "sizes": _sizes(outcome, reduction, log),
        "looked": _looked(outcome),
        "repairs": _repairs(outcome),
        "trials": _trials(outcome, catalogue, reduction),
    }
    return {name: joined(name, [_typed(name, made[name])]) for name in FORMATS}


def _typed(name: str, columns: Any) -> DataFrame:
    """Columns as a table of whole numbers and texts, also where there are no rows."""
    import pandas as pd

    table = pd.DataFrame(columns)
    return table.astype(dict.fromkeys(FORMATS[name][1], "int64"))


def _words(texts: Texts) -> NDArray[Any]:
    """(n,) the texts of all rows."""
    return np.array([*texts.words(), ""], dtype=object)[texts.code]


def _named_kinds(outcome: Outcome, kind: Index, component: str, around: str) -> dict[str, NDArray[Any]]:
    """The columns that name kinds of sites."""
    every = outcome.stream.kinds.all
    names = {component: [each.component for each in every], around: [each.around for each in every]}
    return {column: np.array(words, dtype=object)[kind] for column, words in names.items() if column}


def _types(outcome: Outcome, system: Index) -> NDArray[Any]:
    return _words(outcome.tables.systems.type)[system]


def _risk(outcome: Outcome) -> dict[str, Any]:
    table = outcome.stream.sums.table()
    kinds = _named_kinds(outcome, table["kind"].to_numpy(np.int64), "component", "around")
    begun = _named_kinds(outcome, table["begun_kind"].to_numpy(np.int64), "", "begun_around")
    types = np.array([*outcome.tables.systems.type.words(), ""], dtype=object)[table["type"].to_numpy(np.int64)]
    codes = outcome.stream.work.frame.codes.columns(table["code"].to_numpy(np.int64))
    return {**kinds, **begun, "type": types, **codes, "days": table["amount"].to_numpy(np.int64)}


def _found(outcome: Outcome) -> dict[str, Any]:
    rows = np.flatnonzero((outcome.placed.part != NOWHERE) & outcome.scored(outcome.found))
    found, part = outcome.found.keep(rows), outcome.placed.part[rows]
    visits, dated, before = outcome.stream.work.frame.visits, outcome.dated, found.rows.text("there_before")
    visit = visits.place[found.visit]
    day = visits.day[visit]
    return {
        **_named_kinds(outcome, dated.kind_at(part, day), "component", "around"),
        "type": _types(outcome, found.system),
        "searched": visits.searched[visit].astype(np.int64),
        "band": outcome.stream.work.frame.bands.at(day - dated.rows.fitted[part]),
        "found": np.ones(rows.size, dtype=np.int64),
        "known_before": (before.code >= 0).astype(np.int64),
        "before": says(before, "yes").astype(np.int64),
    }


def _unplaced(outcome: Outcome) -> dict[str, Any]:
    rows = (outcome.placed.part == NOWHERE) & outcome.scored(outcome.found)
    system = outcome.found.system[rows]
    return {"type": _types(outcome, system), "found": np.ones(system.size, dtype=np.int64)}


def _systems(outcome: Outcome, catalogue: Catalogue, reduction: Reduction) -> dict[str, Any]:
    """Systems that expect leaks; one without visits, or without such parts, says nothing of workmanship."""
    stream, systems = outcome.stream, outcome.tables.systems
    share = np.isin(stream.work.classes, workmanship_classes(catalogue))
    rows = np.flatnonzero((outcome.placed.part != NOWHERE) & outcome.scored(outcome.found))
    component = outcome.dated.component[outcome.dated.rows.kind[outcome.placed.part[rows]]]
    leaks = np.bincount(outcome.found.system[rows[share[component]]], minlength=len(systems))
    some = np.flatnonzero(stream.micro > 0)
    return {
        "type": _types(outcome, some),
        "installer": _words(systems.installer)[some],
        "expected_bin": expected_bin(stream.micro[some], reduction.expected_per_decade),
        "leaks": leaks[some].astype(np.int64),
        "systems": np.ones(some.size, dtype=np.int64),
        "expected_micro": stream.micro[some],
    }


def _classes_found(outcome: Outcome) -> Index:
    """(n,) class number of each leak found, NOWHERE where nobody wrote it down."""
    named, found = outcome.named, outcome.found
    place = find_sorted(named.key, found.site)
    own = class_of(found, outcome.stream.work.classes)
    there = np.flatnonzero(place != NOWHERE)
    own[there] = outcome.dated.component[named.kind[place[there]]]
    return own


def _sizes(outcome: Outcome, reduction: Reduction, log: Log) -> dict[str, Any]:
    """Measured leaks; smaller ones than ``measured_least`` are not thought to be measured."""
    found, component = outcome.found, _classes_found(outcome)
    loss = found.rows.figures("loss_g_per_year")
    some = np.flatnonzero((component != NOWHERE) & (loss > 0) & outcome.scored(found))
    refrigerant = _words(outcome.tables.systems.refrigerant)[found.system[some]]
    sizes = size_of_loss(loss[some], refrigerant.astype(str), reduction.measured_at_c)
    for row, name in zip(some[np.isnan(sizes)], refrigerant[np.isnan(sizes)], strict=True):
        what = f"a loss of refrigerant '{name}' says nothing of the size"
        spot = found.rows.origin.spot(int(row))
        log.say(BadRow("leaks", *spot, "loss_g_per_year", what, "a refrigerant that is listed, in the systems", ""))
    kept = sizes >= reduction.measured_least * (1 - EDGE)
    names = np.array(outcome.stream.work.classes, dtype=object)[component[some[kept]]]
    return {
        "component": names,
        "size_bin": size_bin(sizes[kept], reduction.size_per_decade),
        "leaks": np.ones(names.size, dtype=np.int64),
    }


def _looked(outcome: Outcome) -> dict[str, Any]:
    """Rows of the table of sites at which a circumstance was looked for; where it came and went, when it was new."""
    looked: dict[str, list[int]] = {name: [0, 0] for name in outcome.stream.work.reading.catalogue.exposures}
    for number, rows in enumerate(outcome.stream.rows_of):
        kind = outcome.stream.kinds.all[number]
        for name in (*kind.present, *kind.absent):
            looked[name][0] += rows
            looked[name][1] += rows * (name in kind.present)
    _look_again(outcome, looked)
    return {
        "exposure": np.array(list(looked), dtype=object),
        "looked": [each[0] for each in looked.values()],
        "there": [each[1] for each in looked.values()],
    }


def _look_again(outcome: Outcome, looked: dict[str, list[int]]) -> None:
    """Put what came and went in the place of what the table of sites says."""
    spells, rows, names = outcome.spells, outcome.dated.rows, list(looked)
    fitted = rows.fitted[spells.part]
    new = (spells.since <= fitted) & (fitted < spells.until)
    at, place = np.unique(spells.part * len(names) + spells.exposure, return_inverse=True)
    there = np.zeros(at.size, dtype=bool)
    there[place.reshape(-1)[new]] = True
    pairs = np.stack([rows.kind[at // len(names)], at % len(names), there], axis=1).astype(np.int64)
    for (kind, exposure, present), times in zip(*np.unique(pairs, axis=0, return_counts=True), strict=True):
        said, name = outcome.stream.kinds.all[kind], names[exposure]
        looked[name][0] += int(times) * (1 - (name in (*said.present, *said.absent)))
        looked[name][1] += int(times) * (int(present) - (name in said.present))


def _repairs(outcome: Outcome) -> dict[str, Any]:
    repairs = outcome.repairs
    held = repairs.rows.text("held")
    repairs = repairs.keep(np.flatnonzero((held.code >= 0) & outcome.scored(repairs)))
    kind = outcome.named.kind[find_sorted(outcome.named.key, repairs.site)]
    return {
        **_named_kinds(outcome, kind, "component", ""),
        "exchanged": _words(repairs.rows.text("exchanged")),
        "repairs": np.ones(kind.size, dtype=np.int64),
        "held": says(repairs.rows.text("held"), "yes").astype(np.int64),
    }


def _trials(outcome: Outcome, catalogue: Catalogue, reduction: Reduction) -> DataFrame:
    """Trials at visits in the span; a leak without a site is at the one site of its class, where there is one."""
    import pandas as pd

    named, component = outcome.named, outcome.dated.component
    findings = outcome.findings.keep(outcome.scored(outcome.findings))
    words = {name: _words(findings.rows.text(name)) for name in ("method", "outcome")}
    sites = {
        "system": named.system,
        "site": np.arange(named.key.size),
        "component": np.array(outcome.stream.work.classes, dtype=object)[component[named.kind]],
    }
    refrigerant = _words(outcome.tables.systems.refrigerant)
    systems = {"system": np.arange(refrigerant.size), "refrigerant": refrigerant}
    return trials_of(
        pd.DataFrame({**_spot(findings, find_sorted(named.key, findings.site)), **words}),
        pd.DataFrame(_leaks_at(outcome)),
        pd.DataFrame(sites),
        pd.DataFrame(systems),
        catalogue,
        reduction,
    )


def _spot(held: Held, site: Index) -> dict[str, Any]:
    return {"system": held.system, "visit": held.visit, "site": site}


def _leaks_at(outcome: Outcome) -> dict[str, Any]:
    """All rows of the table of leaks at sites, confirmed or not."""
    leaks, placed, named = outcome.leaks, outcome.placed, outcome.named
    key = leaks.site.copy()
    sure = np.flatnonzero(placed.sure)
    rows = np.flatnonzero(confirmed(leaks))
    key[rows[sure]] = outcome.dated.rows.key[placed.part[sure]]
    site = find_sorted(named.key, key)
    some = np.flatnonzero(site != NOWHERE)
    leaks = leaks.keep(some)
    return {
        **_spot(leaks, site[some]),
        "confirmed": _words(leaks.rows.text("confirmed")),
        "loss_g_per_year": leaks.rows.figures("loss_g_per_year"),
    }

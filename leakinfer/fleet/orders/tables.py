"""Work orders that were understood, as the tables of a history.

What was never written down is unknown, not tight: a visit without a word on a search has ``searched`` empty, no test of
a single place is made up, nobody looked for circumstances, and nobody knows whether a repair held.

The record of a system begins with its own first row (``record.since`` of the mapping overrides it), as a work order is
often written because a system leaks: that leak is counted with those that had begun before the record.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.export.leaks import part_name
from leakinfer.fleet.history.writing import NO, NOT_WRITTEN_DOWN, YES, Row, Tables, no_rows, number_text, row_of
from leakinfer.fleet.orders.book import Book, SystemFacts, Understood
from leakinfer.fleet.orders.mapping import Kind, Record
from leakinfer.fleet.orders.text import Said, Target

YEAR_DAYS = 365.25  # Julian year, IAU


@dataclass
class Visit:
    """All rows of one system and order, or of one day. Masses in kg, None if nobody wrote one down."""

    name: str
    day: date
    technician: str = ""
    said: Said = field(default_factory=Said)
    added_kg: float | None = None
    recovered_kg: float | None = None

    def add(self, row: Understood) -> None:
        """One more row."""
        self.day = min(self.day, row.day)
        self.technician = self.technician or row.technician
        self.said.add(row.said)
        self.added_kg = _sum(self.added_kg, row.added_kg)
        self.recovered_kg = _sum(self.recovered_kg, row.recovered_kg)


def _sum(held: float | None, more: float | None) -> float | None:
    return held if more is None else more + (held or 0.0)


def order_tables(book: Book, record: Record, catalogue: Catalogue) -> tuple[Tables, Counter[str]]:
    """The rows of all tables, and what no row could be made of, counted by reason."""
    tables, left_out = no_rows(), Counter[str]()
    visits: dict[str, dict[str, Visit]] = {}
    for row in book.rows:
        of_system = visits.setdefault(row.system, {})
        of_system.setdefault(row.visit, Visit(row.visit, row.day)).add(row)
    for system, of_system in visits.items():
        facts = book.systems[system]
        if facts.kind is not None and facts.commissioned is not None:
            ordered = sorted(of_system.values(), key=lambda visit: (visit.day, visit.name))
            writer = _Writer(system, facts.kind, catalogue, tables, left_out)
            writer.write(ordered, losses_alone(ordered, facts.charge_kg, catalogue, facts.kind))
            tables["systems"].append(_system(system, facts, facts.kind, facts.commissioned, ordered[0].day, record))
    return tables, left_out


def _system(system: str, facts: SystemFacts, kind: Kind, built: date, first: date, record: Record) -> Row:
    begins = record.since or first
    until = record.until.isoformat() if record.until and record.until >= max(begins, built) else NOT_WRITTEN_DOWN
    return row_of(
        "systems",
        system=system,
        type=kind.system.id,
        commissioned=built.isoformat(),
        installer=facts.installer,
        refrigerant=facts.refrigerant,
        charge_kg=NOT_WRITTEN_DOWN if facts.charge_kg is None else number_text(facts.charge_kg),
        followed_from=begins.isoformat() if begins > built else NOT_WRITTEN_DOWN,
        followed_until=until,
    )


@dataclass
class _Writer:
    """Writes the rows of one system, visit by visit; ``exchanged``: by site, the days on which it got a new part."""

    system: str
    kind: Kind
    catalogue: Catalogue
    tables: Tables
    left_out: Counter[str]
    exchanged: dict[str, list[date]] = field(default_factory=dict)

    def write(self, visits: Sequence[Visit], losses: dict[str, float]) -> None:
        """All rows but that of the table of systems."""
        for visit in visits:
            head = {"system": self.system, "visit": visit.name}
            self.tables["visits"].append(
                row_of(
                    "visits",
                    **head,
                    date=visit.day.isoformat(),
                    searched=visit.said.searched_word,
                    technician=visit.technician,
                )
            )
            loss = losses.get(visit.name)
            words = NOT_WRITTEN_DOWN if loss is None else number_text(loss)
            for leak in visit.said.leaks:
                place = self._place(leak)
                if not place["component"]:
                    self.left_out["leaks of which nobody wrote a site or a class"] += 1
                self.tables["leaks"].append(row_of("leaks", **head, **place, confirmed=YES, loss_g_per_year=words))
            for tight in visit.said.tight:
                self.tables["leaks"].append(row_of("leaks", **head, **self._place(tight), confirmed=NO))
            self.tables["repairs"] += list(self._repairs(visit, head))
        for name in self.kind.sites:
            self.tables["sites"] += list(self._parts(name))

    def _part(self, site: str) -> str:
        """The name of the part that stands at a site now."""
        return part_name(site, len(self.exchanged.get(site, ())))

    def _place(self, target: Target) -> Row:
        """Site and component of a leak, as far as they are known."""
        return {"site": self._part(target.site) if target.site else NOT_WRITTEN_DOWN, "component": target.component}

    def _repairs(self, visit: Visit, head: Row) -> Iterator[Row]:
        """The repairs of a visit; from then on a new part stands where one was exchanged."""
        new = []
        for target, exchanged in visit.said.repaired.items():
            if not target.sites:
                self.left_out["repairs left out: at which of several sites nobody wrote"] += 1
            for site in target.sites:
                yield row_of("repairs", **head, site=self._part(site), exchanged=YES if exchanged else NO)
                new += [site] if exchanged else []
        for site in dict.fromkeys(new):
            self.exchanged.setdefault(site, []).append(visit.day)

    def _parts(self, name: str) -> Iterator[Row]:
        """A row for each part that stood at a site."""
        site = self.kind.sites[name]
        about = {"component": site.component, "count": str(site.count), "side": self.kind.sides[site.section]}
        days = [day.isoformat() for day in self.exchanged.get(name, ())]
        for number, (fitted, removed) in enumerate(pairwise([NOT_WRITTEN_DOWN, *days, NOT_WRITTEN_DOWN])):
            yield row_of(
                "sites",
                system=self.system,
                site=part_name(name, number),
                **about,
                unknown=";".join(self.kind.exposures[name]),
                fitted=fitted,
                removed=removed,
            )


def losses_alone(
    visits: Sequence[Visit], charge_kg: float | None, catalogue: Catalogue, kind: Kind
) -> dict[str, float]:
    """By visit, the loss in g/yr that two charges in a row give the one leak found between them.

    Each charge is taken to have made it right. There is none where more leaks or none were found since the charge
    before, where the circuit may have been opened and nobody wrote down what was taken out (a refill is no loss), where
    the whole charge was gone, or where it is within the scale's error. The loss is taken as even; a leak that began
    later lost faster.
    """
    losses: dict[str, float] = {}
    charged: date | None = None
    since = 0
    for visit in visits:
        since += len(visit.said.leaks)
        if not visit.added_kg:
            continue
        alone = since == len(visit.said.leaks) == 1
        lost = visit.added_kg - (visit.recovered_kg or 0.0)
        weighed = visit.recovered_kg is not None or not _opened(visit, catalogue, kind)
        if charged is not None and visit.day > charged and alone and weighed and _readable(lost, charge_kg, catalogue):
            losses[visit.name] = lost * 1000 / ((visit.day - charged).days / YEAR_DAYS)
        charged, since = visit.day, 0
    return losses


def _readable(lost_kg: float, charge_kg: float | None, catalogue: Catalogue) -> bool:
    """Whether a loss is above the error of a weight that was told (as a job takes it), and below the whole charge."""
    numbers = catalogue.numbers
    share = numbers["reported_loss_charge_error"] * (charge_kg or 0.0)
    floor = max(numbers["reported_loss_absolute_error"] / 1000, share)
    error = math.hypot(numbers["reported_loss_relative_error"] * lost_kg, floor)
    return error < lost_kg < (charge_kg or math.inf)


def _opened(visit: Visit, catalogue: Catalogue, kind: Kind) -> bool:
    """Whether the circuit was or may have been opened: by a repair that opens it, or by one of which nobody wrote where
    somebody found a leak and did not write that it was topped up."""
    said = visit.said
    for target in said.repaired if said.repaired or said.topped_up else said.leaks:
        classes = {kind.sites[name].component for name in target.sites} or {target.component}
        if any(not name or catalogue.repairs[name].opens_circuit for name in classes):
            return True
    return False

"""The systems of an invented fleet: parts, circumstances, visits. Days are counted from 1970-01-01."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.model import Site, System
from leakinfer.fleet.invented.plan import Plan, systems_of, takes
from leakinfer.fleet.invented.truth import Truth, mean_one

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]
EPOCH = date(1970, 1, 1).toordinal()
DAYS_A_YEAR = 365.25
EVER = 2**30  # a day after all others
NONE = -1
ALIKE = 4  # states of a circumstance at a site: ABSENT to THERE_UNSEEN
ABSENT, PRESENT, ABSENT_UNSEEN, THERE_UNSEEN = range(ALIKE)
NO, UNSAID, YES, EARLIER, PROOF = range(5)  # kinds of visits; the last two are before the record and not written down


class Row(NamedTuple):
    """A row of a type's table of sites: its site, and the circumstances that can be there, by number."""

    site: Site
    side: str
    component: int
    slots: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Template:
    """A type of system.

    ``slot_row``, ``slot_place``, ``slot_draw`` (L,): a circumstance that can be at a row: the row, its place there, and
    the draw that says whether it is there; ``draw_exposure`` (D,) the circumstance of each draw.
    """

    rows: tuple[Row, ...]
    slot_row: Index
    slot_place: Index
    slot_draw: Index
    draw_exposure: Index
    refrigerants: tuple[str, ...]
    charge: tuple[float, float, float]  # kg: low, typical, high


@dataclass(frozen=True, eq=False)
class Systems:
    """(S,) systems. ``record``: first day of the record; ``backlog``: what was there then may leak; ``factor``:
    workmanship, the installer's together with the installation's; ``installer`` is NONE where nobody knows."""

    type: Index
    commissioned: Index
    record: Index
    taken_over: Mask
    backlog: Mask
    installer: Index
    factor: Array
    refrigerant: NDArray[np.str_]  # what is in it
    refrigerant_said: Mask
    charge: Array
    until_said: Mask


@dataclass(frozen=True, eq=False)
class Visits:
    """(V,) visits by system and day, with those before the record. ``begin`` (S + 1,)."""

    begin: Index
    system: Index
    day: Index
    kind: Index

    @property
    def written(self) -> Mask:
        """(V,) whether a visit is on record."""
        return np.isin(self.kind, (NO, UNSAID, YES))

    @property
    def counting(self) -> Mask:
        """(V,) whether it is on record and can have found something."""
        return np.isin(self.kind, (UNSAID, YES))

    def from_day(self, system: Index, day: Index) -> Index:
        """(n,) the first visit of each system on or after a day, or where the next system begins."""
        found = np.searchsorted((self.system << 32) + self.day, (system << 32) + day)
        return found.astype(np.int64)


@dataclass(frozen=True, eq=False)
class Parts:
    """(P,) parts: the system, the row of all types' rows, the states of its circumstances as one number, count, days.

    ``log_ratio``: log of the product of the ratios of what is there, without ``spell``: a circumstance that is there
    from ``since`` to ``until`` and not at other times (NONE: no such).
    """

    system: Index
    row: Index
    code: Index
    component: Index
    count: Index
    log_ratio: Array
    fitted: Index
    removed: Index
    spell: Index
    since: Index
    until: Index

    def keep(self, some: NDArray[np.generic]) -> Parts:
        """Some of the parts."""
        return Parts(*(getattr(self, part.name)[some] for part in fields(self)))

    @staticmethod
    def joined(parts: Sequence[Parts]) -> Parts:
        """All, one behind the other."""
        return Parts(*(np.concatenate([getattr(each, part.name) for each in parts]) for part in fields(Parts)))


@dataclass(frozen=True, eq=False)
class Fleet:
    """Systems with their parts and visits, before anything leaks. ``first``: where a type's rows begin among all."""

    templates: tuple[Template, ...]
    first: Index
    systems: Systems
    visits: Visits
    parts: Parts

    @property
    def rows(self) -> tuple[Row, ...]:
        """The rows of all types."""
        return tuple(row for template in self.templates for row in template.rows)


def make_fleet(truth: Truth, plan: Plan, catalogue: Catalogue, rng: np.random.Generator) -> Fleet:
    """A fleet of the plan's size."""
    templates = tuple(_template(system, truth, plan) for system in systems_of(plan))
    sizes = [len(template.rows) for template in templates]
    first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    systems = _systems(templates, truth, plan, rng)
    visits = _visits(systems, plan, rng)
    parts = _with_spells(_parts(templates, first, systems, truth, plan, rng), templates, visits, truth, plan, rng)
    return Fleet(templates, first, systems, visits, _renewed(parts, visits, plan, rng))


def _template(system: System, truth: Truth, plan: Plan) -> Template:
    place = {name: number for number, name in enumerate(truth.classes)}
    around = {name: number for number, name in enumerate(truth.exposures)}
    side = {section.id: str(section.side) for section in system.sections}
    sites = [site for site in system.sites if takes(plan, site.component)]
    number = {site.id: row for row, site in enumerate(sites)}
    found = [(row, around[name], NONE) for row, site in enumerate(sites) for name in site.exposures]
    for group, each in enumerate(system.circumstances):
        together = group if plan.together else NONE
        found += [(number[site], around[each.exposure], together) for site in each.sites if site in number]
    slots = list({(row, exposure): (row, exposure, group) for row, exposure, group in found}.values())
    draws: dict[Any, int] = {}
    draw = [draws.setdefault(slot if slot[2] == NONE else slot[1:], len(draws)) for slot in slots]
    exposure_of = {number: key[-2] for key, number in draws.items()}
    of_row = [[exposure for row, exposure, _ in slots if row == which] for which in range(len(sites))]
    rows = [
        Row(site, side[site.section], place[site.component], tuple(of_row[which])) for which, site in enumerate(sites)
    ]
    return Template(
        tuple(rows),
        np.array([row for row, _, _ in slots], dtype=np.int64),
        np.array([of_row[row].index(exposure) for row, exposure, _ in slots], dtype=np.int64),
        np.array(draw, dtype=np.int64),
        np.array([exposure_of[number] for number in range(len(draws))], dtype=np.int64),
        system.refrigerants,
        (system.charge.low, system.charge.typical, system.charge.high),
    )


def _systems(templates: tuple[Template, ...], truth: Truth, plan: Plan, rng: np.random.Generator) -> Systems:
    count, share = plan.systems, np.array([plan.types[name] for name in truth.types])
    type_ = rng.choice(share.size, count, p=share / share.sum())
    record = plan.end.toordinal() - EPOCH - _days(rng.uniform(*plan.record_years, count))
    taken_over = rng.random(count) < plan.taken_over
    older = _days(rng.uniform(*plan.older_years, count))
    proved = rng.random(count) < plan.tight_then
    installer, factor = _workmanship(truth, plan, rng)
    return Systems(
        type=type_.astype(np.int64),
        commissioned=np.where(taken_over, record - older, record),
        record=record,
        taken_over=taken_over,
        backlog=taken_over & ~proved,
        installer=installer,
        factor=factor,
        refrigerant=_refrigerants(templates, type_, plan, rng),
        refrigerant_said=rng.random(count) >= plan.refrigerant_unsaid,
        charge=_charges(templates, type_, rng),
        until_said=rng.random(count) < plan.until_said,
    )


def _days(years: Array) -> Index:
    return np.rint(years * DAYS_A_YEAR).astype(np.int64)


def _workmanship(truth: Truth, plan: Plan, rng: np.random.Generator) -> tuple[Index, Array]:
    """(S,) installers, NONE where nobody knows, and factors of workmanship; unknown installers are all different."""
    count = plan.systems
    factor = mean_one(rng, truth.workmanship_log_sd, count)
    strange = mean_one(rng, truth.installer_log_sd, count)
    unsaid = rng.random(count) < plan.installer_unsaid
    if not plan.installers:
        return np.full(count, NONE, dtype=np.int64), factor * strange
    share = rng.dirichlet(np.full(plan.installers, plan.installer_weight))
    installer = rng.choice(plan.installers, count, p=share)
    known = truth.installer_factor[installer]
    return np.where(unsaid, NONE, installer).astype(np.int64), factor * np.where(unsaid, strange, known)


def _refrigerants(templates: tuple[Template, ...], type_: Index, plan: Plan, rng: np.random.Generator) -> Any:
    usual, other = rng.random(type_.size) < plan.usual_refrigerant, rng.random(type_.size)
    names = np.empty(type_.size, dtype="U16")
    for number, template in enumerate(templates):
        listed = np.array(template.refrigerants)
        place = 1 + np.floor(other * (listed.size - 1)).astype(int)
        names = np.where(type_ == number, listed[np.where(usual | (listed.size == 1), 0, place)], names)
    return names


def _charges(templates: tuple[Template, ...], type_: Index, rng: np.random.Generator) -> Array:
    low, usual, high = np.array([template.charge for template in templates])[type_].T
    return np.asarray(np.round(rng.triangular(low, usual, high), 2))


def _visits(systems: Systems, plan: Plan, rng: np.random.Generator) -> Visits:
    """Visits at gamma distributed times from the day a system was built; before the record by somebody else."""
    count, end = systems.record.size, plan.end.toordinal() - EPOCH
    mean = plan.visit_years * DAYS_A_YEAR * np.exp(plan.visit_log_sd * rng.standard_normal(count))
    day = systems.commissioned.astype(float)
    system, days = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    some = np.arange(count)
    while some.size:
        day[some] += np.maximum(rng.gamma(plan.visit_shape, mean[some] / plan.visit_shape), 1.0)
        some = some[day[some] <= end]
        system.append(some)
        days.append(np.floor(day[some]).astype(np.int64))
    who, when = np.concatenate(system), np.concatenate(days)
    kind = _kinds(when, systems.record[who], plan, rng)
    who, when, kind = who[kind != NONE], when[kind != NONE], kind[kind != NONE]
    proof = np.flatnonzero(systems.taken_over & ~systems.backlog)
    who, when = np.concatenate([who, proof]), np.concatenate([when, systems.record[proof]])
    kind = np.concatenate([kind, np.full(proof.size, PROOF)])
    order = np.lexsort((kind, when, who))
    who, when, kind = who[order], when[order], kind[order]
    return Visits(np.searchsorted(who, np.arange(count + 1)).astype(np.int64), who, when, kind)


def _kinds(day: Index, record: Index, plan: Plan, rng: np.random.Generator) -> Index:
    """(n,) kinds of visits; NONE before the record where nothing was searched."""
    chance = rng.random(day.size)
    searched = chance < plan.searched
    kind = np.where(searched, YES, np.where(chance < plan.searched + plan.unsaid, UNSAID, NO))
    return np.where(day > record, kind, np.where(searched & (day < record), EARLIER, NONE))


def _parts(
    templates: tuple[Template, ...],
    first: Index,
    systems: Systems,
    truth: Truth,
    plan: Plan,
    rng: np.random.Generator,
) -> Parts:
    """The parts that systems were built with, by type."""
    every = []
    for number, template in enumerate(templates):
        system = np.flatnonzero(systems.type == number)
        rows = len(template.rows)
        code, log_ratio = _states(template, system.size, truth, plan, rng)
        which = np.tile(np.arange(rows), system.size)
        of_row = np.array([(row.component, row.site.count) for row in template.rows]).reshape(-1, 2)
        owner, none = np.repeat(system, rows), np.full(which.size, NONE, dtype=np.int64)
        every.append(
            Parts(
                system=owner,
                row=first[number] + which,
                code=code.reshape(-1),
                component=of_row[which, 0],
                count=of_row[which, 1],
                log_ratio=log_ratio.reshape(-1),
                fitted=systems.commissioned[owner],
                removed=np.full(which.size, EVER),
                spell=none,
                since=none,
                until=none,
            )
        )
    return Parts.joined(every)


def _states(template: Template, count: int, truth: Truth, plan: Plan, rng: np.random.Generator) -> tuple[Index, Array]:
    """(count, R) states of the circumstances as one number, and logs of the ratios of those that are there."""
    rows = len(template.rows)
    exposure = template.draw_exposure[template.slot_draw]
    there = rng.random((count, template.draw_exposure.size)) < truth.prevalence[template.draw_exposure]
    at_slot = there[:, template.slot_draw]
    unseen = rng.random(at_slot.shape) >= plan.looked
    code, log_ratio = np.zeros((count, rows), dtype=np.int64), np.zeros((count, rows))
    for slot, row in enumerate(template.slot_row):
        state = at_slot[:, slot] * (PRESENT - ABSENT) + unseen[:, slot] * (ABSENT_UNSEEN - ABSENT)
        code[:, row] += state * ALIKE ** template.slot_place[slot]
        log_ratio[:, row] += at_slot[:, slot] * np.log(truth.ratio[exposure[slot]])
    return code, log_ratio


def _with_spells(
    parts: Parts,
    templates: tuple[Template, ...],
    visits: Visits,
    truth: Truth,
    plan: Plan,
    rng: np.random.Generator,
) -> Parts:
    """Parts with circumstances that come or go at a visit, where somebody had looked for them."""
    dated = [truth.exposures.index(name) for name in plan.dated if name in truth.exposures]
    slots = [row.slots for template in templates for row in template.rows]
    spell, since, until = parts.spell.copy(), parts.since.copy(), parts.until.copy()
    log_ratio = parts.log_ratio.copy()
    for exposure in dated:
        place = np.array([held.index(exposure) if exposure in held else NONE for held in slots])[parts.row]
        state = np.where(place == NONE, NONE, parts.code // ALIKE ** np.maximum(place, 0) % ALIKE)
        some = np.flatnonzero((state == ABSENT) | (state == PRESENT))
        some = some[(rng.random(some.size) < plan.changes) & (spell[some] == NONE)]
        visit, later = _some_visit(visits, parts.system[some], rng), _some_visit(visits, parts.system[some], rng)
        mended = (rng.random(some.size) < plan.mended) & (later > visit)
        held, some, visit = visit != NONE, some[visit != NONE], visit[visit != NONE]
        there, again = state[some] == PRESENT, np.where(mended, later, NONE)[held]
        day = visits.day[visit]
        spell[some] = exposure
        since[some] = np.where(there, -EVER, day)
        until[some] = np.where(there, day, np.where(again == NONE, EVER, visits.day[again]))
        log_ratio[some] -= there * np.log(truth.ratio[exposure])
    return on(parts, log_ratio=log_ratio, spell=spell, since=since, until=until)


def _some_visit(visits: Visits, system: Index, rng: np.random.Generator) -> Index:
    """(n,) any visit on record of each system, NONE where it has none."""
    written = np.flatnonzero(visits.written)
    begin = np.searchsorted(visits.system[written], np.arange(visits.begin.size))
    count = (begin[1:] - begin[:-1])[system]
    place = begin[system] + np.floor(rng.random(system.size) * count).astype(np.int64)
    return np.where(count > 0, np.append(written, NONE)[np.minimum(place, written.size)], NONE)


def _renewed(parts: Parts, visits: Visits, plan: Plan, rng: np.random.Generator) -> Parts:
    """Parts of which some are exchanged at a visit, for no leak; the new one finds the circumstances of the old."""
    some = np.flatnonzero((parts.count == 1) & (parts.spell == NONE) & (rng.random(parts.count.size) < plan.renewed))
    visit = _some_visit(visits, parts.system[some], rng)
    some, day = some[visit != NONE], visits.day[visit[visit != NONE]]
    removed = parts.removed.copy()
    removed[some] = day
    return Parts.joined([on(parts, removed=removed), on(parts.keep(some), fitted=day)])


def on(parts: Parts, **changed: NDArray[Any]) -> Parts:
    """The parts with some columns changed."""
    return Parts(**{part.name: changed.get(part.name, getattr(parts, part.name)) for part in fields(Parts)})

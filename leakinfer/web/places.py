"""All places with what is known of each, the drawing, a place's story, and a place of one's own."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from starlette.responses import Response

from leakinfer.circuit.model import ELSEWHERE, Site
from leakinfer.errors import InputError
from leakinfer.job.events import FACTS, SITE, body_of
from leakinfer.job.job import Job
from leakinfer.job.why import explain
from leakinfer.reading import known
from leakinfer.report.circuit import circuit_svg
from leakinfer.report.circuit.states import STATE_WORDS, state_of
from leakinfer.report.wording import capital
from leakinfer.session.ending import cautions_of
from leakinfer.web.asked import Asked, short
from leakinfer.web.cards import ranked_card
from leakinfer.web.desk import Seen, Stale
from leakinfer.web.naming import fitted
from leakinfer.web.noting import Noted, tell
from leakinfer.web.pages import job_path, page, told
from leakinfer.words.job import repairs_of
from leakinfer.words.plan import once_each
from leakinfer.words.units import Units
from leakinfer.words.why import step_words

SHOWN = 120  # places of one list; more are found by the filters


@dataclass(frozen=True)
class Spot:
    """A place in one line of the list. ``mark``: the state that the drawing shows, too."""

    site: str
    name: str
    chance: float
    verdict: str
    mark: str
    path: str


def all_places(asked: Asked) -> Response:
    """Places by the air around them, likeliest area first; filtered by what is known, by place and by a word."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    chosen = {name: asked.query.one(name) for name in ("place", "zone", "mark", "word")}
    areas: list[tuple[str, float, list[Spot]]] = []
    count = 0
    for part in job.system.zones:
        if chosen["place"] not in ("", part.place) or chosen["zone"] not in ("", part.id):
            continue
        spots = [_spot(seen, site, asked.units) for site in job.sites if site.zone == part.id]
        spots = [one for one in spots if _fits(one, chosen["mark"], chosen["word"])]
        if spots:
            areas.append((part.name, max(one.chance for one in spots), spots))
            count += len(spots)
    areas.sort(key=lambda area: -area[1])
    return page(
        asked,
        "places.html",
        seen=seen,
        tab="places",
        areas=_cut(areas),
        count=count,
        shown=SHOWN,
        places=[(part.id, part.name) for part in job.system.places],
        zones=[(part.id, part.name) for part in job.system.zones],
        marks=STATE_WORDS,
        chosen=chosen,
    )


def _fits(spot: Spot, mark: str, word: str) -> bool:
    return mark in ("", spot.mark) and word.casefold() in spot.name.casefold()


def _cut(areas: list[tuple[str, float, list[Spot]]]) -> list[tuple[str, float, list[Spot]]]:
    """The areas up to so many places in all."""
    kept, room = [], SHOWN
    for name, chance, spots in areas:
        if room <= 0:
            break
        kept.append((name, chance, spots[:room]))
        room -= len(spots)
    return kept


def _spot(seen: Seen, site: Site, units: Units) -> Spot:
    verdict = seen.verdicts[site.id]
    many = f" (x {site.count})" if site.count > 1 else ""
    return Spot(
        site.id,
        capital(f"{site.name}{many}"),
        seen.belief.matters_probability[site.id],
        verdict.words(units),
        state_of(verdict),
        job_path(seen.id, "place", site.id),
    )


def story(asked: Asked) -> Response:
    """Why a place is likely or not, what can be done there, and how it is repaired."""
    seen: Seen = asked.desk.see(asked.path["job"])
    site = fitted(seen.job, asked.path["site"])
    why = seen.once(("story", site), lambda: explain(seen.job, site))
    part = seen.job.site(site)
    entry = seen.job.catalogue.repairs[part.component]
    tests = [test for test in seen.plan.next if test.candidate.target == site]
    return page(
        asked,
        "place.html",
        seen=seen,
        tab="places",
        site=part,
        spot=_spot(seen, part, asked.units),
        steps=[(step_words(seen.job, step, asked.units), step) for step in why.steps],
        notes=why.notes,
        entry=entry,
        warnings=cautions_of(seen.job, entry),
        cards=[ranked_card(seen.job, seen.id, test, asked.units) for test in once_each(tests)[:5]],
        own=part.id == ELSEWHERE,
        repaired=site in repairs_of(seen.job),
        unit=next(unit.name for unit in seen.job.system.units if unit.id == part.unit),
        alone=len(seen.belief.units[part.unit]) == 1,
    )


def not_fitted(asked: Asked) -> Response:
    """A place that this system does not have."""
    site = asked.path["site"]

    def body(job: Job) -> dict[str, object]:
        fitted(job, site)
        return {"not_fitted": sorted({*job.facts.not_fitted, site})}

    before = asked.desk.see(asked.path["job"])
    name = next((part.name for part in before.job.system.sites if part.id == site), site)
    note = Noted(f"Struck out: {name}. This system does not have it.")
    return told(asked, tell(asked, FACTS, body, lambda *_: note), noted="1")


def drawing(asked: Asked) -> Response:
    """The circuit as a drawing, each place with what is known of it."""
    seen: Seen = asked.desk.see(asked.path["job"])
    belief = seen.belief
    svg = seen.once(("drawing", asked.units), lambda: circuit_svg(belief, link=_linked(seen), units=asked.units))
    return page(asked, "drawing.html", seen=seen, tab="places", svg=svg)


def _linked(seen: Seen) -> Callable[[str], str]:
    """Where a mark of the drawing leads: a site to its story, an area or a place to its part of the list."""
    sites = {site.id for site in seen.job.sites}
    zones = {zone.id for zone in seen.job.system.zones}

    def link(part: str) -> str:
        if part in sites:
            return job_path(seen.id, "place", part)
        return job_path(seen.id, "places", **{"zone" if part in zones else "place": part})

    return link


def own(asked: Asked, error: InputError | None = None) -> Response:
    """A place that nobody listed: what it is called, what kind of part, where."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    return page(
        asked,
        "own.html",
        400 if error else 200,
        seen=seen,
        tab="places",
        given=asked.form,
        zones=[(zone.id, zone.name) for zone in job.system.zones],
        sections=[(section.id, section.name) for section in job.system.sections],
        components=[(one.id, one.name) for one in job.catalogue.components.values() if one.id != ELSEWHERE],
        error=error,
    )


def add_own(asked: Asked) -> Response:
    """Add the place."""
    try:
        return _added(asked)
    except InputError as error:
        if isinstance(error, Stale) or asked.plain:
            raise
        return own(asked, error)


def _added(asked: Asked) -> Response:
    form = asked.form
    name = short(form, "name", "What you call it", 80)
    if not name:
        raise InputError("is missing", where="What you call it", allowed="a few words")

    def body(job: Job) -> dict[str, object]:
        zones = {zone.id: zone.place for zone in job.system.zones}
        zone = known(form.one("zone"), zones, what="area", where="Where")
        near = next(site.section for site in job.system.sites if site.zone == zone)
        sections = [section.id for section in job.system.sections]
        section = known(form.one("section") or near, sections, what="part of the circuit", where="Part of the circuit")
        view = form.one("view") != "no"
        return body_of(Site(_id(job, name), name, form.one("component"), zones[zone], zone, section, view=view))

    return told(asked, tell(asked, SITE, body, lambda *_: Noted(f"Added: {name}")), noted="1")


def _id(job: Job, name: str) -> str:
    """A free id from the name's letters."""
    stem = "own_" + (re.sub("[^a-z0-9]+", "_", name.lower())[:30].strip("_") or "place")
    taken = {site.id for site in job.system.sites}
    return next(found for n in range(1, 1000) if (found := stem if n == 1 else f"{stem}_{n}") not in taken)


ROUTES = (
    ("/job/{job}/places", all_places, None),
    ("/job/{job}/place/{site}", story, None),
    ("/job/{job}/place/{site}/not-fitted", None, not_fitted),
    ("/job/{job}/drawing", drawing, None),
    ("/job/{job}/own", own, add_own),
)

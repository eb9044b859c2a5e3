"""Whether a system's parts fit together: ids, references, places, repair units, exposures."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from typing import Protocol

from msgspec.structs import replace

from leakinfer.circuit.model import ELSEWHERE, WHOLE, Circumstance, Isolation, Spot, System, Unit
from leakinfer.errors import InputError
from leakinfer.reading import known

ID = re.compile(r"[a-z][a-z0-9_]*")


class Named(Protocol):
    """Any piece with an id."""

    @property
    def id(self) -> str:
        """The id, a word that a person can type."""


def complete(system: System) -> System:
    """The system with every site in a unit and every unit listed.

    A site without a unit is one of its own, with the site's id and name. Applying it twice changes nothing.
    """
    sites = tuple(site if site.unit else replace(site, unit=site.id) for site in system.sites)
    listed = {unit.id for unit in system.units}
    implied = tuple(Unit(site.id, site.name) for site in sites if site.unit == site.id and site.id not in listed)
    return replace(system, sites=sites, units=system.units + implied)


def validate(system: System, where: str) -> None:
    """Check that the parts of a completed system fit together.

    Raises:
        InputError: naming ``where`` (a file) and the key, as ``cool.toml: sites[4] 'cap' zone``.
    """
    _ids(system, where)
    _numbers(system, where)
    _heating(system, where)
    _zones(system, where)
    _sites(system, where)
    _units(system, where)
    _elsewhere(system, where)
    _touches("circumstances", [(part, part.sites) for part in system.circumstances], system, where)
    _touches("spots", [(part, part.catches) for part in system.spots], system, where)
    _spot_places(system.spots, system, where)
    _twice(system, where)
    _isolations(system, where)


def check_against(system: System, component_ids: Collection[str], exposure_ids: Collection[str], where: str) -> None:
    """Check that every component class and exposure of the system is one that is known.

    Raises:
        InputError: naming the site or circumstance and the closest known ids.
    """
    for index, site in enumerate(system.sites):
        spot = f"{where}: sites[{index}] '{site.id}'"
        known(site.component, component_ids, what="component class", where=f"{spot} component")
        for exposure in site.exposures:
            known(exposure, exposure_ids, what="exposure", where=f"{spot} exposures")
    for index, part in enumerate(system.circumstances):
        spot = f"{where}: circumstances[{index}] '{part.id}' exposure"
        known(part.exposure, exposure_ids, what="exposure", where=spot)


def _ids(system: System, where: str) -> None:
    kinds: dict[str, Sequence[Named]] = {
        "places": system.places,
        "zones": system.zones,
        "sections": system.sections,
        "units": system.units,
        "sites": system.sites,
        "circumstances": system.circumstances,
        "spots": system.spots,
        "isolations": system.isolations,
    }
    for kind, parts in kinds.items():
        for part in parts:
            if not ID.fullmatch(part.id):
                allowed = "small letters, digits and _, a letter first"
                raise InputError(f"'{part.id}' is not an id", where=f"{where}: {kind} id", allowed=allowed)
        _once((part.id for part in parts), f"{where}: {kind} id")
    _once(system.refrigerants, f"{where}: refrigerants")
    if not system.refrigerants:
        raise InputError("no refrigerant is given", where=f"{where}: refrigerants")


def _once(ids: Iterable[str], where: str) -> None:
    twice = [name for name, times in Counter(ids).items() if times > 1]
    if twice:
        raise InputError(f"'{twice[0]}' is used twice", where=where)


def _numbers(system: System, where: str) -> None:
    charge = system.charge
    if not charge.low <= charge.typical <= charge.high < math.inf:
        raise InputError("the numbers are out of order", where=f"{where}: charge", allowed="low <= typical <= high")
    for index, place in enumerate(system.places):
        if not math.isfinite(place.reach_minutes + place.open_minutes):
            spot = f"{where}: places[{index}] '{place.id}'"
            raise InputError("minutes that are not a finite number", where=spot, allowed="0 or more minutes")


def _heating(system: System, where: str) -> None:
    sides = {section.heating_side == "none" for section in system.sections}
    if len(sides) > 1:
        what = "some sections have a heating_side and some have none"
        raise InputError(what, where=f"{where}: sections heating_side", allowed="all or none of them")


def _zones(system: System, where: str) -> None:
    places = {place.id for place in system.places}
    used = {site.zone for site in system.sites}
    for index, zone in enumerate(system.zones):
        spot = f"{where}: zones[{index}] '{zone.id}'"
        _refers(zone.place, places, "place", f"{spot} place")
        if zone.id not in used:
            raise InputError("no site lies in this zone", where=spot)


def _sites(system: System, where: str) -> None:
    zones = {zone.id: zone.place for zone in system.zones}
    choices: dict[str, Collection[str]] = {
        "zone": zones,
        "place": {place.id for place in system.places},
        "section": {section.id for section in system.sections},
        "unit": {unit.id for unit in system.units},
    }
    for index, site in enumerate(system.sites):
        spot = f"{where}: sites[{index}] '{site.id}'"
        for key, ids in choices.items():
            _refers(getattr(site, key), ids, key, f"{spot} {key}")
        if zones[site.zone] != site.place:
            what = f"place '{site.place}' is not that of zone '{site.zone}'"
            raise InputError(what, where=f"{spot} place", allowed=zones[site.zone])
        _once(site.exposures, f"{spot} exposures")


def _refers(value: str, ids: Collection[str], what: str, where: str) -> None:
    """Refuse a reference to nothing. ``ids`` is a set or mapping, so that many references stay cheap."""
    if value not in ids:
        known(value, sorted(ids), what=what, where=where)


def _units(system: System, where: str) -> None:
    used = {site.unit for site in system.sites}
    homes = {site.id: site.unit for site in system.sites}
    for index, unit in enumerate(system.units):
        spot = f"{where}: units[{index}] '{unit.id}'"
        if unit.id not in used:
            raise InputError("no site belongs to this unit", where=spot)
        if homes.get(unit.id, unit.id) != unit.id:
            raise InputError(f"a site of this id belongs to unit '{homes[unit.id]}'", where=spot)


def _elsewhere(system: System, where: str) -> None:
    found = [site for site in system.sites if ELSEWHERE in (site.id, site.component)]
    right = [site for site in found if site.id == site.component == ELSEWHERE and not site.view and site.count == 1]
    if len(found) != 1 or len(right) != 1:
        allowed = "exactly one site with id 'elsewhere', component 'elsewhere', view false and count 1"
        raise InputError(f"{len(found)} sites 'elsewhere'", where=f"{where}: sites", allowed=allowed)


def _touches(kind: str, parts: Sequence[tuple[Named, tuple[str, ...]]], system: System, where: str) -> None:
    sites = {site.id for site in system.sites}
    for index, (part, touched) in enumerate(parts):
        spot = f"{where}: {kind}[{index}] '{part.id}' {'catches' if kind == 'spots' else 'sites'}"
        if not touched:
            raise InputError("no site is named", where=spot)
        _once(touched, spot)
        for site in touched:
            _refers(site, sites, "site", spot)


def _spot_places(spots: tuple[Spot, ...], system: System, where: str) -> None:
    places = {place.id for place in system.places}
    for index, spot in enumerate(spots):
        _refers(spot.place, places, "place", f"{where}: spots[{index}] '{spot.id}' place")


def _twice(system: System, where: str) -> None:
    """One exposure reaches a site one way only: by its own ``exposures`` or by one circumstance."""
    reached = {(site.id, exposure) for site in system.sites for exposure in site.exposures}
    for index, part in enumerate(system.circumstances):
        _alone(part, reached, f"{where}: circumstances[{index}] '{part.id}'")
        reached |= {(site, part.exposure) for site in part.sites}


def _alone(part: Circumstance, reached: set[tuple[str, str]], where: str) -> None:
    for site in part.sites:
        if (site, part.exposure) in reached:
            raise InputError(f"exposure '{part.exposure}' reaches site '{site}' in two ways", where=where)


def _isolations(system: System, where: str) -> None:
    sections = {section.id for section in system.sections}
    taken = _taken(system)
    for index, part in enumerate(system.isolations):
        spot = f"{where}: isolations[{index}] '{part.id}'"
        if part.id in taken:
            what = f"'{part.id}' is also the id of {taken[part.id]}"
            raise InputError(what, where=f"{spot} id", allowed="an id that nothing else has")
        if not part.sections:
            raise InputError("no section is named", where=f"{spot} sections")
        _once(part.sections, f"{spot} sections")
        for section in part.sections:
            _refers(section, sections, "section", f"{spot} sections")
        if not 0 < part.volume_share <= 1:
            allowed = "above 0, at most 1"
            raise InputError(f"a share of {part.volume_share:g}", where=f"{spot} volume_share", allowed=allowed)
    _once((" + ".join(sorted(part.sections)) for part in system.isolations), f"{where}: isolations sections")
    _shares(system.isolations, where)


def _taken(system: System) -> dict[str, str]:
    """Ids that an isolation may not have, as it is a target of tests like the things that have them."""
    kinds: dict[str, Sequence[Named]] = {
        "a site": system.sites,
        "a zone": system.zones,
        "a spot": system.spots,
        "a circumstance": system.circumstances,
        "a place": system.places,
        "a section": system.sections,
    }
    return {WHOLE: "the whole system"} | {part.id: kind for kind, parts in kinds.items() for part in parts}


def _shares(isolations: Sequence[Isolation], where: str) -> None:
    """Isolations without a common section hold no more than all. Looks at one such set, the smallest parts first."""
    inside: set[str] = set()
    total = 0.0
    for part in sorted(isolations, key=lambda part: len(part.sections)):
        if inside.isdisjoint(part.sections):
            inside.update(part.sections)
            total += part.volume_share
    if total > 1 + 1e-9:
        what = f"isolations that have no section in common hold {total:.3g} of the volume"
        raise InputError(what, where=f"{where}: isolations volume_share", allowed="1 or less together")

"""The boxes of a drawing: places with their zones, from the compressor's on along the loop."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from leakinfer.circuit.model import ELSEWHERE, Site, System, Zone
from leakinfer.report.circuit.flow import COMPRESSOR_CLASSES, depths_of

MOST_ZONES = 16  # of a system with more, a place is one area
MOST_PLACES = 10  # of a system with more, quiet places are one room


@dataclass(frozen=True)
class Area:
    """A zone, or where there are many of them a place. ``target``: its id, None for several places together."""

    name: str
    sites: tuple[Site, ...]
    target: str | None
    zones: int = 1


@dataclass(frozen=True)
class Room:
    """A place with its areas."""

    name: str
    outdoors: bool
    areas: tuple[Area, ...]


def area_ids(system: System) -> dict[str, str]:
    """By zone, the area that it is drawn in: itself, or its place in a system of many zones."""
    each = len(system.zones) <= MOST_ZONES
    return {zone.id: zone.id if each else zone.place for zone in system.zones}


def rooms_of(system: System, sites: Sequence[Site], marked: Iterable[str]) -> tuple[Room, ...]:
    """The boxes of a system; ``sites`` are those that are fitted, ``marked`` the areas that have marks of their own."""
    depth = _depths(system, sites)
    areas = area_ids(system)
    rooms: list[tuple[float, Room]] = []
    for place in system.places:
        zones = [zone for zone in system.zones if zone.place == place.id]
        drawn = _areas(zones, areas, sites, depth)
        inside = [site for area in drawn for site in area.sites]
        if inside:
            rooms.append((_near(inside, depth), Room(place.name, place.outdoors, drawn)))
    rooms.sort(key=lambda pair: pair[0])
    return _few([room for _, room in rooms], set(marked))


def _areas(
    zones: Sequence[Zone], areas: Mapping[str, str], sites: Sequence[Site], depth: Mapping[str, float]
) -> tuple[Area, ...]:
    """The areas of a place, those near the compressor first; none without sites."""
    ids = dict.fromkeys(areas[zone.id] for zone in zones)
    found = []
    for name in ids:
        within = [zone for zone in zones if areas[zone.id] == name]
        inside = tuple(site for site in sites if areas[site.zone] == name)
        if inside:
            called = within[0].name if len(within) == 1 else f"{len(within)} areas together"
            found.append(Area(called, inside, name, len(within)))
    return tuple(sorted(found, key=lambda area: _near(area.sites, depth)))


def _depths(system: System, sites: Sequence[Site]) -> dict[str, float]:
    """By site, how far along the loop; the compressor itself before all, the unknown place after all."""
    sections = depths_of(system)
    known = {site.id: sections[site.section] for site in sites}
    first = {site.id: -1.0 for site in sites if site.component in COMPRESSOR_CLASSES}
    return known | first | {ELSEWHERE: 2.0}


def _near(sites: Sequence[Site], depth: Mapping[str, float]) -> float:
    """Where a group of sites belongs: at the compressor if it is among them, else at their mean."""
    depths = [depth[site.id] for site in sites]
    known = [one for one in depths if one <= 1.0] or depths
    return min(known) if min(known) < 0 else sum(known) / len(known)


def _few(rooms: Sequence[Room], marked: set[str]) -> tuple[Room, ...]:
    """All rooms, or where there are many the quiet ones gathered into one, in the place of the first of them."""
    quiet = [room for room in rooms[1:] if not marked & {area.target for area in room.areas}]
    if len(rooms) <= MOST_PLACES or len(quiet) < 2:
        return tuple(rooms)
    outdoors = {room.outdoors for room in quiet}
    gathered = [
        _gathered([room for room in quiet if room.outdoors == outside]) for outside in sorted(outdoors, reverse=True)
    ]
    at = rooms.index(quiet[0])
    before, after = rooms[:at], [room for room in rooms[at:] if room not in quiet]
    return (*before, *gathered, *after)


def _gathered(rooms: Sequence[Room]) -> Room:
    areas = [area for room in rooms for area in room.areas]
    sites = tuple(site for area in areas for site in area.sites)
    if len(rooms) == 1:
        return rooms[0]
    one = Area(f"{sum(area.zones for area in areas)} areas together", sites, None)
    return Room(f"{len(rooms)} more places", rooms[0].outdoors, (one,))

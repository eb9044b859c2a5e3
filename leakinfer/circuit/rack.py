"""A supermarket rack store of any number of sites, built from the blocks in ``priors/racks/rack_store.toml``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import chain
from typing import Annotated, Literal

from msgspec import Meta, Struct
from msgspec.structs import replace

from leakinfer.circuit.checking import complete, validate
from leakinfer.circuit.model import (
    ELSEWHERE,
    Charge,
    Circumstance,
    Isolation,
    Part,
    Place,
    Section,
    Site,
    Spot,
    System,
    Unit,
    Zone,
)
from leakinfer.errors import InputError
from leakinfer.reading import NotNegative, Positive, Probability, Text, read_toml, shipped

RACK_STORE = "rack_store"
TEMPLATE = shipped("priors", "racks", "rack_store.toml")

Kind = Literal["compressor", "receiver", "station", "condenser", "lineup"]
PlaceKind = Literal["machine_room", "roof", "aisle"]
Role = Literal["discharge", "suction", "liquid", "circuit_liquid", "circuit_suction"]


class BlockSite(Part, frozen=True):
    """A site of a block; ids are completed with those of the rack and the block."""

    id: Text
    name: Text
    component: Text
    section: Role
    unit: str = ""
    count: Annotated[int, Meta(ge=1)] = 1
    view: bool = True
    exposures: tuple[Text, ...] = ()


class BlockSpot(Part, frozen=True):
    """Where the oil of a block collects."""

    id: Text
    name: Text
    catches: tuple[Text, ...]


class Block(Part, frozen=True):
    """What one zone of a kind holds, the sites that no such zone lacks first."""

    name: Text
    place: PlaceKind
    sites: tuple[BlockSite, ...]
    circumstances: tuple[Circumstance, ...]
    spots: tuple[BlockSpot, ...]


class BlockIsolation(Part, frozen=True):
    """What the valves of a rack or of a valve station shut off; ``volume_share`` of all racks or circuits together."""

    id: Text
    name: Text
    sections: tuple[Role, ...]
    by: Literal["valves", "cut"]
    volume_share: Probability


class PlaceFacts(Part, frozen=True):
    """Minutes of a kind of place."""

    name: Text
    reach_minutes: NotNegative
    open_minutes: NotNegative
    outdoors: bool = False


class Template(Part, frozen=True):
    """The whole template file."""

    id: Text
    name: Text
    refrigerants: tuple[Text, ...]
    note: Text
    usual_sites: int
    least_sites: int
    sites_in_zone: Positive
    zones_in_rack: Positive
    charge_per_site: Charge
    places: dict[PlaceKind, PlaceFacts]
    rack_isolations: tuple[BlockIsolation, ...]
    circuit_isolations: tuple[BlockIsolation, ...]
    blocks: dict[Kind, Block]


@dataclass(frozen=True)
class Bay:
    """One zone to be built: the ``number``-th block of a kind on a rack, with ``sites`` of the block's sites."""

    rack: int
    kind: Kind
    number: int
    station: int  # the valve station that feeds it, 0 if none
    sites: int

    @property
    def id(self) -> str:
        """The zone's id, which begins the ids of all that lies in it."""
        return f"r{self.rack}_{self.kind}{self.number}"


class Pieces(Struct, frozen=True):
    """What one bay adds to the system."""

    zone: Zone
    sites: tuple[Site, ...]
    units: tuple[Unit, ...]
    circumstances: tuple[Circumstance, ...]
    spots: tuple[Spot, ...]


def rack_store(sites: int) -> System:
    """A rack store with exactly that many sites, "elsewhere" among them; the same number gives the same store.

    Raises:
        InputError: fewer sites than a rack needs.
    """
    template = _template()
    if sites < template.least_sites:
        allowed = f"{template.least_sites} or more"
        raise InputError(f"a rack store cannot have {sites} sites", where=f"{RACK_STORE}:{sites}", allowed=allowed)
    bays = tuple(_bays(template, sites - 1))
    system = complete(_system(template, bays, sites))
    validate(system, f"{RACK_STORE}:{sites}")
    return system


def rack_store_named(size: str | None) -> System:
    """The rack store of the size that a person wrote behind ``rack_store:``, or of the usual size.

    Raises:
        InputError: the size is not a whole number.
    """
    if size is None:
        return rack_store(_template().usual_sites)
    if not (size.isascii() and size.isdigit() and len(size) <= 6):
        allowed = f"{RACK_STORE}:N with N a whole number of sites, as {RACK_STORE}:2000"
        raise InputError(f"'{size}' is not a number of sites", where=f"{RACK_STORE}:{size}", allowed=allowed)
    return rack_store(int(size))


def rack_name() -> str:
    """The template's name."""
    return _template().name


@cache
def _template() -> Template:
    return read_toml(TEMPLATE, Template)


def _share(total: int, parts: int) -> list[int]:
    """``total`` in ``parts`` whole numbers that differ by one at most, larger ones first."""
    least, more = divmod(total, parts)
    return [least + (index < more) for index in range(parts)]


def _bays(template: Template, sites: int) -> Iterator[Bay]:
    """The zones, rack by rack, with their numbers of sites."""
    zones = round(sites / template.sites_in_zone)
    racks = max(1, round(zones / template.zones_in_rack))
    sizes = iter(_share(sites, zones))
    for rack, on_rack in enumerate(_share(zones, racks), start=1):
        for kind, number, station in _layout(on_rack):
            yield Bay(rack, kind, number, station, next(sizes))


def _layout(zones: int) -> Iterator[tuple[Kind, int, int]]:
    """Kind, number and feeding station of a rack's zones: one compressor and one station to about four line-ups."""
    condensers = 1 + zones // 25
    rest = zones - 1 - condensers
    several = 1 + (rest - 3) // 6  # compressors, and as many stations
    lineups = rest - 2 * several
    yield "receiver", 1, 0
    yield from (("compressor", number, 0) for number in range(1, several + 1))
    yield from (("condenser", number, 0) for number in range(1, condensers + 1))
    first = 0
    for station, fed in enumerate(_share(lineups, several), start=1):
        yield "station", station, station
        yield from (("lineup", number, station) for number in range(first + 1, first + fed + 1))
        first += fed


def _system(template: Template, bays: tuple[Bay, ...], sites: int) -> System:
    pieces = tuple(_pieces(template, bay) for bay in bays)
    hidden = Zone("hidden", "pipe chases, floors and insulation", "machine_room")
    unknown = Site(
        ELSEWHERE, "somewhere not on this list", ELSEWHERE, hidden.place, hidden.id, "r1_suction", view=False
    )
    return System(
        id=f"{RACK_STORE}_{sites}",
        name=f"Supermarket rack store, {sites} sites",
        refrigerants=template.refrigerants,
        charge=_charge(template, sites),
        places=tuple(_places(template, bays)),
        zones=(*(piece.zone for piece in pieces), hidden),
        sections=tuple(chain.from_iterable(_sections(bay) for bay in bays)),
        sites=(*chain.from_iterable(piece.sites for piece in pieces), unknown),
        units=tuple(chain.from_iterable(piece.units for piece in pieces)),
        circumstances=tuple(chain.from_iterable(piece.circumstances for piece in pieces)),
        spots=tuple(chain.from_iterable(piece.spots for piece in pieces)),
        isolations=tuple(_isolations(template, bays)),
        note=template.note,
    )


def _charge(template: Template, sites: int) -> Charge:
    each = template.charge_per_site
    low, typical, high = (round(sites * amount, 1) for amount in (each.low, each.typical, each.high))
    return replace(each, low=low, typical=typical, high=high)


def _places(template: Template, bays: tuple[Bay, ...]) -> Iterator[Place]:
    for kind in ("machine_room", "roof"):
        facts = template.places[kind]
        yield Place(kind, facts.name, facts.reach_minutes, facts.open_minutes, facts.outdoors)
    aisle = template.places["aisle"]
    for bay in bays:
        if bay.kind == "station":
            name = f"{aisle.name} of rack {bay.rack}, circuit {bay.number}"
            yield Place(_aisle(bay), name, aisle.reach_minutes, aisle.open_minutes, aisle.outdoors)


def _sections(bay: Bay) -> Iterator[Section]:
    """The sections that begin at a bay: three for a rack, two for a valve station."""
    rack = f"rack {bay.rack}"
    if bay.kind == "receiver":
        yield Section(_section(bay, "discharge"), f"{rack}, discharge and condenser", "high", "vapour")
        yield Section(_section(bay, "liquid"), f"{rack}, receiver and liquid header", "high", "liquid")
        yield Section(_section(bay, "suction"), f"{rack}, compressors and suction header", "low", "vapour")
    if bay.kind == "station":
        circuit = f"{rack}, circuit {bay.station}"
        yield Section(_section(bay, "circuit_liquid"), f"{circuit}, liquid", "high", "liquid")
        yield Section(_section(bay, "circuit_suction"), f"{circuit}, coils and suction", "low", "vapour")


def _isolations(template: Template, bays: tuple[Bay, ...]) -> Iterator[Isolation]:
    """Racks share alike in what all racks hold, circuits by the line-ups that they feed."""
    racks = sum(bay.kind == "receiver" for bay in bays)
    fed = Counter((bay.rack, bay.station) for bay in bays if bay.kind == "lineup")
    for bay in bays:
        if bay.kind == "receiver":
            for part in template.rack_isolations:
                yield _isolation(bay, part, "", 1 / racks)
        if bay.kind == "station":
            for part in template.circuit_isolations:
                yield _isolation(bay, part, str(bay.station), fed[bay.rack, bay.station] / fed.total())


def _isolation(bay: Bay, part: BlockIsolation, station: str, share: float) -> Isolation:
    return Isolation(
        id=f"r{bay.rack}_{part.id}{station}",
        name=f"rack {bay.rack}, {part.name} {station}".rstrip(),
        sections=tuple(_section(bay, role) for role in part.sections),
        by=part.by,
        volume_share=share * part.volume_share,
    )


def _section(bay: Bay, role: Role) -> str:
    within = role.replace("circuit", f"circuit{bay.station}") if role.startswith("circuit") else role
    return f"r{bay.rack}_{within}"


def _aisle(bay: Bay) -> str:
    return f"r{bay.rack}_aisle{bay.station}"


def _pieces(template: Template, bay: Bay) -> Pieces:
    block = template.blocks[bay.kind]
    kept = block.sites[: bay.sites]
    label = f"rack {bay.rack}, {block.name} {bay.number}"
    place = _aisle(bay) if block.place == "aisle" else block.place
    units = dict.fromkeys(site.unit for site in kept if site.unit)
    return Pieces(
        zone=Zone(bay.id, label, place),
        sites=tuple(_site(bay, site, label, place) for site in kept),
        units=tuple(Unit(f"{bay.id}_{unit}", f"{label}: {unit.replace('_', ' ')}") for unit in units),
        circumstances=tuple(_circumstance(bay, part, label, kept) for part in block.circumstances),
        spots=tuple(
            Spot(f"{bay.id}_{spot.id}", f"{label}: {spot.name}", place, _within(bay, spot.catches, kept))
            for spot in block.spots
        ),
    )


def _site(bay: Bay, site: BlockSite, label: str, place: str) -> Site:
    return Site(
        id=f"{bay.id}_{site.id}",
        name=f"{label}: {site.name}",
        component=site.component,
        place=place,
        zone=bay.id,
        section=_section(bay, site.section),
        unit=f"{bay.id}_{site.unit}" if site.unit else "",
        count=site.count,
        view=site.view,
        exposures=site.exposures,
    )


def _circumstance(bay: Bay, part: Circumstance, label: str, kept: tuple[BlockSite, ...]) -> Circumstance:
    sites = _within(bay, part.sites, kept)
    return Circumstance(f"{bay.id}_{part.id}", f"{label}: {part.name}", part.exposure, sites)


def _within(bay: Bay, names: tuple[str, ...], kept: tuple[BlockSite, ...]) -> tuple[str, ...]:
    """The full ids of those names that are among the sites that the bay keeps."""
    present = {site.id for site in kept}
    return tuple(f"{bay.id}_{name}" for name in names if name in present)

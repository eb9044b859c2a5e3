"""A cooling system as data: places, zones, sections, repair units, sites, and the spots that oil drips to."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from leakinfer.reading import Known, NotNegative, Positive, Probability, Text

ELSEWHERE = "elsewhere"
WHOLE = "whole"  # the target of a test of the whole system; no part may have this id


class Part(Struct, frozen=True, forbid_unknown_fields=True):
    """Any piece of a system file; refuses keys it does not know."""


class Place(Part, frozen=True):
    """Where one must stand.

    ``reach_minutes`` from the van or any other place, ``open_minutes`` once, for a panel or ladder.
    """

    id: Text
    name: Text
    reach_minutes: NotNegative
    open_minutes: NotNegative = 0.0
    outdoors: bool = False


class Zone(Part, frozen=True):
    """A volume of air that a probe takes in together."""

    id: Text
    name: Text
    place: Text


class Section(Part, frozen=True):
    """A stretch of the circuit with one pressure and phase. ``side`` and ``phase`` hold while running in cooling."""

    id: Text
    name: Text
    side: Literal["high", "low"]
    phase: Literal["vapour", "liquid"]
    heating_side: Literal["high", "low", "none"] = "none"  # none: the system does not heat
    heating_phase: Literal["vapour", "liquid"] = "vapour"


class Isolation(Part, frozen=True):
    """Sections that can be shut off together from all others, for a hold of their own.

    ``by``: ``valves`` that are there, or ``cut``: the pipe is cut (a flare undone) and ports are put in.
    ``volume_share`` of the whole circuit's inner volume.
    """

    id: Text
    name: Text
    sections: tuple[Text, ...]
    by: Literal["valves", "cut"]
    volume_share: Probability


class Unit(Part, frozen=True):
    """What would be repaired or replaced as one."""

    id: Text
    name: Text


class Site(Part, frozen=True):
    """A place that can leak: one joint, core, cap, shell, tube run, or ``count`` equal ones.

    ``component`` is a component class of the catalogue. ``unit`` defaults to the site itself. ``view`` is False where
    no line of sight reaches. ``exposures`` are circumstances that may or may not touch this site.
    """

    id: Text
    name: Text
    component: Text
    place: Text
    zone: Text
    section: Text
    unit: str = ""
    count: Annotated[int, Meta(ge=1)] = 1
    view: bool = True
    exposures: tuple[Text, ...] = ()


class Circumstance(Part, frozen=True):
    """One exposure that touches several sites together, as leaf litter against everything at the foot of the unit."""

    id: Text
    name: Text
    exposure: Text
    sites: tuple[Text, ...]


class Spot(Part, frozen=True):
    """Somewhere that oil collects, with the sites it can come from."""

    id: Text
    name: Text
    place: Text
    catches: tuple[Text, ...]


class Charge(Part, frozen=True):
    """Usual refrigerant charge."""

    typical: Positive
    low: Positive
    high: Positive
    unit: Literal["kg"]
    source: Text
    known: Known


class System(Part, frozen=True):
    """A system, as read from ``priors/systems/`` and checked by :mod:`leakinfer.circuit.reader`."""

    id: Text
    name: Text
    refrigerants: tuple[Text, ...]  # the first is the usual one
    charge: Charge
    places: tuple[Place, ...]
    zones: tuple[Zone, ...]
    sections: tuple[Section, ...]
    sites: tuple[Site, ...]
    units: tuple[Unit, ...] = ()
    circumstances: tuple[Circumstance, ...] = ()
    spots: tuple[Spot, ...] = ()
    isolations: tuple[Isolation, ...] = ()
    note: str = ""

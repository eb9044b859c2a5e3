"""Systems from files and from journals: read, checked, completed, written back as plain data."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
from msgspec.structs import replace

from leakinfer.circuit.checking import check_against, complete, validate
from leakinfer.circuit.model import Site, System
from leakinfer.circuit.rack import RACK_STORE, rack_name, rack_store_named
from leakinfer.errors import InputError
from leakinfer.reading import checked, known, read_text, read_toml, shipped

__all__ = [
    "check_against",
    "load_system",
    "shipped_systems",
    "system_from_data",
    "system_to_data",
    "validate",
    "with_site",
]

FOLDER = shipped("priors", "systems")


def shipped_systems() -> dict[str, str]:
    """Ids and names of the systems that come with the program, in order of id. Reads names only, not inventories."""
    names = {path.stem: _heading(path) for path in FOLDER.glob("*.toml")}
    return dict(sorted({**names, RACK_STORE: rack_name()}.items()))


def load_system(name_or_path: str) -> System:
    """A shipped system by its id (``ducted_split``, ``rack_store:2000``) or one's own from a path to a TOML file.

    Raises:
        InputError: an unknown id (the shipped ones are listed), or a file that is not a usable system.

    Example:
        >>> from leakinfer import load_system
        >>> system = load_system("ductless_split")
        >>> system.refrigerants[0], system.charge.typical, system.charge.unit
        ('R-32', 0.9, 'kg')
        >>> [place.id for place in system.places]
        ['outside_wall', 'outdoor_inside', 'line_cover', 'room']
    """
    stem, colon, size = name_or_path.partition(":")
    if stem == RACK_STORE:
        return rack_store_named(size if colon else None)
    if name_or_path.endswith(".toml") or os.path.isfile(name_or_path):
        return _from_file(Path(name_or_path))
    return _from_file(FOLDER / f"{known(name_or_path, shipped_systems(), what='system', where='system')}.toml")


def system_from_data(data: Mapping[str, Any], where: str) -> System:
    """A checked, completed system from plain data, as a TOML file or a journal holds it.

    A site may leave out its place: it is that of its zone.

    Args:
        data: the keys of :class:`~leakinfer.circuit.model.System`.
        where: the file or journal that it comes from, for the errors.

    Raises:
        InputError: an unknown or missing key, a wrong type, a reference to nothing, with ``where`` and the key.
    """
    system = complete(checked(_with_places(data), System, where=where))
    validate(system, where)
    return system


def system_to_data(system: System) -> dict[str, Any]:
    """The system as plain data that JSON can hold; :func:`system_from_data` turns it back into an equal system."""
    data: dict[str, Any] = msgspec.to_builtins(system)
    return data


def with_site(system: System, site: Site) -> System:
    """The system with one more site, a person's own. It is put beside the others of its unit or zone.

    Raises:
        InputError: the id is taken, or the place, zone, section or unit does not fit.
    """
    known(site.zone, (zone.id for zone in system.zones), what="zone", where=f"new site '{site.id}'")
    near = [index for index, other in enumerate(system.sites) if other.zone == site.zone]
    same = [index for index in near if site.unit and system.sites[index].unit == site.unit]
    cut = (same or near)[-1] + 1
    larger = complete(replace(system, sites=(*system.sites[:cut], site, *system.sites[cut:])))
    validate(larger, f"new site '{site.id}'")
    return larger


def _from_file(path: Path) -> System:
    return system_from_data(read_toml(path, dict[str, Any]), str(path))


def _heading(path: Path) -> str:
    found = re.search(r'^name = "(.+)"$', read_text(path), re.MULTILINE)
    if found is None:
        raise InputError('no line of the form name = "..."', where=f"{path}: name")
    return found[1]


def _with_places(data: Mapping[str, Any]) -> dict[str, Any]:
    """The data with the place of its zone at each site that names none; leaves anything ill-formed as it is."""
    zones, sites = data.get("zones"), data.get("sites")
    if not isinstance(zones, (list, tuple)) or not isinstance(sites, (list, tuple)):
        return dict(data)
    named = [zone for zone in zones if isinstance(zone, dict) and isinstance(zone.get("id"), str)]
    homes = {zone["id"]: zone.get("place") for zone in named}
    return {**data, "sites": [_with_place(site, homes) for site in sites]}


def _with_place(site: Any, homes: Mapping[str, Any]) -> Any:
    if not isinstance(site, dict) or "place" in site or not isinstance(site.get("zone"), str):
        return site
    return {**site, "place": homes.get(site["zone"], "unknown")}  # the unknown zone itself is refused by validate

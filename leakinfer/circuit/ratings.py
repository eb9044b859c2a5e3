"""The most gauge pressure that a section may be put under: the nameplate's, else the least that it must be made for.

A nameplate is better than anything here. These values are for planning; a person reads the plate, asks the maker, and
follows local codes. Hoses, regulator and relief valves have limits of their own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from leakinfer.circuit.conditions import CARBON_DIOXIDE, Refrigerant, Side, number
from leakinfer.circuit.model import Section
from leakinfer.errors import InputError
from leakinfer.physics.units import both_pressures, celsius_to_kelvin, pa_to_kpa_gauge


def rating_side(section: Section) -> Side:
    """The side that a section is made for: high if it is on the high side in cooling or in heating."""
    return "high" if "high" in (section.side, section.heating_side) else "low"


def section_rating_kpa(
    section: Section,
    refrigerant: Refrigerant,
    numbers: Mapping[str, float],
    high_kpa: float | None = None,
    low_kpa: float | None = None,
) -> float:
    """The pressure that a section is rated for, kPa gauge.

    The nameplate's for its side, else the bubble pressure at the design temperature of that side, which is the least
    design pressure of ASHRAE 15 (from memory).

    Args:
        section: the section.
        refrigerant: its saturation pressures.
        numbers: design temperatures in C by id, as :func:`~leakinfer.circuit.conditions.condition_numbers` gives them.
        high_kpa: high side design pressure on the nameplate, kPa gauge, None if unknown.
        low_kpa: low side design pressure on the nameplate, kPa gauge, None if unknown.

    Raises:
        InputError: nameplate values that cannot be, R-744 without one, or a number that is missing.
    """
    _check_nameplate(high_kpa, low_kpa)
    side = rating_side(section)
    nameplate = high_kpa if side == "high" else low_kpa
    if nameplate is not None:
        return nameplate
    if refrigerant.name == CARBON_DIOXIDE:
        what = f"no rating of the {side} side is known: R-744 systems are made for many pressures"
        raise InputError(what, where=f"section '{section.id}'", allowed=f"the {side} side pressure on the nameplate")
    design_c = number(numbers, f"{side}_side_design_c")
    return pa_to_kpa_gauge(refrigerant.bubble_pressure(celsius_to_kelvin(design_c)))


def lowest_rating_kpa(
    sections: Iterable[Section],
    refrigerant: Refrigerant,
    numbers: Mapping[str, float],
    high_kpa: float | None = None,
    low_kpa: float | None = None,
) -> float:
    """The lowest rating among connected sections, kPa gauge: no pressure may go above it.

    Args and errors as :func:`section_rating_kpa`; no section at all is an InputError too.
    """
    ratings = [section_rating_kpa(section, refrigerant, numbers, high_kpa, low_kpa) for section in sections]
    if not ratings:
        raise InputError("no section is named", where="ratings", allowed="one section or more")
    return min(ratings)


def _check_nameplate(high_kpa: float | None, low_kpa: float | None) -> None:
    for side, value in (("high", high_kpa), ("low", low_kpa)):
        if value is not None and not 0 < value < math.inf:
            raise InputError(f"{value:g} kPa gauge", where=f"nameplate, {side} side", allowed="above 0 kPa gauge")
    if high_kpa is not None and low_kpa is not None and low_kpa > high_kpa:
        what = f"low side {both_pressures(low_kpa)} is above high side {both_pressures(high_kpa)}"
        raise InputError(what, where="nameplate", allowed="high side at or above low side")

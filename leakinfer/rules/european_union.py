"""EU leak checks: how often a system with fluorinated greenhouse gases must be checked, Regulation (EU) 2024/573."""

from __future__ import annotations

import math

from leakinfer.errors import InputError
from leakinfer.rules.book import Book, Cited, Fluid, load_rules, reaches

BANDS = (12, 6, 3)  # names of the limits in the file: eu_tonnes_12_months and so on


class LeakChecks(Cited, frozen=True):
    """What the EU regulation says of one stationary system.

    ``tonnes``: t CO2 equivalent of its Annex I gases; ``hfo_kg``: kg of its Annex II group 1 gases. ``months``: longest
    time between leak checks, None if none are asked for; ``because``: why. ``detection_required``: whether it must
    have a leakage detection system. ``follows``: what would follow, in general terms.
    """

    refrigerant: str
    kg: float
    tonnes: float
    hfo_kg: float
    months: float | None
    because: str
    detection_required: bool
    follows: tuple[str, ...]


def tonnes_of(refrigerant: str, kg: float, book: Book | None = None) -> float:
    """T CO2 equivalent of all of a refrigerant: kg * GWP / 1000, GWP of 100 years, IPCC AR4 as EU law uses it.

    Raises:
        InputError: an unknown refrigerant, or a mass that is not above zero.
    """
    return _mass(kg, "kg") * (book or load_rules()).fluid(refrigerant).gwp / 1000


def kg_for_tonnes(refrigerant: str, tonnes: float, book: Book | None = None) -> float:
    """Kg of a refrigerant that are ``tonnes`` of CO2 equivalent: 1000 t / GWP; inverse of :func:`tonnes_of`.

    Raises:
        InputError: an unknown refrigerant or one of no GWP, or tonnes that are not above zero.
    """
    fluid = (book or load_rules()).fluid(refrigerant)
    if fluid.gwp <= 0:
        raise InputError(f"{fluid.name} has a GWP of 0", where="refrigerant", allowed="a refrigerant with a GWP")
    return 1000 * _mass(tonnes, "tonnes", "t") / fluid.gwp


def leak_checks(
    refrigerant: str,
    kg: float,
    *,
    hermetic: bool = False,
    residential: bool = False,
    detection: bool = False,
    book: Book | None = None,
) -> LeakChecks:
    """How often the regulation asks for leak checks: Annex I gases by t CO2, Annex II group 1 gases by kg.

    A mixture is judged on both, part by part, and the shorter time holds (German Environment Agency, questions on the
    regulation, 2.1).

    Args:
        refrigerant: in any spelling.
        kg: full charge.
        hermetic: labelled as hermetically sealed. Of a mixture both limits must be kept: the text joins them by "or",
            this is the strict reading.
        residential: in a residential building.
        detection: with a leakage detection system that warns someone.
        book: the rules' numbers; the shipped ones if not given.

    Raises:
        InputError: an unknown refrigerant, or a mass that is not above zero.
    """
    book = book or load_rules()
    fluid = book.fluid(refrigerant)
    tonnes, hfo_kg = _mass(kg, "kg") * fluid.annex_gwp / 1000, kg * fluid.share("hfo")
    required = _detection_required(tonnes, hfo_kg, book)
    months, because = _interval(tonnes, hfo_kg, book)
    free = _sealed(fluid, kg, (tonnes, hfo_kg), residential, book) if hermetic and months is not None else ""
    if free:
        months, because = None, free
    if months is not None and detection:
        months *= book.value("eu_detection_factor")
    if fluid.share("hfc", "hfo") <= 0:
        because = _no_fluorinated_gas(fluid)
    text = book.text("eu_f_gas")
    named = (text.id, text.title, text.where, text.dated, text.verify)
    follows = _follows(months, required, detection, book)
    return LeakChecks(*named, fluid.name, kg, tonnes, hfo_kg, months, because, required, follows)


def _interval(tonnes: float, hfo_kg: float, book: Book) -> tuple[float | None, str]:
    """Months between checks, the shorter of the two limbs, and why."""
    by_tonnes, by_mass = _band(tonnes, "tonnes", book), _band(hfo_kg, "hfo", book)
    words = f"{tonnes:.2f} t CO2 of Annex I gases, {hfo_kg:.2f} kg of Annex II group 1 gases"
    band = max(by_tonnes, by_mass)
    if band == 0:
        least = f"{book.value('eu_tonnes_12_months'):g} t and {book.value('eu_hfo_12_months'):g} kg"
        return None, f"{words}: below {least}"
    return book.value(f"eu_months_{band}"), words


def _band(value: float, limb: str, book: Book) -> int:
    """How many of the three limits of a limb a value reaches."""
    return sum(reaches(value, book.value(f"eu_{limb}_{months}_months")) for months in BANDS)


def _sealed(fluid: Fluid, kg: float, limbs: tuple[float, float], residential: bool, book: Book) -> str:
    """Why a system that is labelled hermetically sealed needs no checks; empty if it does."""
    tonnes, hfo_kg = book.value("eu_hermetic_tonnes"), book.mass_kg("eu_hermetic_hfo")
    if not reaches(limbs[0], tonnes) and not reaches(limbs[1], hfo_kg):
        return f"labelled hermetically sealed, below {tonnes:g} t CO2 and {hfo_kg:g} kg"
    home = book.mass_kg("eu_residential_kg")
    if residential and not reaches(kg * fluid.share("hfc", "hfo"), home):
        return f"labelled hermetically sealed, in a residential building, below {home:g} kg"
    return ""


def _detection_required(tonnes: float, hfo_kg: float, book: Book) -> bool:
    by_tonnes = reaches(tonnes, book.value("eu_detection_tonnes"))
    return by_tonnes or reaches(hfo_kg, book.mass_kg("eu_detection_hfo"))


def _no_fluorinated_gas(fluid: Fluid) -> str:
    if fluid.share("ozone") > 0:
        return f"{fluid.name} depletes ozone: Regulation (EU) 2024/590 has leak checks of its own"
    return f"{fluid.name} contains no fluorinated greenhouse gas"


def _follows(months: float | None, required: bool, detection: bool, book: Book) -> tuple[str, ...]:
    if months is None:
        return ()
    follows = [f"a leak check at least every {months:g} months, by a certified person"]
    if required and not detection:
        follows.append("a leakage detection system that warns someone must be fitted")
    if required:
        follows.append(f"that system is checked at least every {book.value('eu_detection_check_months'):g} months")
    hours, month = book.value("eu_recheck_hours"), book.value("eu_recheck_months")
    follows.append(f"after a repair: checked no sooner than {hours:g} running hours and within {month:g} month of it")
    follows.append("direct methods always; indirect ones only if what they measure shows the charge (1516/2007 Art. 5)")
    return tuple(follows)


def _mass(value: float, where: str, unit: str = "kg") -> float:
    if not 0 < value < math.inf:
        raise InputError(f"{value:g} {unit}", where=where, allowed=f"above 0 {unit}")
    return value

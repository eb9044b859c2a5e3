"""What a person knows of the system before any test; everything but system and refrigerant has a sensible default."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, structs

from leakinfer.catalogue.model import Tier
from leakinfer.circuit.conditions import State
from leakinfer.circuit.model import ELSEWHERE, System
from leakinfer.errors import InputError
from leakinfer.physics.refrigerants import refrigerant
from leakinfer.reading import checked, known

UNKNOWN_AGE_YEARS = (
    10.0  # when nobody knows: the middle of a life of 10 to 20 years (IPCC 2006 V3 Ch7 Table 7.9, from memory)
)

Temperature = Annotated[float, Meta(ge=-40, le=65)]
Gauge = Annotated[float, Meta(ge=-101, le=20000)]


class Loss(Struct, frozen=True, forbid_unknown_fields=True):
    """Refrigerant found missing: ``kg`` since the charge was last known to be right, ``years`` ago.

    ``relative_error``: standard deviation of ``kg`` over ``kg``; None takes the catalogue's for a reported loss.
    ``since_first_charge``: the time reaches back to the first charge although the system is older, as where the one
    top-up that is known lies in the past.

    Example:
        >>> from leakinfer import Loss
        >>> Loss(kg=0.3, years=2, relative_error=0.1).since_first_charge
        False
    """

    kg: Annotated[float, Meta(ge=0, le=5000)]
    years: Annotated[float, Meta(gt=0, le=80)]
    relative_error: Annotated[float, Meta(gt=0, le=2)] | None = None
    since_first_charge: bool = False


class Facts(Struct, frozen=True, forbid_unknown_fields=True):
    """Facts of a job. Years, kg, C, kPa gauge, litres.

    ``circumstances`` says of some whether they are there (true) or not (false). ``state`` to ``low_kpa`` tell the
    present condition. ``consent``: the dearest tier that the customer has agreed to. ``aids``: those that are in
    place, as dye. ``seen``: advice that a person's eyes called for.

    Example:
        >>> from leakinfer import Facts, Loss
        >>> facts = Facts("R-32", 0.9, age_years=6, loss=Loss(kg=0.3, years=2), air="breeze")
        >>> facts.state, facts.outdoor_c
        ('standing', 24.0)
    """

    refrigerant: str
    charge_kg: Annotated[float, Meta(gt=0, le=5000)]
    age_years: Annotated[float, Meta(ge=0, le=80)] = UNKNOWN_AGE_YEARS
    tight_years_ago: Annotated[float, Meta(gt=0, le=80)] | None = None  # when all of it was last proved tight
    loss: Loss | None = None
    first_charge_weighed: bool = False
    circumstances: dict[str, bool] = {}
    not_fitted: tuple[str, ...] = ()
    state: State = "standing"
    heating: bool = False
    test_kpa: Annotated[float, Meta(ge=0, le=20000)] = 0.0
    test_isolation: str | None = None  # what the test gas or vacuum is shut into; None: all of the circuit
    high_kpa: Gauge | None = None
    low_kpa: Gauge | None = None
    air: Literal["still", "breeze", "wind"] = "still"
    outdoor_c: Temperature = 24.0
    indoor_c: Temperature = 22.0
    gauges: bool = False
    place: str | None = None  # where the technician stands
    opened: tuple[str, ...] = ()  # places whose panel is off or ladder is up
    false_causes: tuple[str, ...] = ()  # about the site, whatever is tested
    untried_operator: bool = False  # nobody has yet seen whether the operator finds what is there
    matters_g_per_year: Annotated[float, Meta(gt=0)] | None = None
    rating_high_kpa: Annotated[float, Meta(gt=0, le=20000)] | None = None  # from the nameplate
    rating_low_kpa: Annotated[float, Meta(gt=0, le=20000)] | None = None
    volume_l: Annotated[float, Meta(gt=0, le=20000)] | None = None  # inside the whole circuit
    consent: Tier = "standard"
    minutes_left: Annotated[float, Meta(ge=0)] | None = None
    not_on_van: tuple[str, ...] = ()
    aids: tuple[str, ...] = ()
    seen: tuple[str, ...] = ()


def start_facts(system: System, given: dict[str, Any], where: str) -> Facts:
    """Facts for a new job; refrigerant and charge default to the system's usual ones, cold rooms are not guessed.

    Raises:
        InputError: a value out of range, or a name that the system does not have.

    Example:
        >>> from leakinfer import load_system, start_facts
        >>> facts = start_facts(load_system("ductless_split"), {"age_years": 6}, "my job")
        >>> facts.refrigerant, facts.charge_kg, facts.age_years
        ('R-32', 0.9, 6.0)
    """
    usual = {"refrigerant": system.refrigerants[0], "charge_kg": system.charge.typical}
    return settled(system, checked(usual | given, Facts, where=where), where)


def settled(system: System, facts: Facts, where: str) -> Facts:
    """The facts with proper names, checked against the system and against each other."""
    for site in facts.not_fitted:
        known(site, [s.id for s in system.sites if s.id != ELSEWHERE], what="site", where=f"{where}: not_fitted")
    for name in facts.circumstances:
        known(name, circumstance_ids(system), what="circumstance", where=f"{where}: circumstances")
    places = [place.id for place in system.places]
    for place in (*facts.opened, *([facts.place] if facts.place else [])):
        known(place, places, what="place", where=f"{where}: place")
    if facts.tight_years_ago is not None and facts.tight_years_ago > facts.age_years:
        raise InputError(
            f"proved tight {facts.tight_years_ago:g} years ago, before it was {facts.age_years:g} years old",
            where=f"{where}: tight_years_ago",
            allowed=f"0 to {facts.age_years:g} years",
        )
    if facts.test_isolation is not None:
        known(
            facts.test_isolation,
            [part.id for part in system.isolations],
            what="isolation",
            where=f"{where}: test_isolation",
        )
    if facts.loss is not None:
        _check_loss(facts, facts.loss, where)
    return structs.replace(facts, refrigerant=refrigerant(facts.refrigerant, where=f"{where}: refrigerant").name)


def _check_loss(facts: Facts, loss: Loss, where: str) -> None:
    if loss.kg > facts.charge_kg * 1.2:
        what = f"a loss of {loss.kg:g} kg from a charge of {facts.charge_kg:g} kg"
        raise InputError(
            what, where=f"{where}: loss", allowed=f"0 to {facts.charge_kg:g} kg; give each top-up's interval alone"
        )
    if loss.years > facts.age_years + 1e-9:
        what = f"a loss over {loss.years:g} years, the system is {facts.age_years:g} years old"
        raise InputError(what, where=f"{where}: loss", allowed=f"0 to {facts.age_years:g} years")


def circumstance_ids(system: System) -> Iterable[str]:
    """All that can be looked at: shared circumstances, and ``site:exposure`` for those of one site."""
    yield from (c.id for c in system.circumstances)
    yield from (f"{site.id}:{exposure}" for site in system.sites for exposure in site.exposures)

"""What happens after the first search: repairs, and a return months later."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

from leakinfer.reading import Text


class Repaired(Struct, frozen=True, forbid_unknown_fields=True):
    """A site, or a whole repair unit, was repaired; ``exchanged``: the part is new.

    ``after`` counts the findings made before it, ``visit`` the returns; the job fills them in.

    Example:
        >>> from leakinfer import Belief, Finding, Job, Repaired, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {}, "my job"))
        >>> site = "liquid_valve_flare"
        >>> found = job.with_finding(Finding("bubbles", site, "fast_bubbles", job.condition()))
        >>> mended = found.with_repair(Repaired(site))
        >>> Belief(mended).matters_probability[site] < Belief(found).matters_probability[site]
        True
    """

    target: Text
    exchanged: bool = False
    after: int = 0
    visit: int = 0
    note: str = ""


class Return(Struct, frozen=True, forbid_unknown_fields=True):
    """A later visit, ``years`` after the one before. ``recharged``: the charge was put right when that one ended.

    ``missing_kg``: what was found missing since then, if it was. ``after`` counts the findings made before it.

    Example:
        >>> from leakinfer import Job, Return, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"gauges": True}, "my job"))
        >>> later = job.with_return(Return(years=0.5))
        >>> job.facts.gauges, later.facts.gauges
        (True, False)
    """

    years: Annotated[float, Meta(gt=0, le=80)]
    recharged: bool = True
    missing_kg: Annotated[float, Meta(ge=0, le=5000)] | None = None
    after: int = 0


class Aired(Struct, frozen=True, forbid_unknown_fields=True):
    """A place was aired until a probe held in the middle of it fell silent. ``after``: findings made before it.

    Example:
        >>> from leakinfer import Aired, Job, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {}, "my job"))
        >>> job.with_airing(Aired("room")).airings
        (Aired(place='room', after=0),)
    """

    place: Text
    after: int = 0

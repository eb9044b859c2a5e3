"""What a person tells the job: the outcome of a test with its readings, or why one is left out."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import Condition

Above = Annotated[float, Meta(gt=0)]


class Hold(Struct, frozen=True, forbid_unknown_fields=True):
    """Two looks at the gauge over test gas that is shut in: kPa gauge, C, hours.

    What is left out is taken from the catalogue (the gauge) and the facts (the inner volume, litres). Temperatures are
    checked by the physics, which knows what Fahrenheit looks like.

    Example:
        >>> from leakinfer import Belief, Finding, Hold, Job, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> facts = start_facts(system, {"state": "nitrogen", "test_kpa": 1500.0}, "my job")
        >>> job = Job(system, load_catalogue(), facts)
        >>> fell = Hold(start_kpa=1500, end_kpa=1400, start_c=22, end_c=22, hours=1)
        >>> told = job.with_finding(Finding("hold_hour", "whole", "fell", job.condition(), hold=fell))
        >>> Belief(told).any_at_all > Belief(job).any_at_all
        True
    """

    start_kpa: Annotated[float, Meta(ge=0, le=20000)]
    end_kpa: Annotated[float, Meta(ge=-101, le=20000)]
    start_c: float
    end_c: float
    hours: Annotated[float, Meta(gt=0, le=2000)]
    resolution_kpa: Above | None = None
    accuracy_kpa: Above | None = None
    volume_l: Above | None = None


class Rise(Struct, frozen=True, forbid_unknown_fields=True):
    """Two or three looks at the gauge over a vacuum that is shut in: Pa absolute, minutes, C, litres.

    Example:
        >>> from leakinfer import Belief, Finding, Job, Rise, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"state": "vacuum"}, "my job"))
        >>> rose = Rise(start_pa=60, end_pa=400, minutes=15, temperature_c=22)
        >>> told = job.with_finding(Finding("vacuum_hold", "whole", "rose", job.condition(), rise=rose))
        >>> Belief(told).any_at_all > Belief(job).any_at_all
        True
    """

    start_pa: Annotated[float, Meta(gt=0, le=101325)]
    end_pa: Annotated[float, Meta(gt=0, le=120000)]
    minutes: Annotated[float, Meta(gt=0, le=100000)]
    temperature_c: float
    middle_pa: Annotated[float, Meta(gt=0, le=120000)] | None = None
    middle_minutes: Above | None = None
    volume_l: Above | None = None


class Gathered(Struct, frozen=True, forbid_unknown_fields=True):
    """Refrigerant that collected in the air under a shroud: ppm by volume, minutes, litres.

    Example:
        >>> from leakinfer import Belief, Condition, Finding, Gathered, Job, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {}, "my job"))
        >>> wrapped = Condition("standing", "still", outdoor_c=24, indoor_c=22, shroud=True)
        >>> gas = Gathered(volume_l=200, minutes=30, start_ppm=0, end_ppm=40)
        >>> told = job.with_finding(Finding("gather", "stop_valves", "gas", wrapped, gathered=gas))
        >>> Belief(told).any_at_all > Belief(job).any_at_all
        True
    """

    volume_l: Above
    minutes: Annotated[float, Meta(gt=0, le=10000)]
    start_ppm: Annotated[float, Meta(ge=0, le=1e6)]
    end_ppm: Annotated[float, Meta(ge=0, le=1e6)]


class Finding(Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A test with its outcome, and the reading where the method has one.

    ``reading_kg``: the charge that was weighed. ``false_causes``: things other than a leak that were there and that the
    method also answers to. ``earlier``: it was done before this job was opened ("already checked"). ``minutes``: what
    it took, set-up and way included.

    Example:
        >>> from leakinfer import Condition, Finding
        >>> here = Condition("standing", "still", outdoor_c=24, indoor_c=22)
        >>> Finding("bubbles", "liquid_valve_flare", "fast_bubbles", here, minutes=4).false_causes
        ()
    """

    method: str
    target: str
    outcome: str
    condition: Condition
    false_causes: tuple[str, ...] = ()
    reading_kg: Annotated[float, Meta(ge=0)] | None = None
    hold: Hold | None = None
    rise: Rise | None = None
    gathered: Gathered | None = None
    earlier: bool = False
    minutes: Annotated[float, Meta(ge=0)] | None = None
    note: str = ""


class Skip(Struct, frozen=True, forbid_unknown_fields=True):
    """A test that cannot or will not be done here, with the person's reason. ``method`` None: none at this target.

    Example:
        >>> from leakinfer import Job, Skip, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {}, "my job"))
        >>> job.with_skip(Skip("room", "nobody lets us in")).skips[0].reason
        'nobody lets us in'
    """

    target: str
    reason: Annotated[str, Meta(min_length=1)]
    method: str | None = None


def outcome_names(method: Method) -> tuple[str, ...]:
    """A method's outcomes, the silent one first."""
    return (method.silent, *(grade.outcome for grade in method.grades))

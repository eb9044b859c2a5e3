"""Readings as they were told: two looks at a gauge over shut-in gas or vacuum, or gas gathered under a shroud."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from leakinfer.catalogue.model import Method
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding, Gathered, Hold, Rise
from leakinfer.job.job import Job
from leakinfer.job.tightness import gather_reading, hold_reading, outcome_of, rise_reading
from leakinfer.physics.gather import check_gather
from leakinfer.physics.hold import check_hold
from leakinfer.physics.units import parse_quantity
from leakinfer.physics.vacuum import check_rise
from leakinfer.reading import checked
from leakinfer.session.given import celsius, kpa, litres, minutes

Read = Callable[[str, str], Any]
PLAIN = re.compile(r"\s*[-+.0-9e]+\s*")


READING_NAMES = (
    *("start", "end", "start_temp", "end_temp", "hours", "resolution", "accuracy", "volume", "minutes", "temp"),
    *("middle", "middle_minutes", "start_ppm", "end_ppm"),
)


def _number(text: str, where: str) -> float:
    """A plain number; not a quantity."""
    try:
        return float(text)
    except ValueError:
        raise InputError(f"cannot read '{text[:60]}' as a number", where=where, allowed="a number, as 12") from None


def hours(text: str, where: str) -> float:
    """A time in hours; a plain number counts hours."""
    return _number(text, where) if PLAIN.fullmatch(text) else minutes(text, where) / 60


def _minutes(text: str, where: str) -> float:
    return _number(text, where) if PLAIN.fullmatch(text) else minutes(text, where)


def _vacuum(text: str, where: str) -> float:
    """An absolute pressure in Pa."""
    return parse_quantity(text, "absolute_pressure", where)


def _ppm(text: str, where: str) -> float:
    return _number(re.sub(r"\s*ppm\s*$", "", text, flags=re.IGNORECASE), where)


@dataclass(frozen=True)
class Kind:
    """A kind of reading: its type, and by option the field, how it is read and whether it must be told."""

    name: str
    type: type[Hold] | type[Rise] | type[Gathered]
    options: Mapping[str, tuple[str, Read, bool]]


HOLD = Kind(
    "hold",
    Hold,
    {
        "start": ("start_kpa", kpa, True),
        "end": ("end_kpa", kpa, True),
        "start_temp": ("start_c", celsius, True),
        "end_temp": ("end_c", celsius, True),
        "hours": ("hours", hours, True),
        "resolution": ("resolution_kpa", kpa, False),
        "accuracy": ("accuracy_kpa", kpa, False),
        "volume": ("volume_l", litres, False),
    },
)
RISE = Kind(
    "rise",
    Rise,
    {
        "start": ("start_pa", _vacuum, True),
        "end": ("end_pa", _vacuum, True),
        "minutes": ("minutes", _minutes, True),
        "temp": ("temperature_c", celsius, True),
        "middle": ("middle_pa", _vacuum, False),
        "middle_minutes": ("middle_minutes", _minutes, False),
        "volume": ("volume_l", litres, False),
    },
)
GATHERED = Kind(
    "gathered",
    Gathered,
    {
        "volume": ("volume_l", litres, True),
        "minutes": ("minutes", _minutes, True),
        "start_ppm": ("start_ppm", _ppm, True),
        "end_ppm": ("end_ppm", _ppm, True),
    },
)


def kind_of(method: Method, given: Mapping[str, Any]) -> Kind | None:
    """The kind of reading that the options give; None where none is given.

    Raises:
        InputError: an option that a reading of this method does not have.
    """
    told = [name for name in READING_NAMES if given[name] is not None]
    if not told:
        return None
    if method.kind not in ("hold", "gather"):
        raise InputError(f"{method.id} gives no reading", where=_option(told[0]), allowed="a hold, or 'gather'")
    kind = GATHERED if method.kind == "gather" else RISE if method.states == ("vacuum",) else HOLD
    for name in told:
        if name not in kind.options:
            allowed = ", ".join(map(_option, kind.options))
            raise InputError(f"belongs to no reading of {method.id}", where=_option(name), allowed=allowed)
    return kind


def reading_of(kind: Kind, given: Mapping[str, Any]) -> Hold | Rise | Gathered:
    """The reading as a value.

    Raises:
        InputError: one that must be told is missing, or cannot be read.
    """
    missing = [name for name, (_, _, must) in kind.options.items() if must and given[name] is None]
    if missing:
        needs = ", ".join(_option(name) for name, (_, _, must) in kind.options.items() if must)
        raise InputError("is missing: a reading needs all of these", where=_option(missing[0]), allowed=needs)
    fields = {
        field: read(given[name], _option(name))
        for name, (field, read, _) in kind.options.items()
        if given[name] is not None
    }
    return checked(fields, kind.type, where=f"record: {kind.name}")


def outcome_read(job: Job, finding: Finding) -> str | None:
    """The outcome that a reading means, after a check that it can be; None where nothing was read."""
    if finding.hold is not None:
        check_hold(hold_reading(job, finding, finding.hold), "record: hold")
    if finding.rise is not None:
        check_rise(rise_reading(job, finding, finding.rise), "record: rise")
    if finding.gathered is not None:
        check_gather(gather_reading(job, finding, finding.gathered), "record: gathered")
    return outcome_of(job, finding)


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"

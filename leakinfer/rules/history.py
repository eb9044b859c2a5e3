"""The charge history of one appliance: what was added and why, checked and taken together by day."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from types import MappingProxyType
from typing import Literal, TypeAlias, get_args

from leakinfer.errors import InputError
from leakinfer.reading import known
from leakinfer.rules.book import Book, Record, exceeds

Why: TypeAlias = Literal["top_up", "installation", "retrofit", "season"]
Kind: TypeAlias = Literal["commercial_refrigeration", "industrial_process", "comfort_cooling", "small_air_conditioning"]
WHY_WORDS: Mapping[Why, str] = MappingProxyType(
    {
        "top_up": "leak repair top-up",
        "installation": "new installation",
        "retrofit": "retrofit",
        "season": "seasonal variance",
    }
)
KIND_WORDS: Mapping[Kind, str] = MappingProxyType(
    {
        "commercial_refrigeration": "commercial refrigeration",
        "industrial_process": "industrial process refrigeration",
        "comfort_cooling": "comfort cooling and other appliances",
        "small_air_conditioning": "residential and light commercial air conditioning or heat pump",
    }
)


class Addition(Record, frozen=True):
    """Refrigerant put in: kg net, without what was taken out of this appliance at the same service and put back."""

    day: date
    kg: float
    why: Why = "top_up"


class Removal(Record, frozen=True):
    """Refrigerant taken out because of the season, kg."""

    day: date
    kg: float


class History(Record, frozen=True):
    """One appliance up to ``today``. Lists may be in any order.

    ``full_charge_kg``: at normal operation. ``commissioned``: first day in service. ``verified``: day of the last
    follow-up verification test that was passed.
    """

    refrigerant: str
    kind: Kind
    full_charge_kg: float
    today: date
    additions: tuple[Addition, ...] = ()
    removals: tuple[Removal, ...] = ()
    commissioned: date | None = None
    verified: date | None = None


class Ledger(Record, frozen=True):
    """Kg by day, in order of days.

    ``filled``: all that was put in. ``counted``: what a leak rate must be calculated of. ``unmatched``: days of
    additions called seasonal that no removal before them accounts for; they count.
    """

    filled: Mapping[date, float]
    counted: Mapping[date, float]
    unmatched: tuple[date, ...]


def check_history(history: History) -> None:
    """Refuse a history that cannot be.

    Raises:
        InputError: a mass that is not above zero, a day after today or before commissioning, an unknown kind or reason.
    """
    known(history.kind, get_args(Kind), what="kind of appliance", where="kind")
    _check_mass(history.full_charge_kg, "full_charge_kg")
    _check_day(history.today, history.today, None, "today")
    for name, day in (("commissioned", history.commissioned), ("verified", history.verified)):
        if day is not None:
            _check_day(day, history.today, history.commissioned, name)
    for number, addition in enumerate(history.additions, 1):
        _check_day(addition.day, history.today, history.commissioned, f"addition {number}: day")
        _check_mass(addition.kg, f"addition {number}: kg")
        known(addition.why, get_args(Why), what="reason", where=f"addition {number}: why")
    for number, removal in enumerate(history.removals, 1):
        _check_day(removal.day, history.today, history.commissioned, f"removal {number}: day")
        _check_mass(removal.kg, f"removal {number}: kg")


def ledger(history: History, book: Book) -> Ledger:
    """The history by day: additions of one day are one.

    An addition just after a new installation or a retrofit does not count (40 CFR 82.157(b)). Nor does a seasonal one,
    if no more is put in than was taken out in the twelve months before (82.152); a larger one counts whole (judgement).

    Raises:
        InputError: a history that cannot be.
    """
    check_history(history)
    unmatched = _unmatched_days(history, book.value("season_days"))
    counting = [
        part for part in history.additions if part.why == "top_up" or (part.why == "season" and part.day in unmatched)
    ]
    return Ledger(_by_day(history.additions), _by_day(counting), unmatched)


def _unmatched_days(history: History, within_days: float) -> tuple[date, ...]:
    """Days of seasonal additions that are larger than what earlier removals left for them; oldest removal first."""
    left, unmatched = _by_day(history.removals), []
    for day, kg in _by_day(part for part in history.additions if part.why == "season").items():
        open_days = [taken for taken in left if 0 < (day - taken).days <= within_days]
        if exceeds(kg, math.fsum(left[taken] for taken in open_days)):
            unmatched.append(day)
            continue
        for taken in open_days:
            used = min(left[taken], kg)
            left[taken] -= used
            kg -= used
    return tuple(unmatched)


def _by_day(parts: Iterable[Addition | Removal]) -> dict[date, float]:
    """Kg by day; ``fsum``, so that the order of the entries does not matter even in the last digit."""
    masses: dict[date, list[float]] = {}
    for part in parts:
        masses.setdefault(part.day, []).append(part.kg)
    return {day: math.fsum(masses[day]) for day in sorted(masses)}


def _check_mass(kg: float, where: str) -> None:
    if not 0 < kg < math.inf:
        raise InputError(f"{kg:g} kg", where=where, allowed="above 0 kg")


def _check_day(day: date, today: date, commissioned: date | None, where: str) -> None:
    if isinstance(day, datetime) or not isinstance(day, date):
        raise InputError(f"{day} is not a day", where=where, allowed="a date without a time")
    if day > today:
        raise InputError(f"{day} is in the future", where=where, allowed=f"today, {today}, or earlier")
    if commissioned is not None and day < commissioned:
        raise InputError(f"{day} is before commissioning", where=where, allowed=f"{commissioned} or later")

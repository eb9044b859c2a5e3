"""Leak rates of a charge history by the two methods of 40 CFR 82.152 and 84.102, and totals of calendar years."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import Literal, TypeAlias

from leakinfer.errors import InputError
from leakinfer.rules.book import Book, Record, load_rules, reaches
from leakinfer.rules.history import History, Ledger, ledger

Method: TypeAlias = Literal["annualizing", "rolling average"]


class Rate(Record, frozen=True):
    """A leak rate.

    ``day``: of the addition it is calculated at. ``kg``: added. ``days``: that it covers. ``since``: the addition,
    start of service or verification it is counted from, if known. ``percent``: of the full charge a year.
    ``assumed``: what had to be assumed, in words.
    """

    method: Method
    day: date
    kg: float
    days: int
    percent: float
    since: date | None = None
    assumed: tuple[str, ...] = ()


class YearTotal(Record, frozen=True):
    """What was added in a calendar year that counts. ``chronic``: so much that a report is due on ``report_by``."""

    year: int
    kg: float
    percent: float
    chronic: bool
    report_by: date


def leak_rate(
    history: History, method: Method = "annualizing", on: date | None = None, book: Book | None = None
) -> Rate:
    """The leak rate by one of the two methods; see :func:`annualizing` and :func:`rolling_average`.

    Raises:
        InputError: an unknown method, a history that cannot be, or a day without an addition that counts.
    """
    if method not in ("annualizing", "rolling average"):
        raise InputError(f"unknown method '{method}'", where="method", allowed="annualizing, rolling average")
    return annualizing(history, on, book) if method == "annualizing" else rolling_average(history, on, book)


def annualizing(history: History, on: date | None = None, book: Book | None = None) -> Rate:
    """Leak rate by the annualizing method: (added / full charge) / (days / 365) * 100.

    Days: since the day refrigerant was last added for any reason, no more than 365. Without an earlier addition, since
    commissioning, when it was charged; without that 365, and the rate says so.

    Args:
        history: of one appliance; kg.
        on: day of the addition; the last one that counts if not given.
        book: the rules' numbers; the shipped ones if not given.

    Raises:
        InputError: a history that cannot be, or a day without an addition that counts.
    """
    entries, whole, day = _asked(history, on, book)
    if day is None:
        return _nothing("annualizing", history, whole)
    since, assumed = _since(history, entries, day, whole)
    days = whole if since is None else min(whole, (day - since).days)
    kg = entries.counted[day]
    percent = kg / history.full_charge_kg * (whole / days) * 100
    return Rate("annualizing", day, kg, days, percent, since, (*_season_words(entries, day), *assumed))


def rolling_average(history: History, on: date | None = None, book: Book | None = None) -> Rate:
    """Leak rate by the rolling-average method: added in the last 365 days / full charge * 100.

    Counted from the last follow-up verification test that was passed, if that is less than 365 days ago. An addition on
    the first day of that time belongs to the time before.

    Args:
        history: of one appliance; kg.
        on: day of the addition; the last one that counts if not given.
        book: the rules' numbers; the shipped ones if not given.

    Raises:
        InputError: a history that cannot be, or a day without an addition that counts.
    """
    entries, whole, day = _asked(history, on, book)
    if day is None:
        return _nothing("rolling average", history, whole)
    start, since = day - timedelta(days=whole), None
    if history.verified is not None and start < history.verified < day:
        start = since = history.verified
    inside = [added for added in entries.counted if start < added <= day]
    kg = math.fsum(entries.counted[added] for added in inside)
    assumed = _record_words(history, entries, start, since)
    for added in inside:
        assumed += _season_words(entries, added)
    return Rate("rolling average", day, kg, (day - start).days, kg / history.full_charge_kg * 100, since, assumed)


def calendar_years(history: History, book: Book | None = None) -> tuple[YearTotal, ...]:
    """What was added in each calendar year and counts; 125 % of the full charge or more is a chronic leak.

    Source: 40 CFR 82.157(j) and 84.106(j). Years without an addition that counts are left out.

    Raises:
        InputError: a history that cannot be.
    """
    book = book or load_rules()
    counted = ledger(history, book).counted
    limit, month = book.value("chronic_percent"), int(book.value("chronic_report_month"))
    totals = []
    for year in sorted({day.year for day in counted}):
        kg = math.fsum(mass for day, mass in counted.items() if day.year == year)
        percent = kg / history.full_charge_kg * 100
        totals.append(YearTotal(year, kg, percent, reaches(percent, limit), date(year + 1, month, 1)))
    return tuple(totals)


def _asked(history: History, on: date | None, book: Book | None) -> tuple[Ledger, int, date | None]:
    """The history by day, the days of a year as the rules count them, and the day to calculate at."""
    book = book or load_rules()
    entries = ledger(history, book)
    return entries, int(book.value("year_days")), _day(entries, on)


def _nothing(method: Method, history: History, whole: int) -> Rate:
    """The rate where no addition counts."""
    return Rate(method, history.today, 0.0, whole, 0.0, None, ("no addition that counts",))


def _day(entries: Ledger, on: date | None) -> date | None:
    """The day to calculate at; None if nothing counts and no day was asked for."""
    if on is None:
        return max(entries.counted, default=None)
    if on not in entries.counted:
        days = ", ".join(str(day) for day in entries.counted) or "none, no addition counts"
        raise InputError(f"no addition that counts on {on}", where="on", allowed=days)
    return on


def _since(history: History, entries: Ledger, day: date, whole: int) -> tuple[date | None, tuple[str, ...]]:
    """The day refrigerant was last added before ``day``, if known, and what was assumed."""
    earlier = [filled for filled in entries.filled if filled < day]
    if earlier:
        return max(earlier), ()
    start = history.commissioned
    if start is not None and start < day:
        return start, (f"no earlier addition: charged in full at commissioning on {start}",)
    return None, (f"no earlier addition is known: {whole} days",)


def _season_words(entries: Ledger, day: date) -> tuple[str, ...]:
    if day not in entries.unmatched:
        return ()
    return (f"the seasonal addition of {day} counts: more than was taken out in the twelve months before",)


def _record_words(history: History, entries: Ledger, start: date, verified: date | None) -> tuple[str, ...]:
    if verified is not None:
        words = f"counted from the verification test of {verified}"
        left_out = f"{words}: what was added that day is left out"
        return (left_out if verified in entries.counted else words,)
    first = min((*entries.filled, *([history.commissioned] if history.commissioned else [])))
    return () if first <= start else (f"no record before {first}: the list is taken as complete",)

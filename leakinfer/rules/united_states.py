"""US leak repair: which rule covers an appliance, whether its leak rate is too high, and what would follow."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal, TypeAlias

from leakinfer.rules.book import Book, Cited, Fluid, RuleText, amount, exceeds, load_rules, reaches
from leakinfer.rules.history import KIND_WORDS, History
from leakinfer.rules.rates import Method, Rate, YearTotal, calendar_years, leak_rate

RuleId: TypeAlias = Literal["us_ozone", "us_hfc"]
RULES: tuple[RuleId, ...] = ("us_ozone", "us_hfc")
INSPECTED_QUARTERLY = ("commercial_refrigeration", "industrial_process")


class LeakRepair(Cited, frozen=True):
    """What one US rule says of one appliance.

    ``applies``: whether it is covered on the day of the rate; ``because``: why, or why not. ``limit_percent``: leak
    rate, of the full charge a year, above which leaks must be repaired, None if not covered. ``exceeded``: whether
    ``rate`` is above it. ``years``: totals by calendar year. ``follows``: what would follow, in general terms.
    """

    applies: bool
    because: str
    rate: Rate
    limit_percent: float | None
    exceeded: bool
    years: tuple[YearTotal, ...]
    follows: tuple[str, ...]


def leak_repair(
    history: History, method: Method = "annualizing", on: date | None = None, book: Book | None = None
) -> tuple[LeakRepair, ...]:
    """What 40 CFR 82.157 and 40 CFR 84.106 say of an appliance, in this order.

    Args:
        history: of one appliance; kg.
        method: of calculating the leak rate; all appliances of one facility use the same.
        on: day of the addition to calculate at; the last one that counts if not given.
        book: the rules' numbers; the shipped ones if not given.

    Raises:
        InputError: an unknown refrigerant or method, a history that cannot be, or no addition that counts on that day.
    """
    book = book or load_rules()
    rate, years = leak_rate(history, method, on, book), calendar_years(history, book)
    fluid = book.fluid(history.refrigerant)
    return tuple(_finding(rule, history, fluid, rate, years, book) for rule in RULES)


def _finding(
    rule: RuleId, history: History, fluid: Fluid, rate: Rate, years: tuple[YearTotal, ...], book: Book
) -> LeakRepair:
    text = book.text(rule)
    missing = _missing(rule, history, fluid, rate.day, book)
    named = (text.id, text.title, text.where, text.dated, text.verify)
    if missing:
        return LeakRepair(*named, False, missing, rate, None, False, years, ())
    limit = book.value(f"limit_{history.kind}")
    exceeded = exceeds(rate.percent, limit)
    because = f"{amount(history.full_charge_kg)} of {fluid.name}, {KIND_WORDS[history.kind]}"
    follows = _repair(history, rate, book) if exceeded else ("calculate again at the next addition",)
    follows += _reports(years, text)
    return LeakRepair(*named, True, because, _dated(rate, text), limit, exceeded, years, follows)


def _missing(rule: RuleId, history: History, fluid: Fluid, day: date, book: Book) -> str:
    """Why a rule does not cover an appliance on a day; empty if it does."""
    text, least = book.text(rule), book.mass_kg(f"least_charge_{rule}")
    if day < text.applies_from:
        return f"{day} is before the rule applies, from {text.applies_from} on"
    refrigerant = _other_refrigerant(rule, fluid, book)
    if refrigerant:
        return refrigerant
    if rule == "us_hfc" and history.kind == "small_air_conditioning":
        return f"{KIND_WORDS[history.kind]} is left out"
    if not reaches(history.full_charge_kg, least):
        return f"full charge {amount(history.full_charge_kg)} is below {amount(least)}"
    return ""


def _other_refrigerant(rule: RuleId, fluid: Fluid, book: Book) -> str:
    if rule == "us_ozone":
        return "" if fluid.share("ozone") > 0 else f"{fluid.name} contains nothing that depletes ozone"
    if fluid.share("hfc", "hfo", "other") <= 0:
        return f"{fluid.name} is no HFC nor a substitute for one"
    limit = book.value("gwp_us_hfc")
    return "" if exceeds(fluid.gwp, limit) else f"GWP of {fluid.name}, {fluid.gwp:.3g}, is not above {limit:g}"


def _dated(rate: Rate, text: RuleText) -> Rate:
    """The rate, with a word if it depends on what was before the rule applied."""
    start = rate.day - timedelta(days=rate.days)
    if start >= text.applies_from or (rate.method == "annualizing" and rate.since != start):
        return rate
    words = f"counted from {start}, before the rule applied ({text.applies_from}): another count may be allowed"
    return Rate(rate.method, rate.day, rate.kg, rate.days, rate.percent, rate.since, (*rate.assumed, words))


def _repair(history: History, rate: Rate, book: Book) -> tuple[str, ...]:
    days, long_days = int(book.value("repair_days")), int(book.value("repair_shutdown_days"))
    shutdown = ""
    if history.kind == "industrial_process":
        shutdown = f", or {long_days} days if an industrial process must be shut down for it"
    repaired = f"repair within {days} days, by {rate.day + timedelta(days=days)}{shutdown}"
    follows: tuple[str, ...] = (
        repaired,
        f"initial verification test in that time, follow-up test within {book.value('follow_up_days'):g} days after it",
        _inspections(history, book),
        f"if leaks stay above the limit: a plan to retrofit or retire, within {book.value('plan_days'):g} days",
    )
    if history.verified is not None and history.verified > rate.day:
        follows += (f"a follow-up verification test was passed on {history.verified}, after this addition",)
    return follows


def _inspections(history: History, book: Book) -> str:
    large = reaches(history.full_charge_kg, book.mass_kg("quarterly_charge"))
    if large and history.kind in INSPECTED_QUARTERLY:
        return f"leak inspection every quarter until {book.value('quarterly_clean'):g} in a row show no leak"
    return "leak inspection every year until a year shows no leak"


def _reports(years: tuple[YearTotal, ...], text: RuleText) -> tuple[str, ...]:
    return tuple(
        f"chronic leak: {total.percent:.0f} % of the full charge in {total.year}, report by {total.report_by}"
        for total in years
        if total.chronic and total.year >= text.applies_from.year
    )

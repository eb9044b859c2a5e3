"""The section on how much is lost, and on what rules of law would make of it; every figure with a text to verify."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import get_args

from leakinfer.errors import InputError
from leakinfer.report.job.record import Record
from leakinfer.report.section import Section, Table
from leakinfer.report.wording import figures
from leakinfer.rules.european_union import LeakChecks, leak_checks
from leakinfer.rules.history import KIND_WORDS, Addition, History, Kind
from leakinfer.rules.united_states import LeakRepair, leak_repair
from leakinfer.session.ending import YEAR_DAYS
from leakinfer.words.job import years_words
from leakinfer.words.numbers import percent

KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True)
class Lost:
    """Refrigerant that was found missing, and over which years."""

    kg: float
    years: float


def last_lost(record: Record) -> Lost | None:
    """The last loss that was told: at a later visit, or when the job began."""
    told = [Lost(later.missing_kg, later.years) for later in record.job.returns if later.missing_kg is not None]
    first = record.job.facts.loss
    return told[-1] if told else None if first is None else Lost(first.kg, first.years)


def rates_section(record: Record) -> Section:
    """The loss, as a share of the charge and by the rules."""
    lost = last_lost(record)
    tables = [_loss_table(record, lost)] if lost is not None else []
    said = _european(record)
    tables += [_european_table(said)] if said is not None else []
    found = _american(record, lost)
    tables += [_american_table(found)] if found else []
    tables += [_notes_table(record, said, found)] if said is not None or found else []
    says = [] if lost is not None else ["No loss was told, so no leak rate can be worked out."]
    says.append(
        "What rules say is worked out from the facts of this job alone and is no legal advice. Read each text as in "
        "force today."
    )
    return Section("rates", "Leak rate", "Leak rate and rules", tuple(says), tables=tuple(tables))


def _loss_table(record: Record, lost: Lost) -> Table:
    units, charge = record.units, record.job.facts.charge_kg
    rows = [
        ("missing", f"{units.mass_words(lost.kg)} in {years_words(lost.years)}"),
        (
            "leak rate, plain",
            f"{percent(lost.kg / charge / lost.years)} of the charge of {units.mass_words(charge)} a year",
        ),
    ]
    if (seen := record.plan.stop.observed_g_per_year) is not None:
        left = max(0.0, seen - record.explained_g_per_year)
        rows.append(("loss seen", f"about {units.rate_words(seen)}"))
        rows.append(("explained", f"about {units.rate_words(record.explained_g_per_year)} by the leaks found"))
        rows.append(("unexplained", f"about {units.rate_words(left)}"))
    return Table("Loss", ("", ""), tuple(rows), frozenset({1}))


def _european(record: Record) -> LeakChecks | None:
    """None for a refrigerant that the rules' list does not have."""
    try:
        return leak_checks(record.job.facts.refrigerant, record.job.facts.charge_kg)
    except InputError:
        return None


def _european_table(said: LeakChecks) -> Table:
    often = "none asked for" if said.months is None else f"at least every {said.months:g} months"
    rows = (
        ("leak checks", often),
        ("because", said.because),
        ("CO2 equivalent", f"{figures(said.tonnes, 3)} t of the gases of its first annex"),
    )
    return Table(f"{said.title}: {said.where}", ("", ""), rows, frozenset({1}))


def _american(record: Record, lost: Lost | None) -> tuple[tuple[Kind, LeakRepair], ...]:
    """What the US rules say for each kind of appliance, as if what is missing were put back today.

    The day when the charge was last right stands for the last addition before: on it the whole charge was in.
    """
    if lost is None or lost.kg <= 0:
        return ()
    since = record.today - timedelta(days=max(1, round(lost.years * YEAR_DAYS)))
    facts = record.job.facts
    found: list[tuple[Kind, LeakRepair]] = []
    for kind in KINDS:
        additions = (Addition(since, facts.charge_kg, "installation"), Addition(record.today, lost.kg))
        history = History(facts.refrigerant, kind, facts.charge_kg, record.today, additions)
        try:
            found += [(kind, rule) for rule in leak_repair(history)]
        except InputError:
            return ()
    return tuple(found)


def _american_table(found: Sequence[tuple[Kind, LeakRepair]]) -> Table:
    """A row for each rule and kind of appliance; kinds of which a rule says the same are one row."""
    rows: dict[tuple[str, ...], list[str]] = {}
    for kind, rule in found:
        rows.setdefault((rule.title, *_said(rule)), []).append(KIND_WORDS[kind])
    every = len(KINDS)
    shown = tuple(
        (title, "any kind" if len(kinds) == every else "; ".join(kinds), *said)
        for (title, *said), kinds in rows.items()
    )
    rate = found[0][1].rate
    caption = f"If what is missing were put back on {rate.day}: {figures(rate.percent, 3)}% a year, by {rate.method}"
    return Table(
        caption, ("Rule", "Kind of appliance", "Covered", "Limit", "What would follow"), shown, frozenset({1, 2, 3, 4})
    )


def _said(rule: LeakRepair) -> tuple[str, str, str]:
    if not rule.applies or rule.limit_percent is None:
        return f"no: {rule.because}", "-", "-"
    word = "above" if rule.exceeded else "not above"
    return "yes", f"{word} {percent(rule.limit_percent / 100)}", "; ".join(rule.follows)


def _notes_table(record: Record, said: LeakChecks | None, found: Sequence[tuple[Kind, LeakRepair]]) -> Table:
    """What was assumed, what would follow, and which texts to read."""
    rows: list[tuple[str, str]] = []
    if found:
        since = found[0][1].rate.since
        rows.append(("assumed", f"the last addition was when the charge was last right, about {since}"))
        rows += [("assumed", words) for _, rule in found for words in rule.rate.assumed]
        rows += [(rule.title, rule.verify) for _, rule in found]
    if said is not None:
        rows += [("would follow (EU)", words) for words in said.follows]
        rows.append((said.title, said.verify))
    return Table("What was assumed, and what to read", ("", ""), tuple(dict.fromkeys(rows)), frozenset({1}))


def check_due(record: Record) -> date | None:
    """By when the EU regulation would ask for the next leak check, if one were made today."""
    said = _european(record)
    return None if said is None or said.months is None else months_later(record.today, said.months)


def months_later(day: date, months: float) -> date:
    """The same day of a later month, or that month's last day.

    Args:
        day: to reckon from.
        months: whole months.
    """
    years, month = divmod(day.month - 1 + round(months), 12)
    _, last = monthrange(day.year + years, month + 1)
    return date(day.year + years, month + 1, min(day.day, last))

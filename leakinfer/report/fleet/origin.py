"""Sections on the fit: predictive checks, what was left out, where the numbers come from, what they cannot say."""

from __future__ import annotations

from collections.abc import Sequence

from leakinfer.catalogue.learned import PredictiveCheck, Provenance
from leakinfer.circuit.model import ELSEWHERE
from leakinfer.fleet.rates.predictive import failed
from leakinfer.fleet.settings import load_settings
from leakinfer.report.fleet.parts import Subject, from_data
from leakinfer.report.intervals import Axis, Row, intervals
from leakinfer.report.section import Picture, Section, Table, listed
from leakinfer.report.wording import figures, percent

MOST_CHECKS = 40
LITTLE = 0.5  # share of a rate from the data below which the shipped number still leads
CAUTIONS = (
    "Only leaks that somebody found and wrote down count. Leaks that show in no search are not in these numbers.",
    "A circumstance that goes with leaks need not cause them: people may write it down more often beside a leak.",
    "An installer's number also holds where and what he builds, and who looks after it. It is no verdict on people.",
    "Parts with few leaks keep nearly the shipped number: one that did not move is not one that was confirmed.",
    "The rates are those of the years on record. New equipment, other refrigerants and other owners may differ.",
    "A rate says where to look first, not that a place is tight: leave no place out because its number is low.",
    "One system is not the fleet: what is seen and measured on it counts for more than any number here.",
)
SAFETY = (
    "Nothing here overrules local codes or the licence that the work asks for. Pressure, live parts, hot surfaces, gas "
    "that burns and gas that displaces air hurt people: make the place safe before looking for a leak."
)


def checks(subject: Subject) -> Section:
    """What the fitted model expects of the data beside what was seen."""
    every = subject.learned.check
    bad = failed(every, load_settings().trust.least_check_p)
    shown = sorted(every, key=lambda check: check.p)[:MOST_CHECKS]
    named = [(check, _name(check, subject)) for check in shown]
    axis = Axis(
        "over what the fitted model expects",
        line=1.0,
        says=("expected, 95 % interval: the check fails", "expected, 95 % interval", "seen"),
    )
    rows = [_check_row(name, check, check in bad) for check, name in named if check.expected > 0]
    picture = intervals(rows, axis) if rows else None
    alt = "What was seen over what the fitted model expects, with the interval that chance leaves open."
    return Section(
        "checks",
        "Checks",
        "Does the fitted model give back what was seen?",
        (
            _checked_words(every, bad),
            "The least likely checks stand on top. What was not seen at all is drawn at the left.",
        ),
        () if picture is None else (Picture(picture, alt),),
        (_check_table(named, bad),),
    )


def _name(check: PredictiveCheck, subject: Subject) -> str:
    return f"{subject.names.group(check.what)} ({check.group.replace('_', ' ')})"


def _checked_words(every: Sequence[PredictiveCheck], bad: Sequence[PredictiveCheck]) -> str:
    if not bad:
        return f"All {len(every)} checks hold: what was seen lies within what chance leaves open."
    return f"{len(bad)} of {len(every)} checks fail: the model does not describe this part of the data."


def _check_row(name: str, check: PredictiveCheck, fails: bool) -> Row:
    """Figures over the expected one; a lower end of nothing is drawn at a tenth of what can be seen."""
    least = min(0.2, 0.5 / check.expected) if check.expected > 1 else 0.2
    low, high = (max(end / check.expected, least) for end in (check.low, check.high))
    return Row(name, 1.0, low, high, max(check.observed / check.expected, least), fails)


def _check_table(named: Sequence[tuple[PredictiveCheck, str]], bad: Sequence[PredictiveCheck]) -> Table:
    rows = tuple(
        (
            name,
            _count(check.observed),
            _count(check.expected),
            f"{_count(check.low)} to {_count(check.high)}",
            figures(check.p),
            "fails" if check in bad else "holds",
        )
        for check, name in named
    )
    heads = ("What", "Seen", "Expected", "95 % interval", "p, two-sided", "")
    return Table("Predictive checks", heads, rows, frozenset({5}))


def _count(number: float) -> str:
    return f"{number:,.1f}".removesuffix(".0")


def data(subject: Subject) -> Section:
    """How much of the numbers the data made, and what was left out."""
    learned, name = subject.learned, subject.names.component
    origin = learned.provenance
    lead = [name(part.id) for part in learned.component if from_data(part) >= LITTLE]
    few = [name(part.id) for part in learned.component if from_data(part) < LITTLE]
    kept = [kind for kind in subject.catalogue.components if kind not in {part.id for part in learned.component}]
    points = [
        f"{origin.rows:,} rows were read, {origin.rows_left_out:,} of them left out "
        f"({_share(origin.rows_left_out, origin.rows)}), because they could not be understood or did not fit together."
    ]
    if learned.placed is not None:
        points.append(f"Of the leaks found, the place was written down for {percent(learned.placed)} (learned).")
    points += [f"Mostly from the data: {listed(lead)}."] if lead else []
    points += [f"Mostly still the shipped number, for want of leaks: {listed(few)}."] if few else []
    named = [name(kind) for kind in kept if kind != ELSEWHERE]
    points += [f"Not in this fleet, so the shipped numbers stand: {listed(named)}."] if named else []
    return Section("data", "Data", "What comes from the data, and what was left out", (), points=tuple(points))


def _share(part: int, whole: int) -> str:
    return percent(part / whole) if whole else "none"


def provenance(subject: Subject) -> Section:
    """Where the file comes from, and whether the sampling went well."""
    origin = subject.learned.provenance
    rows = (
        ("Fitted on", origin.made),
        ("Systems", f"{origin.systems:,}"),
        ("Days on record", f"{origin.first_day} to {origin.last_day}"),
        ("Data (SHA-256 of the cells)", origin.data),
        ("Shipped priors (digest)", origin.shipped + _edition(subject)),
        ("Programs", ", ".join(f"{name} {version}" for name, version in sorted(origin.versions.items()))),
        ("Seed", str(origin.seed)),
        *_sampling(origin),
        ("Trusted", "yes" if origin.trusted else "no"),
    )
    return Section(
        "origin",
        "Origin",
        "Where these numbers come from",
        ("The same data, seed and programs give the same numbers again.",),
        tables=(Table("Origin and sampling", ("", ""), rows, frozenset({1})),),
        points=tuple(f"Not to be trusted: {reason}." for reason in origin.reasons),
    )


def _edition(subject: Subject) -> str:
    same = subject.learned.provenance.shipped == subject.catalogue.digest
    return "" if same else " (not those in use now)"


def _sampling(origin: Provenance) -> tuple[tuple[str, str], ...]:
    trust = load_settings().trust
    return (
        ("Draws", f"{origin.chains} chains of {origin.draws:,}"),
        ("Largest R-hat", f"{origin.worst_rhat:.4f} (sound up to {trust.most_rhat:g}: the chains agree)"),
        ("Least effective draws", f"{origin.least_ess:,.0f} (sound from {trust.least_ess:g} on)"),
        ("Divergences", f"{origin.divergences} (sound: none)"),
    )


def cautions() -> Section:
    """What no history can say."""
    return Section("cautions", "What it cannot say", "What these numbers cannot say", (SAFETY,), points=CAUTIONS)

"""Sections on how the ways of searching compare."""

from __future__ import annotations

from leakinfer.report.intervals import Row
from leakinfer.report.section import Picture, Section, Table
from leakinfer.report.study import pictures
from leakinfer.report.study.subject import Subject
from leakinfer.report.study.words import change, known, minutes, points, share, told, two
from leakinfer.report.wording import capital
from leakinfer.study.measures import Arm, Pair

INTERVAL = "In brackets: where the figure would lie 95 times in 100 with other jobs of the same kind."


def policies(subject: Subject) -> Section:
    """How every way fared, in the world that is as the program believes."""
    heads = (
        "Way of searching",
        "Minutes until all confirmed, median",
        "Never all confirmed",
        "Minutes until all found, median",
        "A leak left",
        "Repairs in vain, per 100 jobs",
        "Circuit opened, per job",
        "Minutes in all, mean",
        "Cost, minutes",
    )
    tables = tuple(
        Table(
            subject.names.system(system), heads, tuple(_arm(subject, one) for one in subject.arms(system)), wraps=True
        )
        for system in subject.systems()
    )
    return Section(
        "ways",
        "The ways",
        "How every way of searching fared",
        (
            f"World: {subject.names.truth(subject.found.truth)}. {INTERVAL}",
            "All confirmed: every leak that matters has a pinpoint answer and a chance that is as good as sure. A job "
            "in which one never was counts as endless in the median. All found: confirmed, or repaired at the end of "
            "the search as good as sure without it, which then takes the whole search. A leak left: share of the jobs "
            "in which a leak that matters was not repaired. Cost: minutes with the price of what was left and repaired "
            "in vain.",
        ),
        tables=(*tables, _sentences(subject)),
    )


def _arm(subject: Subject, one: Arm) -> tuple[str, ...]:
    return (
        subject.names.policy(one.policy),
        told(one.confirm, minutes),
        told(one.never, share),
        told(one.found, minutes),
        told(one.missed, share),
        told(one.wrong),
        told(one.openings),
        told(one.minutes, minutes),
        told(one.cost, minutes),
    )


def _sentences(subject: Subject) -> Table:
    names = subject.names
    rows = tuple((names.policy(name), names.tells(name)) for name in subject.found.policies)
    return Table("What the ways are", ("", ""), rows, frozenset({1}))


def same_jobs(subject: Subject) -> Section:
    """Ours beside each other way on the same jobs."""
    heads = (
        "Beside",
        "All confirmed, ratio of minutes",
        "Jobs compared",
        "Only this, only the other, neither confirmed all",
        "All found, ratio of minutes",
        "Cost, minutes",
        "A leak left, points",
        "A leak left, ratio",
        "In vain, per 100 jobs",
    )
    systems = [(system, subject.pairs(system)) for system in subject.systems()]
    tables = tuple(
        Table(subject.names.system(system), heads, tuple(_pair(subject, one) for one in pairs), wraps=True)
        for system, pairs in systems
    )
    return Section(
        "pairs",
        "Same jobs",
        f"{capital(subject.ours)} beside the others on the same jobs",
        (
            "Every way searched the very same systems, and the same test at the same place found the same. So luck "
            f"cancels, and what is left is the order of the tests. {INTERVAL}",
            f"Below 1, and below 0, {subject.ours} is better. A job in which only one of the two confirmed all counts "
            "as endless for the other; jobs in which neither did are left out of the ratio.",
        ),
        _pair_pictures(subject, [pair for _, pairs in systems for pair in pairs]),
        tables,
    )


def _pair(subject: Subject, one: Pair) -> tuple[str, ...]:
    return (
        subject.names.policy(one.other),
        told(one.ratio, two),
        f"{one.compared:,}",
        f"{one.first:,} / {one.second:,} / {one.neither:,}",
        told(one.found, two),
        told(one.cost, change),
        told(one.missed, points),
        told(one.missed_ratio, two),
        told(one.wrong, change),
    )


def _pair_pictures(subject: Subject, pairs: list[Pair]) -> tuple[Picture, ...]:
    """All ways on all systems, and the reference on each."""
    whole, reference = subject.found.whole, subject.reference
    shown = [one for one in pairs if one.system == whole or one.other == reference]
    ratio = [pictures.row(_beside(subject, one), one.ratio, 1.0) for one in shown if one.compared]
    cost = [pictures.row(_beside(subject, one), one.cost, 0.0) for one in shown]
    return (
        *_ratio_picture(subject, ratio),
        Picture(
            pictures.differences(cost, f"cost of {subject.ours} less that of the other, minutes a job"),
            f"Mean difference of the cost of {subject.ours} and of each other way, with intervals; below 0 is better.",
            "Cost: minutes with the price of what was left and of what was repaired in vain. Left of the dashed line "
            f"{subject.ours} costs less.",
        ),
    )


def _ratio_picture(subject: Subject, rows: list[Row]) -> tuple[Picture, ...]:
    if not rows:
        return ()
    return (
        Picture(
            pictures.ratios(rows, f"minutes of {subject.ours} over those of the other"),
            f"Median ratio of the minutes of {subject.ours} to those of each other way, with intervals; below 1 is "
            "sooner.",
            "Minutes until every leak that matters was confirmed, job by job. Left of the dashed line "
            f"{subject.ours} is sooner.",
        ),
    )


def _beside(subject: Subject, one: Pair) -> str:
    other = subject.names.policy(one.other)
    return other if one.system == subject.found.whole else f"{other}, {subject.names.brief(one.system)}"


def minutes_curves(subject: Subject) -> Section:
    """Share of jobs that are done over the minutes."""
    shown = _drawn(subject)
    by_key = {(one.system, one.policy): one for one in subject.found.curves}
    systems = subject.found.systems
    panels = [(subject.names.brief(system), [by_key[system, name] for name in shown]) for system in systems]
    rows = []
    for system in systems:
        for name in shown:
            curve = by_key[system, name]
            cells = (known(_when(curve.minutes, curve.share, part), minutes) for part in (0.25, 0.5, 0.75))
            last = known(curve.share[-1], share)
            rows.append((f"{subject.names.brief(system)}, {subject.names.policy(name)}", *cells, last))
    heads = ("System, way", "A quarter of the jobs", "Half", "Three quarters", "In the end")
    more = (
        "" if len(shown) == len(subject.found.policies) else " The ways that cost least are drawn, and the reference."
    )
    return Section(
        "minutes",
        "Minutes",
        "When all leaks are confirmed",
        (f"Of the jobs in which a leak matters, the share in which every one was confirmed by then.{more}",),
        (
            Picture(
                pictures.over_minutes(panels, subject.names.policy),
                "Share of jobs with all leaks confirmed over the minutes, by system and way of searching.",
                "The higher the line, the sooner. Where it ends below 100 %, some leaks were never confirmed.",
            ),
        ),
        (Table("Minutes until all were confirmed in so many jobs", heads, tuple(rows)),),
    )


def _drawn(subject: Subject) -> list[str]:
    """Ours first, then the reference, then those that cost least."""
    arms = sorted(subject.arms(subject.found.whole), key=lambda one: one.cost.value)
    first = [subject.found.policy, *([subject.reference] if subject.reference else [])]
    return list(dict.fromkeys([*first, *(one.policy for one in arms)]))[: pictures.MOST_CURVES]


def _when(axis: tuple[float, ...], shares: tuple[float, ...], part: float) -> float:
    """The first minute at which a curve is that high; infinite if it never is."""
    return next((at for at, there in zip(axis, shares, strict=True) if there >= part), float("inf"))

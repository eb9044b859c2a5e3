"""Sections on worlds that are not as the program believes, and on cases whose best order is known."""

from __future__ import annotations

import math

from leakinfer.report.intervals import Axis, Row, intervals
from leakinfer.report.section import Picture, Section, Table
from leakinfer.report.study import pictures
from leakinfer.report.study.comparing import INTERVAL
from leakinfer.report.study.subject import Subject
from leakinfer.report.study.words import NONE, change, known, minutes, points, share, told, two
from leakinfer.study.measures import Stopping, Suffering


def worlds(subject: Subject) -> Section | None:
    """What it costs when the world is not as the program believes; None where only one world was played."""
    found = subject.found
    every = [one for one in found.sufferings if one.system == found.whole]
    ours = [one for one in every if one.policy == found.policy]
    if not ours:
        return None
    rows = [pictures.row(subject.names.truth(one.truth), one.cost, 0.0) for one in ours]
    return Section(
        "worlds",
        "Other worlds",
        "What if the world is not as the program believes?",
        (
            f"The program searches by the same belief; only the world differs. The jobs of each world are drawn anew. "
            f"{INTERVAL}",
        ),
        (
            Picture(
                pictures.differences(rows, f"cost of {subject.ours} more than in the world as believed, minutes a job"),
                "Change of the mean cost in each world against the one that is as believed, with intervals.",
                "Right of the dashed line a wrong belief costs more.",
            ),
        ),
        (_measures(subject), _chances(subject), _costs(subject, every)),
    )


def _measures(subject: Subject) -> Table:
    """Truth x measure, of our way."""
    found = subject.found
    heads = (
        "World",
        "Minutes until all confirmed, median",
        "Never all confirmed",
        "A leak left",
        "Change, points",
        "In vain, per 100 jobs",
        "Cost, minutes",
        "Change",
    )
    changes = {one.truth: one for one in found.sufferings if (one.system, one.policy) == (found.whole, found.policy)}
    rows = []
    for truth in found.truths:
        arm, moved = subject.arm(found.policy, truth), changes.get(truth)
        row = (subject.names.truth(truth), known(arm.confirm.value, minutes), known(arm.never.value, share))
        left = (share(arm.missed.value), _moved(moved, "missed"), known(arm.wrong.value))
        rows.append((*row, *left, known(arm.cost.value, minutes), _moved(moved, "cost")))
    return Table(f"How {subject.ours} fares", heads, tuple(rows), wraps=True)


def _moved(one: Suffering | None, what: str) -> str:
    if one is None:
        return NONE
    return told(one.missed, points) if what == "missed" else told(one.cost, change)


def _chances(subject: Subject) -> Table:
    """Truth x calibration, of our way."""
    heads = (
        "World",
        "Slope",
        "Apart",
        "By chance alone",
        "Leak left, told",
        "Leak left, seen",
        "Seen less told, points",
    )
    rows = []
    for truth in subject.found.truths:
        one = subject.calibration(truth)
        cells = (NONE,) * 3 if one is None else (told(one.slope, two), share(one.ece), share(one.ece_expected))
        ending = [end for end in subject.stopping(truth) if end.another.policy == subject.found.policy]
        rows.append((subject.names.truth(truth), *cells, *_ending(ending[0] if ending else None)))
    return Table("How far the told chances hold", heads, tuple(rows), wraps=True)


def _ending(one: Stopping | None) -> tuple[str, str, str]:
    if one is None:
        return NONE, NONE, NONE
    return share(one.another.told), told(one.another.seen, share), told(one.excess, points)


def _costs(subject: Subject, every: list[Suffering]) -> Table:
    """Every way: how much its cost grows."""
    found = subject.found
    by_key = {(one.policy, one.truth): one.cost_ratio for one in every}
    truths = [truth for truth in found.truths if truth in {one.truth for one in every}]
    rows = tuple(
        (
            subject.names.truth(truth),
            *(told(by_key[name, truth], two) if (name, truth) in by_key else NONE for name in found.policies),
        )
        for truth in truths
    )
    heads = ("World", *(subject.names.policy(name) for name in found.policies))
    return Table("Cost over that in the world as believed, every way", heads, rows)


def small_cases(subject: Subject) -> Section | None:
    """How far each way is from the best that can be done, where that is known."""
    every = subject.found.regrets
    if not every:
        return None
    rows = [Row(subject.names.policy(one.policy), one.mean, one.mean, one.worst, math.nan, True) for one in every]
    axis = Axis(
        "expected cost over that of the best order", ("mean over the cases; the line reaches to the worst", "", ""), 1.0
    )
    table = tuple(
        (subject.names.policy(one.policy), two(one.mean), two(one.worst), change(one.above), share(one.within))
        for one in every
    )
    heads = ("Way of searching", "Mean ratio", "Worst ratio", "Minutes above the best, mean", "Within 1 % of it")
    return Section(
        "small",
        "Small cases",
        "How near is each way to the best that can be done?",
        (
            f"{every[0].cases:,} invented cases of three or four repair units, so small that the best test after every "
            "outcome can be worked out. Costs are exact, over all outcomes; nothing is simulated.",
        ),
        (
            Picture(
                intervals(rows, axis),
                "Expected cost of each way over that of the best order: mean and worst of the cases.",
                "On the dashed line a way is as good as can be.",
            ),
        ),
        (Table("Expected cost over that of the best order", heads, table),),
    )

"""Sections on whether the told chances are right: of sites, of what was left, of what tests would tell."""

from __future__ import annotations

from leakinfer.report.intervals import Row
from leakinfer.report.section import Picture, Section, Table
from leakinfer.report.study import pictures
from leakinfer.report.study.answer import holds
from leakinfer.report.study.subject import Subject
from leakinfer.report.study.words import MOMENTS, points, share, three, told, two
from leakinfer.report.wording import figures
from leakinfer.study.measures import EVERY, Calibration, Information, Score, Stopping

SLOPE = "Slope of the log-odds of what was so on the told log-odds: 1 is right, below 1 too sure, above 1 too careful."


def chances(subject: Subject) -> Section | None:
    """Are the chances of sites right? None where none were written down."""
    whole = subject.calibration()
    if whole is None:
        return None
    every = list(subject.calibrations())
    panels = [
        pictures.Told("All chances, in tenths", whole.fixed),
        pictures.Told("The same, ten groups of equal size", whole.equal, small=True),
    ]
    others = [one for one in subject.found.calibrations if one.policy != whole.policy and one.truth == whole.truth]
    return Section(
        "chances",
        "Chances",
        "Are the told chances of a leak right?",
        (
            holds(whole),
            f"World: {subject.names.truth(whole.truth)}. Chance of a leak that matters at a site as {subject.ours} "
            "told it: at the door, after one of the tests, and at the end, for every site, beside whether it leaked. "
            "Rows of a job hang together, and the intervals allow for that.",
            f"{SLOPE} Apart: mean distance of told and seen over ten groups of equal size; chance alone makes some.",
        ),
        (
            Picture(
                pictures.told_and_seen(panels, "a leak that matters"),
                "How often sites leaked over the told chance, with intervals; points on the dashed line are right.",
                "On the dashed line told and seen are the same. On the right both axes are stretched near nothing, "
                "where most sites are.",
            ),
        ),
        (_calibration_table(subject, every), _score_table(subject, every), _by_way(subject, [whole, *others])),
    )


def _named(subject: Subject, one: Calibration) -> str:
    return f"{subject.names.brief(one.system)}, {MOMENTS.get(one.moment, one.moment)}"


def _calibration(one: Calibration) -> tuple[str, ...]:
    return (
        f"{one.count:,}",
        share(one.told),
        told(one.seen, share),
        told(one.slope, two),
        told(one.intercept, two),
        share(one.ece),
        share(one.ece_expected),
        share(one.ece_most),
    )


CALIBRATION = ("Chances", "Told, mean", "Seen", "Slope", "Intercept", "Apart", "By chance", "Rarely above")


def _calibration_table(subject: Subject, every: list[Calibration]) -> Table:
    rows = tuple((_named(subject, one), *_calibration(one)) for one in every)
    return Table(f"Told and seen, {subject.ours}", ("System, moment", *CALIBRATION), rows, wraps=True)


def _by_way(subject: Subject, every: list[Calibration]) -> Table:
    rows = tuple((subject.names.policy(one.policy), *_calibration(one)) for one in every)
    return Table(
        "Told and seen, the belief after each way's own tests", ("Way of searching", *CALIBRATION), rows, wraps=True
    )


def _score_table(subject: Subject, every: list[Calibration]) -> Table:
    """Brier and log score with their parts."""
    parts = ("off", "told apart", "unknown", "within groups")
    heads = ("System, moment", "Brier score", *parts, "Log score, bits", *parts, "Ruled out wrongly")
    rows = tuple(
        (_named(subject, one), *_score(one.brier), *_score(one.log), f"{one.ruled_out:,}")
        for one in every
        if one.moment == every[-1].moment  # all of them together, or the only one
    )
    return Table("Scores, the lower the better: score = off \u2212 told apart + unknown + within groups", heads, rows)


def _score(one: Score) -> tuple[str, ...]:
    every = (one.value, one.reliability, one.resolution, one.uncertainty, one.within)
    return tuple("endless" if number == float("inf") else f"{number:.4f}".replace("-", "\u2212") for number in every)


def stop_risk(subject: Subject) -> Section | None:
    """Is the risk right that is told at the end?"""
    every = subject.stopping()
    if not every:
        return None
    ours = next((one for one in every if one.another.policy == subject.found.policy), every[0])
    panels = [
        pictures.Told("Groups of equal size", ours.another.equal),
        pictures.Told("In tenths", ours.another.fixed),
    ]
    heads = (
        "Way of searching",
        "Told, mean",
        "Was so",
        "Seen less told, points",
        "Slope",
        "Leaks left, told, per job",
        "Leaks left, seen",
        "Seen less told",
    )
    return Section(
        "stopping",
        "Stop risk",
        "Is the risk right that is told at the end?",
        (_stop_words(subject, ours), f"World: {subject.names.truth(ours.another.truth)}. {SLOPE}"),
        (
            Picture(
                pictures.told_and_seen(panels, "another leak that matters"),
                "How often a leak that matters was left over the chance told at the end, with intervals.",
                "One point for each group of jobs; on the dashed line told and seen are the same.",
            ),
        ),
        (
            Table(
                "Told and seen at the end of a job", heads, tuple(_stop_row(subject, one) for one in every), wraps=True
            ),
        ),
    )


def _stop_words(subject: Subject, ours: Stopping) -> str:
    sure = "more than chance explains" if ours.excess.beyond(0.0) else "which chance alone may do"
    return (
        f"When it ended, {subject.names.said(ours.another.policy)} told a chance of {share(ours.another.told)} on "
        f"average that another leak that matters is left; in {told(ours.another.seen, share)} of the jobs one was: "
        f"{points(ours.excess.value)} points apart, {sure}."
    )


def _stop_row(subject: Subject, one: Stopping) -> tuple[str, ...]:
    return (
        subject.names.policy(one.another.policy),
        share(one.another.told),
        told(one.another.seen, share),
        told(one.excess, points),
        told(one.another.slope, two),
        figures(one.expected),
        told(one.missed),
        told(one.missed_excess, change_of_leaks),
    )


def change_of_leaks(number: float) -> str:
    """Two decimals with a sign."""
    return f"+{two(number)}" if number > 0 else two(number)


def information(subject: Subject) -> Section | None:
    """Do tests tell as much as was forecast?"""
    wanted = (subject.found.policy, subject.found.truth)
    every = [one for one in subject.found.information if (one.policy, one.truth) == wanted]
    whole = [one for one in every if one.system == subject.found.whole]
    if not whole:
        return None
    rows = [_row(subject, one) for one in whole]
    total = next(one for one in whole if one.method == EVERY)
    heads = ("Method", "Tests", "Jobs", "Forecast", "Came", "Came less forecast")
    tables = tuple(
        Table(
            f"Bits a test, {subject.names.system(system)}",
            heads,
            tuple(_information_row(subject, one) for one in every if one.system == system),
        )
        for system in subject.systems()
    )
    return Section(
        "information",
        "Information",
        "Do tests tell as much as was forecast?",
        (
            _information_words(total),
            "Tests of one repair unit. Forecast: the expected information of the test when it was chosen, in bits. "
            "Came: the logarithm to base 2 of the chance of the unit's true state after the test over before. Where "
            "the world is as the program believes the two agree on average.",
        ),
        (
            Picture(
                pictures.differences(rows, "bits a test", "forecast", line=None),
                "Information that came, with intervals, beside the forecast, by method.",
                "Filled: what came differs clearly from the forecast.",
            ),
        ),
        tables,
    )


def _row(subject: Subject, one: Information) -> Row:
    came = one.realised
    clear = one.excess.beyond(0.0)
    return Row(subject.names.method(one.method), came.value, came.low, came.high, one.forecast, clear)


def _information_words(total: Information) -> str:
    sure = "clearly apart" if total.excess.beyond(0.0) else "no clear difference"
    return (
        f"On average a test was forecast to tell {three(total.forecast)} bits and told {told(total.realised, three)}: "
        f"{sure}, over {total.tests:,} tests."
    )


def _information_row(subject: Subject, one: Information) -> tuple[str, ...]:
    return (
        subject.names.method(one.method),
        f"{one.tests:,}",
        f"{one.jobs:,}",
        three(one.forecast),
        told(one.realised, three),
        told(one.excess, three),
    )

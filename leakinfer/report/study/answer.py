"""The answer in plain sentences, and the study in a few figures."""

from __future__ import annotations

from leakinfer.report.study.subject import Subject
from leakinfer.report.study.words import ends, known, minutes, share, told, two
from leakinfer.report.wording import capital
from leakinfer.study.measures import BASE, Calibration, Pair


def answer(subject: Subject) -> str:
    """The page in one sentence: our way beside the reference."""
    found = subject.found
    pair = next((one for one in subject.pairs(found.whole) if one.other == subject.reference), None)
    world = ", in a world that is as the program believes," if found.truth == BASE else ""
    jobs = f"On {subject.arm(found.policy).jobs:,} simulated jobs{world}"
    if pair is None:
        arm = subject.arm(found.policy)
        took = f"{known(arm.confirm.value, minutes)} minutes to confirm every leak that matters in the middle job"
        return f"{jobs} {subject.ours} took {took}, and left one in {share(arm.missed.value)} of the jobs."
    took = f"{_sooner(pair)} {subject.names.said(pair.other)} took to confirm every leak that matters"
    return f"{jobs} {subject.ours} {took}, {_missed(subject, pair)}."


def _sooner(pair: Pair) -> str:
    if pair.compared == 0:
        return "cannot be told apart from what"
    sure = "" if pair.ratio.beyond(1.0) else ", which may be chance"
    return f"took {two(pair.ratio.value)} times the minutes ({ends(pair.ratio, two)}{sure}) that"


def _missed(subject: Subject, pair: Pair) -> str:
    ours, theirs = (subject.arm(name).missed.value for name in (pair.policy, pair.other))
    sure = "" if pair.missed.beyond(0.0) else ", a difference that may be chance"
    return f"and left one in {share(ours)} of the jobs instead of {share(theirs)}{sure}"


def more(subject: Subject) -> list[str]:
    """What else one must know at once: what costs least in all, and whether the chances hold."""
    said = [_cheapest(subject)] if len(subject.found.policies) > 1 else []
    calibration = subject.calibration()
    return said if calibration is None else [*said, holds(calibration)]


def _cheapest(subject: Subject) -> str:
    """Whether another way costs less, the price of ending wrong included."""
    found = subject.found
    cost = f"{minutes(subject.arm(found.policy).cost.value)} minutes a job with the price of ending wrong"
    better = [one for one in subject.pairs(found.whole) if one.cost.low > 0]
    if better:
        names = " and ".join(subject.names.said(one.other) for one in better)
        return f"{capital(subject.ours)} costs {cost}; {names} {'cost' if len(better) > 1 else 'costs'} clearly less."
    close = [one for one in subject.pairs(found.whole) if not one.cost.beyond(0.0)]
    if not close:
        return f"{capital(subject.ours)} costs {cost}, clearly less than every other way that was compared."
    names = " and ".join(subject.names.said(one.other) for one in close)
    alike = f"no other way costs clearly less, and {names} cannot be told apart from it"
    return f"{capital(subject.ours)} costs {cost}; {alike}."


def is_calibrated(found: Calibration) -> bool:
    """Whether told and seen are no further apart than chance leaves them, and the slope's interval holds 1."""
    return found.ece <= found.ece_most and not found.slope.beyond(1.0)


def holds(found: Calibration) -> str:
    """Whether the chances that the program told are right."""
    slope = f"slope {told(found.slope, two)}, where 1 is right and less is too sure"
    chance = f"{share(found.ece_expected)}, 95 times in 100 up to {share(found.ece_most)}"
    apart = f"told and seen are {share(found.ece)} apart, and chance alone would make {chance}"
    return f"{_lead(found)}: {slope}; {apart} ({found.count:,} site chances)."


def _lead(found: Calibration) -> str:
    if is_calibrated(found):
        return "The chances that the program told hold"
    how = "are off" if found.slope.beyond(1.0) else "lie further from what was seen than chance leaves them"
    return f"The chances that it told {how}"


def facts(subject: Subject) -> list[tuple[str, str]]:
    """The size of the study."""
    found = subject.found
    counted = (
        (len(found.policies), "way of searching", "ways of searching"),
        (len(found.systems), "type of system", "types of system"),
        (len(found.truths), "world", "worlds"),
    )
    parts = [(str(count), one if count == 1 else many) for count, one, many in counted]
    return [(f"{found.jobs:,}", "simulated jobs, each searched in every way"), *parts]

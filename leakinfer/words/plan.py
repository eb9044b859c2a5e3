"""The planner's answers in the words of the trade."""

from __future__ import annotations

import re
from collections.abc import Sequence

from leakinfer.circuit.conditions import UNDER_TEST_GAS
from leakinfer.circuit.model import WHOLE
from leakinfer.job.job import Job
from leakinfer.planner.model import Ask, NotAllowed, Plan, Ranked
from leakinfer.words.job import method_words, test_words
from leakinfer.words.numbers import minutes
from leakinfer.words.units import Units

NO_TIME = re.compile(r"takes \d+ min, (\d+) are left")
NO_CONSENT = re.compile(r"needs consent(?::| to) (\w+) work.*")
FEW = 2  # tests that are named one by one
DEARER = "not proved, but dearer to leave than to repair"  # of a part, after its chance


def once_each(tests: Sequence[Ranked]) -> list[Ranked]:
    """The tests without those that differ from a better one only in the state of the system."""
    best: dict[tuple[str, str], Ranked] = {}
    for test in tests:
        best.setdefault((test.candidate.method, test.candidate.target), test)
    return list(best.values())


def state_words(job: Job, test: Ranked, units: Units) -> str:
    """The state that the test is made in, where it is not the present one, and a shroud."""
    told, now = test.candidate.condition, job.condition()
    if told.state in UNDER_TEST_GAS and (told.test_kpa, told.sections) != (now.test_kpa, now.sections):
        return f", {_gas(units.condition_words(told))}"
    if (told.state, told.heating) != (now.state, now.heating):
        return f", {'heating' if told.heating else told.state}"
    return ", under a shroud" if told.shroud else ""


def _gas(words: str) -> str:
    """``nitrogen at 1,600 kPa`` of a condition's words: without the air."""
    return words.rpartition(", ")[0]


def steps_words(test: Ranked) -> str:
    """The work that comes before a test, with minutes and waits."""
    told = []
    for step in test.steps:
        wait = f" + {minutes(step.wait_minutes)} wait" if step.wait_minutes else ""
        told.append(f"{step.name} ({minutes(step.minutes)}{wait})")
    return ", then ".join(told)


def ask_words(job: Job, ask: Ask | None) -> str:
    """The question to the customer, with what it would be worth."""
    if ask is None:
        return ""
    candidate = ask.first.candidate
    what = test_words(job, candidate.method, candidate.target)
    work = f"{ask.tier} work ({steps_words(ask.first)}), for {what}" if ask.first.steps else f"{ask.tier} work: {what}"
    return f"Ask for consent to {work}; it would be worth about {minutes(ask.saves)}."


def refusal_words(refused: NotAllowed) -> str:
    """The reason without what differs from test to test."""
    late = NO_TIME.fullmatch(refused.reason)
    dear = NO_CONSENT.fullmatch(refused.reason)
    if late:
        return f"does not fit into the {late[1]} min that are left"
    return f"needs consent to {dear[1]} work" if dear else refused.reason.rstrip(".")


def refused_test_words(job: Job, refused: NotAllowed) -> str:
    """The test in words; a method that is barred altogether by its name alone."""
    if refused.target == WHOLE:
        return method_words(job, refused.method)
    return test_words(job, refused.method, refused.target)


def counted(tests: Sequence[str]) -> str:
    """A few by name, many by their number."""
    return "; ".join(tests) if len(tests) <= FEW else f"{len(tests)} tests, as {tests[0]}"


def ruled_out_by_nature(job: Job, refused: NotAllowed) -> bool:
    """Whether the kind of part or its place rules the method out, whatever the job."""
    method = job.catalogue.methods[refused.method]
    barred = refused.target == WHOLE  # a whole method, for a reason of its own
    return not barred and method.kind != "total" and job.never(method, refused.target) is not None


def by_reason(job: Job, plan: Plan) -> tuple[dict[str, list[str]], int]:
    """Tests left out for a reason of this job, in words and by reason; and how many the kind of part rules out."""
    reasons: dict[str, dict[str, None]] = {}
    ruled_out = 0
    for refused in plan.not_allowed:
        if ruled_out_by_nature(job, refused):
            ruled_out += 1
        else:
            reasons.setdefault(refusal_words(refused), {})[refused_test_words(job, refused)] = None
    return {reason: list(tests) for reason, tests in reasons.items()}, ruled_out

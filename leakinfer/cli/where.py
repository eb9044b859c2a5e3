"""The screen of ``next``: cautions, the tests in order with what comes before them, and how the first is done."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import UNDER_TEST_GAS
from leakinfer.cli.pages import likely_table, stop_lines
from leakinfer.cli.screen import bar, bullets, heading, pairs, shortened, width, wrapped
from leakinfer.job.belief import Belief
from leakinfer.job.finding import outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan, Ranked
from leakinfer.words.job import chances, method_words, place_words, test_words, time_words
from leakinfer.words.numbers import minutes
from leakinfer.words.plan import (
    ask_words,
    by_reason,
    counted,
    once_each,
    state_words,
    steps_words,
)
from leakinfer.words.units import Units

LIKELY_PLACES = 8
REASONS = 6  # of tests that are left out, shown


def next_page(belief: Belief, plan: Plan, top: int, path: str, units: Units, notices: Sequence[str] = ()) -> str:
    """Cautions, the tests in order of worth, how the first is done, the likely places, and whether to stop."""
    told = [*notices, *plan.notes]
    parts = [bullets(told, "note")] if told else []
    tests = once_each(plan.next)[:top]
    if tests:
        parts += [heading("Before you start"), bullets(tests[0].cautions, "!")]
        parts += [heading("Where next"), tests_table(belief.job, tests, plan, units)]
        parts.append(_first(belief.job, tests[0], plan, path, units))
    else:
        parts += [heading("Where next"), "  No test is possible now."]
    parts += [heading("Ask the customer"), wrapped(ask_words(belief.job, plan.ask))] if plan.ask else []
    parts += [heading("Left out"), left_out(belief.job, plan)] if plan.not_allowed else []
    parts += [heading("Likely places"), likely_table(belief, LIKELY_PLACES)]
    parts += [heading("Stop or go on"), stop_lines(belief, plan.stop, units)]
    return "\n".join(parts)


def worth(test: Ranked, plan: Plan) -> float:
    """What the tests were ranked by, more is better."""
    if plan.objective == "bits":
        return test.bits
    return test.bits_per_minute if plan.objective == "bits_per_minute" else max(0.0, plan.stop.at_stake - test.cost)


BAR = {"bits": "what it tells", "bits_per_minute": "what it tells for its minutes"}


def tests_table(job: Job, tests: Sequence[Ranked], plan: Plan, units: Units) -> str:
    """Tests in order, a few short lines each; the bar is the worth of a test against the best of them."""
    best = max((worth(test, plan) for test in tests), default=0.0)
    told = BAR.get(plan.objective, "minutes that it saves in the end")
    lines = [f"{f'(bar: {told})':>{width()}}"]
    for number, test in enumerate(tests, start=1):
        lines += _test_lines(job, test, number, worth(test, plan) / best if best > 0 else 0.0, units)
        lines += [f"     {test.bits:.3f} bits"] if plan.objective == "bits" else []
    return "\n".join(lines)


def _test_lines(job: Job, test: Ranked, number: int, share: float, units: Units) -> list[str]:
    """Number, target, time and bar; then method and place; then what comes first; then the chance of each outcome."""
    end = f"{minutes(test.minutes.total):>8}  {bar(share, 8)}"
    room = width() - len(end)
    name = shortened(job.target_name(test.candidate.target), room - 6)
    place = f", {place_words(job, test.candidate.place)}" if test.candidate.place else ""
    how = f"{method_words(job, test.candidate.method)}{state_words(job, test, units)}{place}"
    silent = job.catalogue.methods[test.candidate.method].silent
    lines = [f"{f'  {number}  {name}':{room}}{end}", wrapped(how, "     ")]
    lines += [wrapped(f"first {steps_words(test)}", "     ")] if test.steps else []
    return [*lines, wrapped(chances(test.outcomes, silent, ", "), "     ")]


def _first(job: Job, test: Ranked, plan: Plan, path: str, units: Units) -> str:
    """The reason for the first test, what comes first, how it is done well, and how to tell the outcome."""
    method = job.catalogue.methods[test.candidate.method]
    rows = [("why", test.reason)]
    rows += [("before", step.how) for step in test.steps]
    rows.append(("how", test.how))
    rows += [("spoils it", test.spoils)] if test.spoils else []
    rows += [("wait", time_words(method.wait_minutes / 60))] if method.wait_minutes else []
    if plan.meanwhile is not None:
        other = plan.meanwhile.candidate
        rows.append(("meanwhile", test_words(job, other.method, other.target)))
    rows.append(("in all", _in_all(test, plan)))
    rows.append(("then tell", record_command(job, test, method, path)))
    first = f"First: {test_words(job, method.id, test.candidate.target)}{state_words(job, test, units)}"
    return f"\n{wrapped(first)}\n{pairs(rows)}"


def _in_all(test: Ranked, plan: Plan) -> str:
    """Expected minutes to the end of the job; what a wrong ending costs counts as minutes."""
    ends = f"ending now counts as {minutes(plan.stop.at_stake)}"
    return f"about {minutes(test.cost)} to the end this way, what a wrong ending costs counted; {ends}"


def record_command(job: Job, test: Ranked, method: Method, path: str) -> str:
    """The command that tells the outcome, with the state where it is not the present one."""
    told = test.candidate.condition
    words = [shlex.quote(path), method.id, test.candidate.target]
    reads = {"hold": _hold_options(told.state == "vacuum"), "gather": GATHERED}.get(method.kind)
    words.append(reads or "|".join(outcome_names(method)))
    if told.state != job.facts.state and len(method.states) > 1 and not method.any_state:
        words.append(f"--state {told.state}")
    if told.state == "running" and told.heating != job.facts.heating:
        words.append(f"--heating {'yes' if told.heating else 'no'}")
    if told.state in UNDER_TEST_GAS and method.kind != "hold" and told.test_kpa != job.facts.test_kpa:
        words.append(f"--test-pressure {told.test_kpa:g}kPa")
    return f"leakinfer record {' '.join([*words, *(['--shroud'] if told.shroud else [])])}"


GATHERED = "--volume V --minutes M --start-ppm P --end-ppm P"


def _hold_options(vacuum: bool) -> str:
    """The options of a reading."""
    if vacuum:
        return "--start P --middle P --middle-minutes M --end P --minutes M --temp T"
    return "--start P --end P --start-temp T --end-temp T --hours H"


def left_out(job: Job, plan: Plan) -> str:
    """Tests left out for a reason of this job, grouped by reason; those that the kind of part rules out are counted."""
    reasons, ruled_out = by_reason(job, plan)
    texts = [f"{reason}: {counted(tests)}" for reason, tests in reasons.items()]
    more = len(texts) - REASONS
    texts = [*texts[:REASONS], f"{more} more reasons: --json lists them"] if more > 1 else texts
    texts += [f"{ruled_out} tests that the kind of part rules out: --json lists them"] if ruled_out else []
    return bullets(texts, "-")

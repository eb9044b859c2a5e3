"""Sections on what to do: the next steps with dates, how repairs last, cautions, and what a report cannot say."""

from __future__ import annotations

from collections.abc import Iterable

from leakinfer import __version__
from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.advice import advice_for
from leakinfer.job.events import SKIP
from leakinfer.planner.candidates import cautions
from leakinfer.planner.model import Ranked
from leakinfer.report.job.rates import check_due
from leakinfer.report.job.record import Record
from leakinfer.report.job.told import target_words
from leakinfer.report.job.wording import hundredths
from leakinfer.report.section import Section, Table
from leakinfer.report.wording import capital
from leakinfer.session.ending import cautions_of, entries_of
from leakinfer.words.job import judged_sites, part_words, test_words
from leakinfer.words.numbers import minutes
from leakinfer.words.plan import DEARER, ask_words, steps_words

BEFORE_LEAVING = "hoses off, your own ports checked, caps on, places you opened closed"
NOW, AFTER = "now", "after the repair"


def next_section(record: Record) -> Section:
    """What a person should do, in order, with days."""
    rows = [*_search(record), *_repairs(record), *_later(record)]
    table = Table("Steps", ("When", "What"), tuple(rows), frozenset({1}))
    return Section("next", "Next steps", "What to do next", (), tables=(table,))


def _search(record: Record) -> Iterable[tuple[str, str]]:
    """Going on, if it is worth it, and what the customer would have to agree to."""
    plan, job = record.plan, record.job
    if (test := _next_test(record)) is not None:
        words = test_words(job, test.candidate.method, test.candidate.target)
        first = f"; first {steps_words(test)}" if test.steps else ""
        if test.cautions:
            yield "before you go on", f"Mind: {' '.join(test.cautions)}"
        yield NOW, f"Go on with the search: {words}, about {minutes(test.minutes.total)}{first}."
    if plan.ask is not None:
        yield NOW, ask_words(job, plan.ask)
    for unit in record.ending.prove:
        yield NOW, f"Prove first, then repair: {part_words(job, unit)}."
    for unit in _unproved(record):
        chance = hundredths(record.belief.unit_probability[unit])
        yield NOW, f"Repair {part_words(job, unit)} too, {chance}: {DEARER}."


def _next_test(record: Record) -> Ranked | None:
    """The test that going on begins with; None: end."""
    plan = record.plan
    return None if plan.stop.stop or not plan.next else plan.next[0]


def _repairs(record: Record) -> Iterable[tuple[str, str]]:
    """Each confirmed place and likely part, how it is repaired and how that is proved."""
    job = record.job
    proofs: dict[str, None] = {}
    for target in (*record.ending.repair, *record.ending.replace):
        entries = entries_of(job, target)
        proofs |= dict.fromkeys(entry.verify for entry in entries)
        if target in record.ending.replace:
            yield NOW, f"Replace {part_words(job, target)}: likely, and its places cannot be told apart."
            continue
        for entry in entries:
            first = " The charge comes out first." if entry.opens_circuit else ""
            yield NOW, f"Repair {part_words(job, target)}, about {minutes(entry.minutes)}. {entry.repair}{first}"
    for proof in proofs:
        yield AFTER, f"Prove it. {proof}"


def _later(record: Record) -> Iterable[tuple[str, str]]:
    yield "before leaving", f"{capital(BEFORE_LEAVING)}."
    if record.ending.watch_until is not None:
        yield f"by {record.ending.watch_until}", "Weigh the charge or look again: by then what is left would show."
    due = check_due(record)
    if due is not None:
        made = f"if one is made on {record.today}; verify"
        yield f"by {due}", f"Next leak check where EU rules on fluorinated gases apply, {made}."


def prevention_section(record: Record) -> Section:
    """How the repaired and confirmed places are kept tight, and what else the owner should know."""
    job = record.job
    kept = {
        entry.prevent: job.catalogue.components[entry.component].name
        for target in _touched(record)
        for entry in entries_of(job, target)
    }
    points = [f"{name}: {words}" for words, name in kept.items()]
    points += [f"{advice.name}: {advice.text}" for advice in advice_for(job, record.belief)]
    says = ("So that it lasts, and what the owner should know beside the leaks.",)
    return Section("prevention", "Prevention", "Prevention", says, points=tuple(points or ["Nothing was noted."]))


def _unproved(record: Record) -> tuple[str, ...]:
    """Parts that are repaired unproved, once the search ends."""
    return record.ending.unproved if record.ending.word != "go on" else ()


def _touched(record: Record) -> list[str]:
    """Places that were confirmed or repaired, and parts that are likely or repaired unproved, each once."""
    repaired, ending = [done.target for done in record.job.repairs], record.ending
    return list(dict.fromkeys([*(leak.site for leak in record.leaks), *repaired, *ending.replace, *_unproved(record)]))


def cautions_section(record: Record) -> Section:
    """Cautions of the next test, of the repairs and of the advice, each once."""
    job, test = record.job, _next_test(record)
    told = [] if test is None else list(test.cautions)
    told += [
        text for target in _touched(record) for entry in entries_of(job, target) for text in cautions_of(job, entry)
    ]
    told += [text for advice in advice_for(job, record.belief) for text in cautions(job, advice.cautions)]
    says = (
        "Reminders, not instructions. Local codes, the nameplate and licensed practice decide what may be done and by "
        "whom.",
    )
    return Section("cautions", "Cautions", "Cautions", says, points=tuple(dict.fromkeys(told)))


def limits_section(record: Record) -> Section:
    """What nobody should read into this report."""
    belief, job = record.belief, record.job
    verdicts = judged_sites(belief)
    unchecked = sum(verdict.word == "unchecked" for verdict in verdicts.values())
    points = [
        "It gives chances, no promise that the system is tight. A silent test says nothing of leaks that are smaller "
        "than it can see in the conditions of that test.",
        f"{unchecked} of {len(verdicts)} places on the list were not checked at their spot or in their air.",
        f"A place that is on no list keeps a chance of {hundredths(belief.matters_probability[ELSEWHERE])}.",
        "Rates, detection and prices behind the chances are nearly all judgement; a firm's own history moves them.",
        "Losses of single places are expected values of a model, not measurements.",
    ]
    points += [f"Left out: {words}." for words in _skipped(record)]
    if not belief.exact:
        size = belief.posterior.effective_sample_size or 0.0
        points.append(
            f"The figures come from draws worth {size:.0f}, not from an exact calculation, so they are rough."
        )
    points += [f"{capital(notice)}." for notice in record.notices]
    points.append(
        f"Worked out on {record.today} by leakinfer {__version__} with priors {job.catalogue.digest[:12]}, after entry "
        f"no. {record.events[-1].number} of the job file."
    )
    return Section("limits", "Limits", "What this report cannot say", (), points=tuple(points))


def _skipped(record: Record) -> Iterable[str]:
    for line in record.lines:
        if line.event.kind == SKIP:
            yield f"{target_words(line.job, str(line.event.body['target']))} ({line.event.body['reason']})"

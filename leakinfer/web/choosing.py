"""All tests that could be made, with filters, and one test of a person's own choice."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response

from leakinfer.circuit.conditions import AIR_WORDS
from leakinfer.errors import InputError
from leakinfer.job.job import Job
from leakinfer.planner.model import Ranked
from leakinfer.reading import known
from leakinfer.report.wording import capital
from leakinfer.web.asked import Asked
from leakinfer.web.cards import REASONS, STATE_WORDS, Card, kept_of, plain_card, ranked_card
from leakinfer.web.desk import Seen
from leakinfer.web.naming import chosen as named
from leakinfer.web.pages import job_path, page
from leakinfer.web.telling import condition_fields, reading_fields
from leakinfer.words.job import place_words
from leakinfer.words.plan import by_reason, once_each, state_words, steps_words
from leakinfer.words.units import Units

SHOWN = 60  # tests in one list; more are found by the filters


@dataclass(frozen=True)
class Row:
    """A test in one line of the list."""

    title: str
    way: str
    place: str
    minutes: float
    first: str
    path: str


def all_tests(asked: Asked) -> Response:
    """Every test in order of worth, filtered by place, by way of testing and by a word."""
    seen: Seen = asked.desk.see(asked.path["job"])
    job = seen.job
    chosen = {name: asked.query.one(name) for name in ("place", "method", "word")}
    tests = [test for test in once_each(seen.plan.next) if _fits(job, test, **chosen)]
    refused, by_nature = by_reason(job, seen.plan)
    return page(
        asked,
        "tests.html",
        seen=seen,
        tab="next",
        rows=[_row(job, seen.id, test, asked.units) for test in tests[:SHOWN]],
        more=max(0, len(tests) - SHOWN),
        places=[(part.id, part.name) for part in job.system.places],
        methods=[(one.id, one.name) for one in job.catalogue.methods.values()],
        chosen=chosen,
        refused=refused,
        by_nature=by_nature,
    )


def _fits(job: Job, test: Ranked, place: str, method: str, word: str) -> bool:
    candidate = test.candidate
    if (place and candidate.place != place) or (method and candidate.method != method):
        return False
    name = f"{job.target_name(candidate.target)} {job.catalogue.methods[candidate.method].name}"
    return word.casefold() in name.casefold()


def _row(job: Job, job_id: str, test: Ranked, units: Units) -> Row:
    method = job.catalogue.methods[test.candidate.method]
    first = f"first {steps_words(test)}" if test.steps else ""
    kept = kept_of(job, method, test.candidate.condition)
    return Row(
        title=capital(job.target_name(test.candidate.target)),
        way=f"{method.name}{state_words(job, test, units)}",
        place=place_words(job, test.candidate.place) if test.candidate.place else "",
        minutes=test.minutes.total,
        first=first,
        path=job_path(job_id, "test", method.id, test.candidate.target, **kept),
    )


def one_test(asked: Asked, error: InputError | None = None) -> Response:
    """One test: how it is done, its answers, its reading, what else may have made it answer, or why not here."""
    seen: Seen = asked.desk.see(asked.path["job"])
    method, target = named(seen.job, asked.path["method"], asked.path["target"])
    given = asked.query
    required, optional = reading_fields(method, asked.units, given)
    return page(
        asked,
        "test.html",
        400 if error else 200,
        seen=seen,
        tab="next",
        card=test_card(asked, seen),
        hindrance=seen.job.hindrance(method, target),
        never=seen.job.never(method, target),
        required=required,
        optional=optional,
        conditions=condition_fields(asked.units, given),
        states=[(state, STATE_WORDS[state]) for state in method.states],
        airs=AIR_WORDS,
        heats=all(section.heating_side != "none" for section in seen.job.system.sections),
        isolations=[(part.id, part.name) for part in seen.job.system.isolations],
        given=given,
        reasons=REASONS,
        error=error,
        told_state=_told_state(seen.job, method.states, given.one("state")),
    )


def _told_state(job: Job, states: tuple[str, ...], told: str) -> str:
    """The state that is chosen in the form: told, or the present one, or the only one that fits."""
    if told:
        return known(told, STATE_WORDS, what="state", where="System")
    return job.facts.state if job.facts.state in states else states[0]


def test_card(asked: Asked, seen: Seen) -> Card:
    """The planner's card of the test in the condition that the address tells, if it proposes that; else a plain one."""
    method, target = named(seen.job, asked.path["method"], asked.path["target"])
    kept = dict(asked.query.pairs)
    same = [test for test in seen.plan.next if (test.candidate.method, test.candidate.target) == (method.id, target)]
    cards = [ranked_card(seen.job, seen.id, test, asked.units) for test in same]
    wanted = {name: kept[name] for name in ("state", "heating", "test_pressure", "shroud") if kept.get(name)}
    return next((card for card in cards if dict(card.kept) == wanted), None) or plain_card(
        seen.job, seen.id, method, target, asked.units
    )


ROUTES = (
    ("/job/{job}/tests", all_tests, None),
    ("/job/{job}/test/{method}/{target}", one_test, None),
)

"""A test as the page shows it: what, where, why, how, what must be there first, and the button of each answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from msgspec import structs

from leakinfer.catalogue.model import FalseCause, Method, SetUp
from leakinfer.circuit.conditions import UNDER_TEST_GAS, Condition
from leakinfer.job.finding import outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.candidates import cautions
from leakinfer.planner.model import Ranked
from leakinfer.report.wording import capital
from leakinfer.web.pages import job_path
from leakinfer.web.telling import reading_kind
from leakinfer.words.job import method_words, outcome_words, place_words
from leakinfer.words.units import Units

STATE_WORDS: Mapping[str, str] = {
    "running": "running",
    "standing": "off and equalised",
    "flat": "flat, no pressure left",
    "nitrogen": "nitrogen in it",
    "tracer": "trace gas mix in it",
    "vacuum": "under vacuum",
}
TIER_WORDS: Mapping[str, str] = {
    "quick": "quick: a quick look, no hoses",
    "standard": "standard: hoses, shroud, dye; nitrogen if it is flat",
    "intrusive": "intrusive: charge out, circuit cut where needed",
}
REASONS = ("no access", "no key", "tool is not here", "no gas left", "not safe now", "customer says no")


@dataclass(frozen=True)
class Choice:
    """An answer that a test may give. ``chance`` is None where it was not worked out."""

    name: str
    words: str
    chance: float | None
    silent: bool


@dataclass(frozen=True)
class Card:
    """A test. ``kept``: entries of the form that tell the condition where it is not the present one."""

    method: Method
    target: str
    title: str
    how_named: str
    place: str
    condition: str
    minutes: float | None
    reason: str
    steps: tuple[SetUp, ...]
    how: str
    spoils: str
    cautions: tuple[str, ...]
    choices: tuple[Choice, ...]
    causes: tuple[FalseCause, ...]
    kept: Mapping[str, str]
    path: str

    @property
    def reads(self) -> bool:
        """Whether a gauge, a meter or a scale is read."""
        return reading_kind(self.method) is not None


def ranked_card(job: Job, job_id: str, test: Ranked, units: Units) -> Card:
    """The card of a test that the planner proposes."""
    told, method = test.candidate.condition, job.catalogue.methods[test.candidate.method]
    kept = kept_of(job, method, told)
    return Card(
        method=method,
        target=test.candidate.target,
        title=capital(job.target_name(test.candidate.target)),
        how_named=method_words(job, method.id),
        place=place_words(job, test.candidate.place) if test.candidate.place else "",
        condition=_condition_words(job, method, told, test.candidate.place, units),
        minutes=test.minutes.total,
        reason=test.reason,
        steps=test.steps,
        how=test.how,
        spoils=test.spoils,
        cautions=test.cautions,
        choices=_choices(method, test.outcomes),
        causes=method.false_causes,
        kept=kept,
        path=job_path(job_id, "test", method.id, test.candidate.target, **kept),
    )


def plain_card(job: Job, job_id: str, method: Method, target: str, units: Units) -> Card:
    """The card of any test, also of one that the planner would not propose, in the present condition."""
    site = job.site(target) if method.kind == "point" else None
    technique = job.technique(method, site) if site else None
    place = job.place_of(method.id, target)
    now = job.facts.state in method.states
    how = job.catalogue.exposures[job.exposure_of[target]].signs if method.kind == "exposure" else method.how
    return Card(
        method=method,
        target=target,
        title=capital(job.target_name(target)),
        how_named=method_words(job, method.id),
        place=place_words(job, place) if place else "",
        condition=_condition_words(job, method, job.condition(), place, units) if now else "",
        minutes=None,
        reason="",
        steps=(),
        how=technique.how if technique else how,
        spoils=technique.spoils if technique else "",
        cautions=cautions(job, method.cautions),
        choices=_choices(method, {}),
        causes=method.false_causes,
        kept={},
        path=job_path(job_id, "test", method.id, target),
    )


def _choices(method: Method, chances: Mapping[str, float]) -> tuple[Choice, ...]:
    """The silent answer first, under the thumb's first reach; then the others from weak to strong."""
    return tuple(
        Choice(name, outcome_words(name), chances.get(name), name == method.silent) for name in outcome_names(method)
    )


def kept_of(job: Job, method: Method, told: Condition) -> dict[str, str]:
    """Entries of a form: what it must tell of the condition, where it is not the present one."""
    kept: dict[str, str] = {}
    if told.state != job.facts.state and len(method.states) > 1 and not method.any_state:
        kept["state"] = told.state
    if told.state == "running" and told.heating != job.facts.heating:
        kept["heating"] = "yes" if told.heating else "no"
    if told.state in UNDER_TEST_GAS and told.test_kpa != job.facts.test_kpa:
        kept["test_pressure"] = f"{told.test_kpa:.9g} kPa"
    return kept | ({"shroud": "yes"} if told.shroud else {})


def _condition_words(job: Job, method: Method, told: Condition, place: str | None, units: Units) -> str:
    """The condition of the test in words; nothing where it does not matter."""
    if method.any_state or method.kind == "total":
        return ""
    air = job.air_at(place, told) if place else told.air
    return units.condition_words(structs.replace(told, air=air))

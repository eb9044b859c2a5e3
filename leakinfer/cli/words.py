"""A job's parts in the words of the trade."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import structs

from leakinfer.cli.screen import percent, rate
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.why import surprise, surprise_words

LIKELY = 0.5  # more likely than not is called likely
NOT_CHECKED = "not checked"


def method_words(job: Job, method: str) -> str:
    """The method's name."""
    return job.catalogue.methods[method].name


def place_words(job: Job, place: str | None) -> str:
    """The name of a place; a dash for a test that has none."""
    return next((part.name for part in job.system.places if part.id == place), "-")


def test_words(job: Job, method: str, target: str) -> str:
    """``core of the suction port, bubble solution``."""
    return f"{job.target_name(target)}, {method_words(job, method)}"


def outcome_words(outcome: str) -> str:
    """An outcome without underscores."""
    return outcome.replace("_", " ")


def chances(outcomes: Mapping[str, float], silent: str, join: str) -> str:
    """The chance of each outcome, those that speak for a leak first."""
    speaking = [name for name in outcomes if name != silent]
    return join.join(f"{outcome_words(name)} {percent(outcomes[name])}" for name in (*speaking, silent))


def finding_words(job: Job, finding: Finding) -> str:
    """A finding with its conditions."""
    weight = "" if finding.reading_kg is None else f" ({finding.reading_kg:g} kg)"
    when = "before this job" if finding.earlier else condition_words(job, finding)
    words = f"{test_words(job, finding.method, finding.target)}: {outcome_words(finding.outcome)}{weight}"
    causes = {cause.id: cause.name for cause in job.catalogue.methods[finding.method].false_causes}
    there = "".join(f", with {causes[name]}" for name in finding.false_causes)
    return f"{words}{there}" + (f" ({when})" if when else "")


def condition_words(job: Job, finding: Finding) -> str:
    """The state of the system and the air at the place of a finding; nothing where they do not matter."""
    method = job.catalogue.methods[finding.method]
    place = job.place_of(finding.method, finding.target)
    if method.lasting or method.kind in ("exposure", "total"):
        return ""
    air = job.air_at(place, finding.condition) if place else finding.condition.air
    return str(structs.replace(finding.condition, air=air).words)


def site_verdicts(belief: Belief) -> dict[str, str]:
    """By site: confirmed, likely here, nothing detectable, cannot tell yet, or not checked."""
    job = belief.job
    tests: dict[str, list[Finding]] = {}
    for finding in job.findings:
        for site in _tested(job, finding):
            tests.setdefault(site, []).append(finding)
    confirmed = set(belief.confirmed())
    chances = belief.matters_probability
    return {
        site.id: "confirmed" if site.id in confirmed else _verdict(job, chances[site.id], tests.get(site.id, []))
        for site in job.sites
    }


def _verdict(job: Job, chance: float, tests: list[Finding]) -> str:
    if chance >= LIKELY:
        return "likely here"
    if not tests:
        return NOT_CHECKED
    if any(test.outcome != job.catalogue.methods[test.method].silent for test in tests):
        return "cannot tell yet"
    last = tests[-1]
    return f"nothing detectable ({method_words(job, last.method)}, {condition_words(job, last)})"


def _tested(job: Job, finding: Finding) -> list[str]:
    """The sites that a finding is a test of, or of the air round them; a look for oil or a weight is not."""
    method = job.catalogue.methods[finding.method]
    named = method.kind in ("point", "sweep") and not method.lasting
    return [site.id for site in job.scope(method, finding.target)] if named else []


def surprising(before: Job, finding: Finding) -> tuple[float, str] | None:
    """The chance that was given to a finding and what could explain it, if it was a surprise."""
    chance = surprise(before, finding)
    return None if chance is None else (chance, surprise_words(before, finding))


def fact_rows(job: Job) -> list[tuple[str, str]]:
    """The facts of a job, name and words."""
    facts = job.facts
    weighed = ", weighed in" if facts.first_charge_weighed else ""
    rows = [("system", job.system.name), ("charge", f"{facts.charge_kg:.4g} kg of {facts.refrigerant}{weighed}")]
    rows.append(("age", f"{facts.age_years:.3g} years"))
    if facts.tight_years_ago is not None:
        rows.append(("proved tight", f"{facts.tight_years_ago:.3g} years ago"))
    if facts.loss is not None:
        yearly = rate(facts.loss.kg * 1000 / facts.loss.years)
        rows.append(("lost", f"{facts.loss.kg:.3g} kg in {facts.loss.years:.3g} years, about {yearly}"))
    rows += [("seen" if there else "not there", job.target_name(n)) for n, there in facts.circumstances.items()]
    rows += [("not fitted", job.target_name(site)) for site in facts.not_fitted]
    return rows + _present_rows(job)


def _present_rows(job: Job) -> list[tuple[str, str]]:
    """What may change during a job."""
    facts = job.facts
    warmth = f"{facts.outdoor_c:.3g} C outdoors, {facts.indoor_c:.3g} C indoors"
    rows = [("now", f"{job.condition().words}, {warmth}"), ("gauges", "on" if facts.gauges else "off")]
    rows += [("also there", outcome_words(cause)) for cause in facts.false_causes]
    return rows + ([("you are at", place_words(job, facts.place))] if facts.place else [])

"""Why a site is likely or not: its odds from the base rate through age and circumstances to every finding."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeAlias

from msgspec import structs

from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.facts import Facts, Loss
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired, Return
from leakinfer.reading import known

Evidence: TypeAlias = Loss | Finding | Return | None


@dataclass(frozen=True)
class Step:
    """One piece of evidence: the probability of a leak that matters after it, and how it moved the odds (ratio).

    ``what``: in words, metric. ``surprising``: the chance that the belief gave to this finding, if it was small.
    ``told``: the loss, finding or return behind it, for those who say it in a reader's units.
    """

    what: str
    probability: float
    odds_ratio: float
    surprising: float | None = None
    told: Evidence = None


@dataclass(frozen=True)
class Explanation:
    """The story of one site; the last step's probability is today's."""

    site: str
    name: str
    steps: tuple[Step, ...]
    notes: tuple[str, ...]


def explain(job: Job, site: str, where: str = "site") -> Explanation:
    """Why a site is as likely as it is: its odds from the base rate of its class to the last finding, step by step.

    Raises:
        InputError: a site that the job does not have.

    Example:
        >>> from leakinfer import Finding, Job, explain, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "my job"))
        >>> job = job.with_finding(Finding("bubbles", "liquid_valve_flare", "fast_bubbles", job.condition()))
        >>> story = explain(job, "liquid_valve_flare")
        >>> for step in story.steps:
        ...     print(step.what)
        a flare joint after 10 years, nothing else known
        age 10 years
        circumstances, seen or possible
        0.3 kg lost in 2 years
        bubble solution, liquid line flare at the outdoor unit: fast bubbles (standing, still air)
        >>> story.steps[-1].odds_ratio > 1
        True
    """
    known(site, [s.id for s in job.sites], what="site", where=where)
    steps: list[Step] = []
    before = None
    for what, stage, surprise, told in _stages(job, site):
        chance = _probability(stage, site)
        steps.append(Step(what, chance, 1.0 if before is None else _odds(chance) / _odds(before), surprise, told))
        before = chance
    return Explanation(site, job.site(site).name, tuple(steps), _notes(job, site))


def _odds(chance: float) -> float:
    return max(chance, 1e-300) / max(1 - chance, 1e-300)


def _probability(job: Job, site: str) -> float:
    belief = Belief(job)
    return belief.any_of({name: belief.masks[name] for name in belief.items[site]})


Stage: TypeAlias = tuple[str, Job, float | None, Evidence]


def _stages(job: Job, site: str) -> list[Stage]:
    """The job rebuilt piece by piece, with words for each piece and the chance given to it if it was a surprise."""
    stages = _fact_stages(job, site)
    before = replace(job, findings=(), repairs=(), returns=())
    for event in _events(job):
        if isinstance(event, Finding):
            after = replace(before, findings=(*before.findings, event))
            stages.append((finding_words(job, event), after, surprise(before, event), event))
        elif isinstance(event, Repaired):
            after = replace(before, repairs=(*before.repairs, event))
            stages.append((_repair_words(job, event), after, None, None))
        else:
            after = replace(before, returns=(*before.returns, event))
            stages.append((_return_words(event), after, None, event))
        before = after
    return stages


def _events(job: Job) -> list[Finding | Repaired | Return]:
    """Findings, repairs and returns in the order in which they were told."""
    placed: list[tuple[tuple[int, float], Finding | Repaired | Return]] = []
    placed += [((done.after, done.visit), done) for done in job.repairs]
    placed += [((later.after, visit + 0.5), later) for visit, later in enumerate(job.returns)]
    placed += [((number, math.inf), finding) for number, finding in enumerate(job.findings)]
    return [event for _, event in sorted(placed, key=lambda pair: pair[0])]


def _repair_words(job: Job, done: Repaired) -> str:
    """A repair in words: ``liquid port core: exchanged``."""
    units = {unit.id: unit.name for unit in job.system.units}
    name = units[done.target] if done.target in units else job.target_name(done.target)
    return f"{name}: {'exchanged' if done.exchanged else 'repaired'}"


def _return_words(later: Return) -> str:
    """A later visit in words."""
    missing = "" if later.missing_kg is None else f", {later.missing_kg:.3g} kg missing"
    return f"back after {later.years:.3g} years{missing}"


def _loss_words(loss: Loss) -> str:
    """A loss as a step of the story: ``0.3 kg lost in 2 years``."""
    return f"{loss.kg:.3g} kg lost in {loss.years:.3g} years"


def _fact_stages(job: Job, site: str) -> list[Stage]:
    """From the plain component through age and circumstances to the loss."""
    facts, loss = job.facts, job.facts.loss
    years = job.catalogue.numbers["hazard_reference_years"]  # the age at which a class's mean rate is quoted
    none = facts.circumstances | dict.fromkeys(_circumstances(job, site), False)
    bare = structs.replace(facts, age_years=years, tight_years_ago=None, loss=None, circumstances=none)
    aged = structs.replace(bare, age_years=facts.age_years, tight_years_ago=facts.tight_years_ago)
    exposed = structs.replace(aged, circumstances=facts.circumstances)
    kind = job.catalogue.components[job.site(site).component].name
    told: list[tuple[str, Facts, Evidence]] = [
        (f"a {kind} after {years:g} years, nothing else known", bare, None),
        (f"age {facts.age_years:.3g} years" + _tight(job), aged, None),
        ("circumstances, seen or possible", exposed, None),
    ]
    if loss is not None:
        told.append((_loss_words(loss), structs.replace(exposed, loss=loss), loss))
    bare_job = replace(job, findings=(), repairs=(), returns=())
    return [(words, replace(bare_job, facts=stage), None, one) for words, stage, one in told]


def _tight(job: Job) -> str:
    ago = job.facts.tight_years_ago
    return "" if ago is None else f", proved tight {ago:.3g} years ago"


def _circumstances(job: Job, site: str) -> list[str]:
    """All circumstances that may touch a site."""
    shared = [c.id for c in job.system.circumstances if site in c.sites]
    return shared + [f"{site}:{exposure}" for exposure in job.site(site).exposures]


def finding_words(job: Job, finding: Finding) -> str:
    """A finding in words: ``sweep of service_valves: response (standing, still air)``."""
    method = job.catalogue.methods[finding.method]
    outcome = finding.outcome.replace("_", " ")
    place = job.place_of(method.id, finding.target)
    indoors = place is not None and job.air_at(place, finding.condition) != finding.condition.air
    condition = finding.condition.state if indoors else finding.condition.words
    weight = f", {finding.reading_kg:g} kg" if finding.reading_kg is not None else ""
    causes = f"; also there: {', '.join(finding.false_causes)}" if finding.false_causes else ""
    return f"{method.name}, {job.target_name(finding.target)}: {outcome}{weight} ({condition}){causes}"


def surprise(before: Job, finding: Finding) -> float | None:
    """The chance that the belief gave to a finding, if that was less than the catalogue's limit; else None."""
    plain = structs.replace(finding, reading_kg=None, hold=None, rise=None, gathered=None)
    held = Belief(before)
    try:
        told = Belief(replace(before, findings=(*before.findings, plain)))
    except InputError:
        return 0.0
    chance = math.exp(told.posterior.log_evidence - held.posterior.log_evidence)
    return chance if chance < before.catalogue.numbers["surprise_probability"] else None


def surprise_words(job: Job, finding: Finding) -> str:
    """What could explain a finding that was not expected."""
    method = job.catalogue.methods[finding.method]
    causes = ", ".join(cause.name for cause in method.false_causes)
    if finding.outcome != method.silent:
        return (
            f"unexpected: make it again in fresh air and with another method; could also be {causes}" if causes else ""
        )
    return "unexpected silence: wind, low pressure, a blocked tip, a spot out of reach, or a leak that comes and goes"


def _notes(job: Job, site: str) -> tuple[str, ...]:
    """What the person should know of the base rate."""
    component = job.catalogue.components[job.site(site).component]
    hazard = component.hazard
    size = component.size
    return (
        f"base rate {hazard.mean:.2g} leaks per {component.name} and year: {_told(hazard.known, hazard.source)}",
        f"size of such leaks: {_told(size.known, size.source)}",
    )


def _told(known: str, source: str) -> str:
    """How a number is known, with its source, not saying it twice."""
    return source if source.startswith(known) else f"{known}; {source}"

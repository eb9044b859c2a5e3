"""Where next: all candidates scored, costed, put in order and given a reason."""

from __future__ import annotations

from leakinfer.circuit.model import Site
from leakinfer.inference import Information
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job, outcome_names
from leakinfer.planner.candidates import cautions, possible
from leakinfer.planner.costs import minutes
from leakinfer.planner.information import Scorer
from leakinfer.planner.model import Candidate, Objective, Plan, Ranked
from leakinfer.planner.stop import stopping


def make_plan(belief: Belief, objective: Objective = "bits_per_minute") -> Plan:
    """Every possible test in order of worth, what is not allowed, and whether to stop.

    Tests that connect hoses come behind those of the ports that hoses would end, as long as these tell something.
    """
    candidates, refused = possible(belief)
    scores = Scorer(belief).score(candidates)
    made = _times_made(belief.job)
    ranked = [_ranked(belief, c, s, made) for c, s in zip(candidates, scores, strict=True)]
    waiting = any(test.perishable and test.repeat == 0 and test.bits > 0 for test in ranked)
    methods = belief.job.catalogue.methods

    def order(test: Ranked) -> tuple[bool, float]:
        late = waiting and methods[test.candidate.method].gauges
        return late, -(test.bits if objective == "bits" else test.bits_per_minute)

    ranked.sort(key=order)
    return Plan(tuple(ranked), tuple(refused), stopping(belief, ranked), objective)


def _times_made(job: Job) -> dict[tuple[str, str], int]:
    """How often each method was used on each target."""
    made: dict[tuple[str, str], int] = {}
    for finding in job.findings:
        key = (finding.method, finding.target)
        made[key] = made.get(key, 0) + 1
    return made


def _ranked(belief: Belief, candidate: Candidate, score: Information, made: dict[tuple[str, str], int]) -> Ranked:
    job = belief.job
    method = job.catalogue.methods[candidate.method]
    site = job.site(candidate.target) if method.kind == "point" else None
    technique = job.technique(method, site) if site else None
    perishable = bool(site and job.catalogue.components[site.component].port and not job.facts.gauges)
    times = made.get((candidate.method, candidate.target), 0)
    outcomes = dict(zip(outcome_names(method), (float(p) for p in score.outcomes), strict=True))
    return Ranked(
        candidate=candidate,
        bits=score.bits,
        minutes=minutes(job, candidate),
        outcomes=outcomes,
        reason=_reason(belief, candidate, perishable, times),
        how=technique.how if technique else _signs(job, candidate) or method.how,
        spoils=technique.spoils if technique else "",
        cautions=cautions(job, method),
        repeat=times,
        perishable=perishable,
    )


def _signs(job: Job, candidate: Candidate) -> str:
    """What to look for, of a circumstance."""
    if job.catalogue.methods[candidate.method].kind != "exposure":
        return ""
    shared = {c.id: c.exposure for c in job.system.circumstances}
    exposure = shared.get(candidate.target) or candidate.target.split(":")[1]
    return job.catalogue.exposures[exposure].signs


def _reason(belief: Belief, candidate: Candidate, perishable: bool, times: int) -> str:
    """One sentence in words of the trade."""
    job = belief.job
    method = job.catalogue.methods[candidate.method]
    sites = job.scope(method, candidate.target)
    words = _why_there(belief, method.kind, sites)
    if perishable:
        words += "; look before hoses go on, they hide it"
    if times:
        words += f"; made {times} time{'s' if times > 1 else ''} already, a repeat tells less"
    unfair = [s for s in sites[:1] if method.kind == "point" and not belief.detection.fair(method, s, candidate.condition)]
    if unfair:
        words += "; pressure or temperature is low here, silence would say little"
    return words


def _why_there(belief: Belief, kind: str, sites: tuple[Site, ...]) -> str:
    chances = belief.unit_probability
    units = list(dict.fromkeys(site.unit for site in sites))
    if kind == "total":
        return f"tells how much is missing and whether it leaks at all; {belief.any_that_matters():.0%} for a leak that matters"
    if kind == "point":
        return f"{belief.matters_probability[sites[0].id]:.0%} chance of a leak that matters here"
    together = min(1.0, sum(chances[unit] for unit in units))
    if kind == "exposure":
        return f"a look changes the odds of {_places(sites)}, together {together:.0%}"
    return f"takes in {_places(sites)} at once, together {together:.0%}"


def _places(sites: tuple[Site, ...]) -> str:
    return sites[0].name if len(sites) == 1 else f"{len(sites)} places"

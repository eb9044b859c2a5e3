"""The confirmed leaks of a job: when each was found, what it lost, and whether its repair held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from leakinfer.circuit.model import Site
from leakinfer.fleet.history.writing import NO, NOT_WRITTEN_DOWN, YES
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job


@dataclass(frozen=True, eq=False)
class Found:
    """A leak at a site, confirmed at a visit (the first being 0).

    ``part``: the name of the part that stood there. ``old``: the leak of before, as the repair numbered ``repair`` did
    not hold. ``belief``: what was believed when it was confirmed.
    """

    site: str
    part: str
    visit: int
    belief: Belief
    old: bool = False
    repair: int | None = None


def part_name(site: str, exchanges: int) -> str:
    """The name of the part that stands at a site after so many exchanges."""
    return site if exchanges == 0 else f"{site}#{exchanges + 1}"


def confirmed_leaks(stages: Sequence[Job]) -> tuple[Found, ...]:
    """The leaks confirmed at each stage of a job and not before; a site counts anew once it has been repaired.

    Raises:
        InputError: the evidence together is impossible.
    """
    found: list[Found] = []
    since_repair: dict[str, int] = {}  # by site, how many repairs there were when it was confirmed
    fitted = {site.id for site in stages[-1].sites}
    for job in stages:
        if not _pinpointed(job):
            continue
        belief = Belief(job)
        for site in (job.site(name) for name in belief.confirmed() if name in fitted):
            repairs = _repairs_at(job, site)
            if since_repair.get(site.id) != len(repairs):
                found.append(_found(job, belief, site, repairs))
                since_repair[site.id] = len(repairs)
    return tuple(found)


def _pinpointed(job: Job) -> bool:
    """Whether anything can be confirmed: a pinpoint method has spoken."""
    methods = job.catalogue.methods
    made = [(methods[finding.method], finding.outcome) for _, finding in job.standing_findings]
    return any(method.pinpoint and outcome != method.silent for method, outcome in made)


def _repairs_at(job: Job, site: Site) -> list[int]:
    return [number for number, done in enumerate(job.repairs) if done.target in (site.id, site.unit)]


def _found(job: Job, belief: Belief, site: Site, repairs: Sequence[int]) -> Found:
    part = part_name(site.id, sum(job.repairs[number].exchanged for number in repairs))
    last = repairs[-1] if repairs else None
    old = last is not None and _begun(belief, site) <= job.repairs[last].visit
    return Found(site.id, part, len(job.returns), belief, old, last if old else None)


def _begun(belief: Belief, site: Site) -> int:
    """The visit by which the leak of a site had most likely begun."""
    names = belief.items[site.id]
    sure = {name: float(belief.posterior.any_copy(name, belief.leaking[name])) for name in names}
    return belief.origins[max(names, key=lambda name: sure[name])].visit


def loss_alone(leak: Found) -> float | None:
    """The loss in g/yr that a visit's weight gives the only leak found there; None where it says nothing of it.

    It does where the charge was right once, is not all gone, and all other places together are expected to lose less
    than the weight's own error. The loss is taken as even since the charge was right; a leak that began later lost
    faster.
    """
    belief = leak.belief
    deficit = belief.deficits[leak.visit]
    if not deficit.readings or deficit.first_charge_counts:
        return None
    reading = deficit.readings[-1]
    others = sum(loss for site, loss in belief.expected_g_per_year.items() if site != leak.site)
    if not reading.error_g < reading.missing_g < deficit.charge_g or others * deficit.years > reading.error_g:
        return None
    return reading.missing_g / deficit.years


def held(job: Job, number: int, site: Site, found: Sequence[Found]) -> str:
    """Whether a repair of a confirmed leak held: no if the old leak was confirmed again; yes if the place was tested
    since, before a new leak began there, and stayed silent; else nobody knows."""
    after, visit = job.repairs[number].after, job.repairs[number].visit
    if any(leak.repair == number and leak.site == site.id for leak in found):
        return NO
    mended = [leak for leak in found if leak.site == site.id and _mended_by(job, leak, site) == number]
    anew = [job.returns[leak.visit - 1].after for leak in found if leak.site == site.id and leak.visit > visit]
    answers = _answers_since(job, site, after, min([_next_repair(job, number, site), *anew]))
    return YES if mended and answers and not any(answers) else NOT_WRITTEN_DOWN


def _mended_by(job: Job, leak: Found, site: Site) -> int | None:
    """The first repair of a site after a leak was confirmed there."""
    told_then = len(leak.belief.job.repairs)
    return next((number for number in _repairs_at(job, site) if number >= told_then), None)


def _next_repair(job: Job, number: int, site: Site) -> int:
    """How many findings were made before the next repair of a site; all, if there is none."""
    return next((job.repairs[n].after for n in _repairs_at(job, site) if n > number), len(job.findings))


def _answers_since(job: Job, site: Site, begin: int, end: int) -> list[bool]:
    """Whether each test at a site spoke for a leak, of those that meet gas: its own, and silent ones of its zone."""
    answers = []
    for number, finding in job.standing_findings:
        method = job.catalogue.methods[finding.method]
        if begin <= number < end and not method.lasting and not finding.earlier:
            spoke = finding.outcome != method.silent
            own = method.kind == "point" and finding.target == site.id
            around = method.kind in ("sweep", "gather") and site in job.scope(method, finding.target)
            answers += [spoke] if own or (around and not spoke) else []
    return answers

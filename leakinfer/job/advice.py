"""What the owner should be told beside the leaks: the entries of the catalogue's advice that apply to a job."""

from __future__ import annotations

from leakinfer.catalogue.model import Advice
from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job


def advice_for(job: Job, belief: Belief | None = None) -> tuple[Advice, ...]:
    """Advice that applies, in the catalogue's order.

    It applies where a circumstance of one of its exposures is a fact or was found by a look and is at least 90 % sure,
    where enough of its components are fitted, or where a person noticed it.

    Args:
        job: the job.
        belief: its belief, if it is there already.

    Raises:
        InputError: there is no belief yet, and the findings and facts together are impossible.

    Example:
        >>> from leakinfer import Job, advice_for, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> facts = start_facts(system, {"circumstances": {"litter_in_base_pan": True}}, "my job")
        >>> job = Job(system, load_catalogue(), facts)
        >>> [advice.id for advice in advice_for(job)]
        ['plastic_cap', 'leaf_litter']
    """
    there = _exposures(job, belief)
    return tuple(advice for advice in job.catalogue.advice.values() if _applies(job, advice, there))


def _applies(job: Job, advice: Advice, there: frozenset[str]) -> bool:
    if advice.id in job.facts.seen or there.intersection(advice.exposures):
        return True
    fitted = sum(s.count for s in job.sites if s.component in advice.components and s.id != ELSEWHERE)
    return bool(advice.components) and fitted >= advice.least


def _exposures(job: Job, belief: Belief | None) -> frozenset[str]:
    """Exposures of circumstances that are there on fitted sites, by fact or by a look."""
    fitted = {site.id for site in job.sites}
    known = [name for name, told in job.facts.circumstances.items() if told]
    found = _found(job)
    if found:
        believed = belief or Belief(job)
        known += [name for name in found if believed.circumstance(name) >= job.catalogue.numbers["advice_sure"]]
    return frozenset(job.exposure_of[name] for name in known if fitted & job.touched(name))


def _found(job: Job) -> list[str]:
    """Circumstances that a look has found and that are no fact."""
    methods = job.catalogue.methods
    looks = [finding for _, finding in job.standing_findings if methods[finding.method].kind == "exposure"]
    return list(dict.fromkeys(look.target for look in looks if look.outcome != methods[look.method].silent))

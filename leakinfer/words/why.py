"""The steps of the story of a site, in a person's units."""

from __future__ import annotations

from msgspec import structs

from leakinfer.job.facts import Loss
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.later import Return
from leakinfer.job.why import Step
from leakinfer.words.facts import loss_words
from leakinfer.words.job import finding_words, return_words
from leakinfer.words.units import Units


def step_words(job: Job, step: Step, units: Units) -> str:
    """What was told in a step."""
    if isinstance(step.told, Loss):
        return loss_words(step.told, units)
    if isinstance(step.told, Finding):
        return finding_words(job, step.told, units)
    return return_words(structs.asdict(step.told), units) if isinstance(step.told, Return) else step.what

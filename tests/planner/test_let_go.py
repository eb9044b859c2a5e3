"""A search makes a belief at every step; one that waits for the collector of cycles would fill the memory."""

from __future__ import annotations

import gc
import weakref

import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.reader import load_system
from leakinfer.inference import Posterior
from leakinfer.job.belief import Belief
from leakinfer.job.facts import start_facts
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.plan import weighed


@pytest.mark.parametrize("outcome", ["silent", "response"])
def test_a_belief_goes_with_its_last_user(outcome: str) -> None:
    system = load_system("ductless_split")
    job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "a job"))
    place = system.zones[0].id
    job = job.with_finding(Finding("probe_sweep", place, outcome, job.condition()))
    gc.collect()
    gc.disable()
    try:
        belief = Belief(job)
        assert isinstance(belief.posterior, Posterior)
        seen: list[weakref.ref[object]] = [weakref.ref(belief), weakref.ref(belief.posterior.chain)]
        assert weighed(belief).worth is not None
        del belief
        assert [ref() for ref in seen] == [None, None]
    finally:
        gc.enable()

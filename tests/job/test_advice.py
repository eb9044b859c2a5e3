"""Advice to the owner applies by circumstance, by what is fitted, or by what a person noticed."""

from __future__ import annotations

import pytest

from leakinfer.job.advice import advice_for
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job

from .small import CATALOGUE, found, job_on, shipped_job, site, system, told


def ids(job: Job) -> set[str]:
    return {advice.id for advice in advice_for(job)}


def test_a_clean_system_needs_none() -> None:
    assert ids(job_on(system(site("a", "flare"), site("b", "drier_liquid")))) == set()


def test_a_circumstance_that_is_a_fact() -> None:
    plain = shipped_job("ducted_split")
    assert "leaf_litter" not in ids(plain)
    assert "leaf_litter" in ids(plain.with_facts({"circumstances": {"litter_at_compressor": True}}))
    assert "leaf_litter" not in ids(plain.with_facts({"circumstances": {"litter_at_compressor": False}}))


def test_a_look_counts_once_it_is_sure() -> None:
    """The chance after a look is Bayes' rule from prevalence, sensitivity and specificity; here by hand."""
    job = shipped_job("ducted_split")
    exposures = CATALOGUE.exposures
    for target in ("litter_at_compressor", "compressor_shakes", "suction_port_seal_lost"):
        exposure = exposures[job.exposure_of[target]]
        prior, look = exposure.prevalence.value, exposure.look
        chance = prior * look.sensitivity / (prior * look.sensitivity + (1 - prior) * (1 - look.specificity))
        after = told(job, found("look", target, "present"))
        assert Belief(after).circumstance(target) == pytest.approx(chance)
        applies = any(exposure.id in advice.exposures for advice in advice_for(after))
        assert applies == (chance >= CATALOGUE.numbers["advice_sure"])
        assert not any(
            exposure.id in advice.exposures for advice in advice_for(told(job, found("look", target, "absent")))
        )
    thrice = told(job, *[found("look", "compressor_shakes", "present")] * 3)
    assert Belief(thrice).circumstance("compressor_shakes") < CATALOGUE.numbers["advice_sure"]
    assert "strong_vibration" not in ids(thrice)
    assert "strong_vibration" in ids(job.with_facts({"circumstances": {"compressor_shakes": True}}))


def test_a_count_of_components() -> None:
    """Two liquid driers: at least two of a kind, also where one site stands for two equal ones."""
    one = job_on(system(site("a", "drier_liquid")))
    two = job_on(system(site("a", "drier_liquid"), site("b", "drier_liquid")))
    pair = job_on(system(site("a", "drier_liquid", count=2)))
    assert "two_liquid_driers" not in ids(one)
    assert "two_liquid_driers" in ids(two)
    assert "two_liquid_driers" in ids(pair)


def test_what_is_not_fitted_counts_no_more() -> None:
    job = shipped_job("ducted_split")
    assert "suction_drier_left_in" in ids(job)
    assert "suction_drier_left_in" not in ids(job.with_facts({"not_fitted": ["suction_drier"]}))


def test_what_a_person_noticed() -> None:
    job = job_on(system(site("a", "flare")), seen=("oil_left_behind", "relief_lifted"))
    assert ids(job) == {"oil_left_behind", "relief_lifted"}


def test_the_order_is_the_catalogue_s_and_a_belief_may_be_handed_over() -> None:
    job = told(shipped_job("ducted_split", seen=("dirty_coil",)), *[found("look", "compressor_shakes", "present")] * 3)
    given = advice_for(job, Belief(job))
    assert given == advice_for(job)
    order = list(job.catalogue.advice)
    assert [order.index(advice.id) for advice in given] == sorted(order.index(advice.id) for advice in given)

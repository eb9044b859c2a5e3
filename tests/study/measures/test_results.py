"""All results of a made-up study: complete, the same each time, and as plain data."""

from __future__ import annotations

import dataclasses
import json

import msgspec
import numpy as np
import pytest

from leakinfer.study.measures import BASE, DEFAULT, EVERY, Results, results, summary
from leakinfer.study.small import Regret

from .made import SPEED, made

TABLES = made()
REGRETS = (Regret("expected_cost", 10, 1.05, 1.3, 9.0, 0.6),)


@pytest.fixture(scope="module")
def found() -> Results:
    return results(TABLES, REGRETS)


def test_everything_is_there_once(found: Results) -> None:
    systems, truths, policies = (*found.systems, EVERY), tuple(found.truths), found.policies
    assert (found.policy, found.truth, found.whole) == (DEFAULT, BASE, EVERY)
    every = {(s, t, p) for s in systems for t in truths for p in policies}
    assert {(one.system, one.truth, one.policy) for one in found.arms} == every
    assert len(found.arms) == len(every) == 18
    others = {(s, t, p) for s, t, p in every if p != DEFAULT}
    assert {(one.system, one.truth, one.other) for one in found.pairs} == others
    assert {(one.system, one.policy) for one in found.curves} == {(s, p) for s, _, p in every}
    assert {(one.system, one.truth, one.policy) for one in found.sufferings} == {k for k in every if k[1] != BASE}
    ours = [one for one in found.calibrations if one.policy == DEFAULT]
    assert len(ours) == len(systems) * len(truths) * 4
    rest = [(one.system, one.truth, one.policy, one.moment) for one in found.calibrations if one.policy != DEFAULT]
    assert rest == [(EVERY, BASE, policy, EVERY) for policy in policies if policy != DEFAULT]
    assert found.regrets == REGRETS
    assert found.jobs == 160
    assert found.chances == len(TABLES.chances)


def test_known_speeds_come_out(found: Results) -> None:
    """``made``'s minutes are a shared difficulty times each policy's speed times lognormal noise of 0.14 both together,
    over some 60 jobs in which both are done: the median ratio is known within a few hundredths. (Where one never is,
    chance favours the faster: a few hundredths down.)"""
    for pair in found.pairs:
        if pair.system == EVERY:
            assert pair.ratio.value == pytest.approx(SPEED[DEFAULT] / SPEED[pair.other], abs=0.12)
            assert pair.minutes.high < 0


def test_the_same_tables_give_the_same_results(found: Results) -> None:
    assert msgspec.json.encode(results(TABLES, REGRETS)) == msgspec.json.encode(found)


def test_results_are_plain_data(found: Results) -> None:
    """What has no end or is not known is null."""
    data = json.loads(msgspec.json.encode(found))
    assert set(data) == set(Results.__struct_fields__)
    assert data["provenance"]["priors"] == "ab12"
    pair = next(p for p in found.pairs if np.isinf(p.ratio.high) or p.neither)
    assert data["pairs"][found.pairs.index(pair)]["neither"] == pair.neither


def test_another_policy_may_be_asked_about() -> None:
    found = results(TABLES, policy="checklist")
    assert found.policy == "checklist"
    assert {pair.other for pair in found.pairs} == set(SPEED) - {"checklist"}


def test_a_study_without_the_program_or_the_base_asks_about_what_comes_first() -> None:
    jobs = TABLES.jobs
    kept = (jobs["policy"] != DEFAULT) & (jobs["truth"] != BASE) & (jobs["system"] == "ducted_split")
    found = results(dataclasses.replace(TABLES, jobs=jobs[kept]))
    assert (found.policy, found.truth, found.whole) == ("most_likely", "weaker_detectors", "ducted_split")
    assert not found.sufferings


def test_the_table_for_the_screen(found: Results) -> None:
    rows = summary(TABLES)
    assert [(row.truth, row.policy) for row in rows] == [(t, p) for t in found.truths for p in found.policies]
    assert rows == tuple(one for one in found.arms if one.system == EVERY)

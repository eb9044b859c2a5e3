"""What methods say in invented fleets, against their curves written out here.

Seeds are fixed. A test with p > 1e-4 or within four standard deviations fails falsely about once in 10,000 seeds.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from leakinfer.fleet.cells.sizes import loss_of_size
from leakinfer.fleet.invented.fleet import YES, Fleet, make_fleet
from leakinfer.fleet.invented.life import Life, live
from leakinfer.fleet.invented.make import Plan, Truth
from leakinfer.fleet.invented.tests import Tests, make_tests
from tests.fleet.inventing import CATALOGUE, a_plan, plain

LEAST_P = 1e-4
SIGMAS = 4.0
GAS_AT_20_C = 8.314462618 * 293.15 / (365.25 * 86_400.0)  # Pa m3/s of gas in one mol/yr
GRAMS_PER_MOL = {"R-410A": 72.585}  # molar mass of, half of the mass each, from memory
METHODS = {"probe_point": 0.8, "bubbles": 0.8, "oil_point": 0.5}


def try_fleet(truth: Truth, plan: Plan, seed: int) -> tuple[Fleet, Life, Tests]:
    rng = np.random.default_rng(seed)
    fleet = make_fleet(truth, plan, CATALOGUE, rng)
    life = live(fleet, truth, plan, CATALOGUE, rng)
    return fleet, life, make_tests(fleet, life, truth, plan, CATALOGUE, rng)


def a_testing_plan(**given: Any) -> Plan:
    """Every search writes tests down, all systems hold R-410A."""
    made = {"types": {"ducted_split": 1.0}, "usual_refrigerant": 1.0, "methods": METHODS, "writes": 1.0, "systems": 400}
    return a_plan(**(made | {"tested": 0.02, "tested_leaking": 0.9} | given))


def with_methods(truth: Truth, **given: float) -> Truth:
    """The truth with numbers that are the same for all methods."""
    changed: dict[str, Any] = {name: np.full(len(truth.methods), value) for name, value in given.items()}
    return replace(truth, **changed)


def leaks_at(life: Life, fleet: Fleet, tests: Tests) -> list[list[int]]:
    """The leaks at the part of each test that are there on that day, one part after another."""
    by_part: dict[int, list[int]] = {}
    for leak, part in enumerate(life.leaks.part.tolist()):
        by_part.setdefault(part, []).append(leak)
    day = fleet.visits.day[tests.visit]
    return [
        [leak for leak in by_part.get(part, []) if life.leaks.birth[leak] < when <= life.leaks.end[leak]]
        for part, when in zip(tests.part.tolist(), day.tolist(), strict=True)
    ]


def seen(name: str, grade: int, size: float, lapse: float) -> float:
    """Chance of at least this grade from a leak of R-410A: the shipped curve."""
    method = CATALOGUE.methods[name]
    loss = float(loss_of_size([size], "R-410A", 21.0)[0])
    rate = loss / GRAMS_PER_MOL["R-410A"] * GAS_AT_20_C if method.rate == "Pa m3/s" else loss
    level = method.grades[grade]
    return float((1 - lapse) * rate**level.slope / (rate**level.slope + level.rate50**level.slope))


@pytest.mark.parametrize(("name", "grade"), [("probe_point", 0), ("bubbles", 0), ("bubbles", 1), ("oil_point", 0)])
def test_responses_follow_the_curves(name: str, grade: int) -> None:
    plan = a_testing_plan()
    truth = with_methods(plain(plan, 0.02), unreachable=0.0, lapse=0.1)
    truth = replace(
        truth,
        false_alarm=np.array([CATALOGUE.methods[method].grades[0].false_alarm for method in truth.methods]),
        rate50=np.array([CATALOGUE.methods[method].grades[0].rate50 for method in truth.methods]),
    )
    fleet, life, tests = try_fleet(truth, plan, 31)
    there, number = leaks_at(life, fleet, tests), truth.methods.index(name)
    alarm = CATALOGUE.methods[name].grades[grade].false_alarm
    for leaking in (False, True):
        some = [row for row in np.flatnonzero(tests.method == number).tolist() if bool(there[row]) == leaking]
        misses = [np.prod([1 - seen(name, grade, life.leaks.size[leak], 0.1) for leak in there[row]]) for row in some]
        chance = 1 - (1 - alarm) * np.array(misses)
        observed = int((tests.level[some] > grade).sum())
        assert len(some) > 200
        if chance.sum() < 5:  # rare false alarms are a Poisson count
            assert stats.poisson.sf(observed - 1, chance.sum()) > LEAST_P
        else:
            assert abs(observed - chance.sum()) < SIGMAS * np.sqrt((chance * (1 - chance)).sum())


def test_a_hidden_spot_stays_hidden_and_alarms_falsely_all_the_same() -> None:
    plan = a_testing_plan(again=1.0)
    truth = with_methods(plain(plan, 0.02), unreachable=0.5, lapse=0.0, rate50=1e-30, false_alarm=0.0)
    truth = replace(truth, blind=np.ones_like(truth.blind))
    fleet, life, tests = try_fleet(truth, plan, 32)
    leaking = np.array([bool(leaks) for leaks in leaks_at(life, fleet, tests)])
    pairs = tests.part[leaking] * len(truth.methods) + tests.method[leaking]
    answers = tests.level[leaking] > 0
    spots, which = np.unique(pairs, return_inverse=True)
    share = np.bincount(which, weights=answers) / np.bincount(which)
    assert set(share.tolist()) == {0.0, 1.0}  # all tests of a method at one spot agree
    assert stats.binomtest(int(share.sum()), spots.size, 0.5).pvalue > LEAST_P
    assert not tests.level[~leaking].any()
    blind = with_methods(truth, unreachable=1.0, false_alarm=0.2)
    _, _, tests = try_fleet(blind, plan, 33)
    assert stats.binomtest(int((tests.level > 0).sum()), tests.level.size, 0.2).pvalue > LEAST_P


def test_tests_are_made_where_they_can_be_and_as_often_as_planned() -> None:
    plan = a_testing_plan(again=0.3, writes=0.5, tested=0.3)  # of some 60 sites, so that none goes untested
    fleet, life, tests = try_fleet(plain(plan, 0.02), plan, 34)
    assert (fleet.visits.kind[tests.visit] == YES).all()
    day, parts = fleet.visits.day[tests.visit], life.parts
    assert ((parts.fitted[tests.part] <= day) & (day <= parts.removed[tests.part])).all()
    names = sorted(METHODS)
    component = np.array([row.site.component for row in fleet.rows])[parts.row[tests.part]]
    met = {name: set(component[tests.method == number].tolist()) for number, name in enumerate(names)}
    assert "fin_tube" in met["probe_point"]
    assert "fin_tube" not in met["bubbles"]  # methods.toml: not possible there
    keys = np.stack([tests.visit, tests.part, tests.method])
    made, times = np.unique(keys, axis=1, return_counts=True)
    assert set(times.tolist()) == {1, 2}
    assert stats.binomtest(int((times == 2).sum()), times.size, 0.3).pvalue > LEAST_P
    searches = int((fleet.visits.kind == YES).sum())
    assert stats.binomtest(np.unique(made[0]).size, searches, 0.5).pvalue > LEAST_P


def test_only_tight_sites_are_written_down_as_tight() -> None:
    plan = a_testing_plan(opened=(0.1, 0.6))
    truth = with_methods(plain(plan, 0.02), false_alarm=0.2)
    fleet, life, tests = try_fleet(truth, plan, 35)
    spots: dict[tuple[int, int], list[bool]] = {}
    for visit, part, level, leaks in zip(
        tests.visit, tests.part, tests.level, leaks_at(life, fleet, tests), strict=True
    ):
        spot = spots.setdefault((int(visit), int(part)), [False, bool(leaks)])
        spot[0] |= bool(level > 0)
    opened = set(zip(tests.opened_visit.tolist(), tests.opened_part.tolist(), strict=True))
    assert not any(spots[spot][1] for spot in opened)
    for responded, chance in ((False, 0.1), (True, 0.6)):
        tight = [spot for spot, (said, leaks) in spots.items() if said == responded and not leaks]
        hits = sum(spot in opened for spot in tight)
        assert len(tight) > 100
        assert stats.binomtest(hits, len(tight), chance).pvalue > LEAST_P

"""How invented fleets leak and are searched, against closed forms and scipy's distributions.

Seeds are fixed. A test with p > 1e-4 or within four standard deviations fails falsely about once in 10,000 seeds.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from leakinfer.fleet.invented.fleet import EARLIER, EPOCH, NONE, PROOF, UNSAID, YES, Fleet, make_fleet
from leakinfer.fleet.invented.life import LATE, Hazard, Life, live
from leakinfer.fleet.invented.plan import Plan
from leakinfer.fleet.invented.truth import Truth
from tests.fleet.inventing import CATALOGUE, a_plan, plain

LEAST_P = 1e-4
SIGMAS = 4.0
REFERENCE = CATALOGUE.numbers["hazard_reference_years"]


def lived(truth: Truth, plan: Plan, seed: int) -> tuple[Fleet, Life]:
    rng = np.random.default_rng(seed)
    fleet = make_fleet(truth, plan, CATALOGUE, rng)
    return fleet, live(fleet, truth, plan, CATALOGUE, rng)


def on_record(fleet: Fleet, life: Life) -> NDArray[np.bool_]:
    return np.append(fleet.visits.written, False)[life.leaks.visit]


@pytest.mark.parametrize("shape", [0.7, 1.0, 1.6])
def test_ages_at_the_first_leak_are_weibull(shape: float) -> None:
    plan = a_plan(classes=("valve_core",), visit_years=1e4, tight_then=0.0, renewed=0.0)  # nobody ever comes
    truth = plain(plan, 0.05, weibull=np.array([shape]))
    _, life = lived(truth, plan, 11)
    parts, leaks = life.parts, life.leaks
    # 1 - exp(-mean x reference x (age / reference)^shape) is scipy's weibull_min with this scale
    ages = stats.weibull_min(shape, scale=REFERENCE * (0.05 * REFERENCE) ** (-1 / shape))
    age = (leaks.birth - parts.fitted[leaks.part]) / 365.25
    oldest = (plan.end.toordinal() - EPOCH - parts.fitted[leaks.part]) / 365.25
    assert leaks.part.size > 100
    assert stats.kstest(ages.cdf(age) / ages.cdf(oldest), "uniform").pvalue > LEAST_P
    reached = ages.cdf((plan.end.toordinal() - EPOCH - parts.fitted) / 365.25)
    spread = np.sqrt((reached * (1 - reached)).sum())
    assert abs(leaks.part.size - reached.sum()) < SIGMAS * spread


def test_a_circumstance_that_comes_and_goes_raises_the_hazard_while_it_is_there() -> None:
    hazard = Hazard(np.array([0.1]), np.array([1.0]), np.array([2.0]), np.array([5.0]), np.array([4.0]), REFERENCE)
    rng = np.random.default_rng(3)
    ages = hazard.age_at(np.zeros(4000, dtype=int), rng.standard_exponential(4000))

    def cdf(age: Any) -> Any:  # a constant hazard of 0.1 a year, 0.4 from 2 to 5 years
        return 1 - np.exp(-0.1 * (age + 3 * (np.clip(age, 2, 5) - 2)))

    assert stats.kstest(ages, cdf).pvalue > LEAST_P


@given(
    shape=st.floats(0.3, 3.0),
    low=st.floats(0.0, 30.0),
    more=st.floats(0.0, 30.0),
    jump=st.floats(0.05, 20.0),
    wanted=st.floats(1e-6, 5.0),
)
def test_the_inverse_of_the_cumulative_hazard(
    shape: float, low: float, more: float, jump: float, wanted: float
) -> None:
    parts = np.array([0, 1])
    since, until = np.array([low, LATE]), np.array([low + more, LATE])
    hazard = Hazard(np.full(2, 0.03), np.full(2, shape), since, until, np.array([jump, 1.0]), REFERENCE)
    age = hazard.age_at(parts, np.full(2, wanted))
    assert hazard.cumulative(parts, age) == pytest.approx(wanted, rel=1e-6)


def foreseen(fleet: Fleet, rate: float, chance: dict[int, float], members: NDArray[np.int64]) -> float:
    """Leaks found on record, expected: for each member the chance that it leaks is followed from visit to visit."""
    total, visits = 0.0, fleet.visits
    for system in range(members.size):
        leaks, before = 0.0, int(fleet.systems.commissioned[system])
        for visit in range(visits.begin[system], visits.begin[system + 1]):
            day = int(visits.day[visit])
            leaks += (1 - leaks) * (1 - np.exp(-rate * (day - before) / 365.25))
            found = chance[int(visits.kind[visit])] * leaks
            total += found * members[system] * bool(visits.written[visit])
            leaks, before = leaks - found, day
    return total


@pytest.mark.parametrize("taken_over", [0.0, 1.0])
def test_as_many_leaks_are_found_as_hazards_and_searches_give(taken_over: float) -> None:
    plan = a_plan(taken_over=taken_over, renewed=0.0, exchanged=0.0, systems=400)
    truth = plain(plan, 0.02)
    fleet, life = lived(truth, plan, 5)
    members = np.bincount(fleet.parts.system, weights=fleet.parts.count).astype(int)
    chance = {0: 0.0, UNSAID: 0.7 * truth.unknown_visit, YES: 0.7, EARLIER: 0.7, PROOF: 1.0}
    expected = foreseen(fleet, 0.02, chance, members)
    assert expected > 1000
    # never more than one at a time, so a member's finds are spread less than a Poisson count
    assert abs(on_record(fleet, life).sum() - expected) < SIGMAS * np.sqrt(expected)


def test_circumstances_types_and_workmanship_multiply_the_hazard() -> None:
    plan = a_plan(
        systems=1500, classes=("flare", "fin_tube"), visit_years=1e4, tight_then=0.0, renewed=0.0, changes=0.0
    )
    base = plain(plan, 1e-3)
    truth = plain(
        plan,
        1e-3,
        ratio=np.full(len(base.exposures), 5.0),
        prevalence=np.full(len(base.exposures), 0.5),
        type_factor=np.linspace(0.5, 2.0, len(base.types)),
        workmanship_log_sd=0.6,
    )
    fleet, life = lived(truth, plan, 8)
    parts, systems = fleet.parts, fleet.systems
    age = (plan.end.toordinal() - EPOCH - parts.fitted) / 365.25
    digits = np.stack([parts.code // 4**place % 4 % 2 for place in range(4)])  # odd states: it is there
    shared = np.array([name in CATALOGUE.shared["workmanship"].classes for name in truth.classes])
    factor = truth.type_factor[systems.type[parts.system]] * 5.0 ** digits.sum(axis=0)
    factor = factor * np.where(shared[parts.component], systems.factor[parts.system], 1.0)
    chance = 1 - np.exp(-1e-3 * factor * age)
    assert shared.tolist() == [False, True]
    for group in (
        digits.sum(axis=0) == 0,
        digits.sum(axis=0) > 0,
        shared[parts.component],
        systems.type[parts.system] == 3,
    ):
        expected = (chance * parts.count)[group].sum()
        assert expected > 20
        seen = int(group[life.leaks.part].sum())
        assert (
            stats.binomtest(seen, int(parts.count[group].sum()), expected / parts.count[group].sum()).pvalue > LEAST_P
        )


def with_caps(plan: Plan, rate: float) -> Truth:
    """A truth in which half of the caps are missing, which is eight times as bad."""
    base = plain(plan, rate)
    caps = np.array(base.exposures) == "cap_missing"
    return replace(base, ratio=np.where(caps, 8.0, 1.0), prevalence=np.where(caps, 0.5, base.prevalence))


def test_a_cap_that_is_lost_or_put_on_at_a_visit_counts_from_that_day() -> None:
    plan = a_plan(systems=1500, classes=("valve_core",), changes=1.0, looked=1.0, tight_then=0.0, renewed=0.0)
    truth = replace(with_caps(plan, 0.01), found=np.zeros(1))  # nobody finds anything
    _, life = lived(truth, plan, 15)
    parts, last = life.parts, plan.end.toordinal() - EPOCH
    low, high = np.maximum(parts.since, parts.fitted), np.minimum(parts.until, last)
    years = np.stack([low - parts.fitted, high - low, last - high]) / 365.25
    hazard = years * np.array([[0.01], [0.08], [0.01]])
    inside = np.exp(-hazard[0]) * (1 - np.exp(-hazard[1]))
    either = 1 - np.exp(-hazard.sum(axis=0))
    birth, leak = np.full(parts.count.size, -np.inf), life.leaks
    birth[leak.part] = leak.birth
    for dated in (parts.since > parts.fitted, (parts.spell != NONE) & (parts.since < parts.fitted)):
        assert dated.sum() > 500
        for seen, due in (((birth >= low) & (birth < high), inside), (birth > -np.inf, either)):
            assert abs(seen[dated].sum() - due[dated].sum()) < SIGMAS * np.sqrt(due[dated].sum())


def test_a_new_part_finds_the_circumstances_that_the_old_one_began_with() -> None:
    plan = a_plan(classes=("valve_core",), changes=0.5, looked=1.0, exchanged=1.0)
    truth = with_caps(plan, 0.1)
    _, life = lived(truth, plan, 16)
    parts = life.parts
    slots = [
        [row.slots for row in template.rows]
        for template in make_fleet(truth, plan, CATALOGUE, np.random.default_rng(16)).templates
    ]
    caps = truth.exposures.index("cap_missing")
    place = np.array([held.index(caps) for rows in slots for held in rows])
    there = parts.code // 4 ** place[parts.row] % 2 == 1
    dated = (parts.spell == caps) & (parts.since < 0)  # its ratio counts only up to a day
    assert (there & dated).sum() > 50
    assert life.leaks.exchanged.sum() > 200
    assert parts.log_ratio == pytest.approx(np.where(there & ~dated, np.log(8.0), 0.0))


def test_earlier_searches_are_not_on_record() -> None:
    plan = a_plan(taken_over=1.0, tight_then=0.5)
    visits, systems = (fleet := lived(plain(plan, 0.01), plan, 17)[0]).visits, fleet.systems
    before = visits.day < systems.record[visits.system]
    assert before.sum() > 1000
    assert (visits.kind[before] == EARLIER).all()
    assert not visits.written[before].any()
    proved = np.isin(np.arange(systems.record.size), visits.system[visits.kind == PROOF])
    assert np.array_equal(proved, ~systems.backlog)
    assert stats.binomtest(int(proved.sum()), proved.size, 0.5).pvalue > LEAST_P
    years = (systems.record - systems.commissioned)[systems.taken_over] / 365.25
    assert stats.kstest(years, stats.uniform(1.0, 15.0).cdf).pvalue > LEAST_P


def test_each_search_that_meets_a_leak_finds_it_with_the_same_chance() -> None:
    plan = a_plan(systems=600, searched=0.7, unsaid=0.3, renewed=0.0)
    truth = plain(plan, 0.02, found=np.full(8, 0.6), unknown_visit=0.5)
    fleet, life = lived(truth, plan, 21)
    visits, leaks = fleet.visits, life.leaks
    system = life.parts.system[leaks.part]
    first = visits.from_day(system, np.floor(leaks.birth).astype(np.int64) + 1)
    for lag in range(3):
        visit = first + lag
        inside = visit < visits.begin[system + 1]
        kind = np.append(visits.kind, NONE)[np.where(inside, visit, NONE)]
        gone = (leaks.visit != NONE) & (leaks.visit < visit)
        there = (
            inside & ~gone & (np.append(visits.day, 0)[np.where(inside, visit, NONE)] <= life.parts.removed[leaks.part])
        )
        for which, chance in ((YES, 0.6), (UNSAID, 0.3)):
            met = there & (kind == which)
            hits = int((met & (leaks.visit == visit)).sum())
            assert met.sum() > 50
            assert stats.binomtest(hits, int(met.sum()), chance).pvalue > LEAST_P


def test_sizes_are_lognormal_and_small_ones_are_never_found() -> None:
    plan = a_plan(tight_then=0.0)
    truth = plain(plan, 0.01, found_least=3e-8)
    _, life = lived(truth, plan, 2)
    component = life.parts.component[life.leaks.part]
    score = (np.log(life.leaks.size) - np.log(truth.size_median[component])) / truth.size_log_sd[component]
    assert stats.kstest(score, "norm").pvalue > LEAST_P
    small = life.leaks.size < 3e-8
    assert small.sum() > 100
    assert (life.leaks.visit[small] == NONE).all()
    assert (life.leaks.visit[~small] != NONE).any()


def test_workmanship_and_installers_have_mean_one() -> None:
    plan = a_plan(systems=200_000, classes=("shaft_seal",), installers=0)  # a class that none of these systems has
    truth = plain(plan, 1.0, workmanship_log_sd=0.6, installer_log_sd=0.3, installer_factor=np.zeros(0))
    factor = make_fleet(truth, plan, CATALOGUE, np.random.default_rng(4)).systems.factor
    both = np.sqrt(0.6**2 + 0.3**2)  # of two lognormals with mean 1
    spread = np.sqrt(np.exp(both**2) - 1)  # standard deviation of a lognormal with mean 1
    assert abs(factor.mean() - 1) < SIGMAS * spread / np.sqrt(factor.size)
    assert stats.kstest(np.log(factor), stats.norm(-0.5 * both**2, both).cdf).pvalue > LEAST_P


def test_systems_of_one_installer_share_his_factor() -> None:
    plan = a_plan(installers=3, installer_unsaid=0.2)
    truth = plain(plan, 1.0, installer_factor=np.array([0.5, 1.0, 3.0]))
    systems = make_fleet(truth, plan, CATALOGUE, np.random.default_rng(4)).systems
    assert np.array_equal(systems.factor, np.array([0.5, 1.0, 3.0, 1.0])[systems.installer])
    assert {-1, 0, 1, 2} == set(systems.installer.tolist())


def test_a_member_leaks_once_at_a_time_and_only_while_its_part_is_there() -> None:
    plan = a_plan(systems=400, renewed=0.3, classes=("valve_core", "flare"))
    _, life = lived(plain(plan, 0.5, fails=np.full(2, 0.3)), plan, 9)
    parts, leaks = life.parts, life.leaks
    single = parts.count[leaks.part] == 1
    order = np.lexsort((leaks.birth, leaks.part))
    order = order[single[order]]
    same = leaks.part[order[1:]] == leaks.part[order[:-1]]
    assert same.sum() > 100
    assert (leaks.birth[order[1:]] >= leaks.end[order[:-1]])[same].all()
    assert (leaks.birth >= parts.fitted[leaks.part]).all()
    assert (leaks.birth < parts.removed[leaks.part]).all()
    assert (leaks.end <= parts.removed[leaks.part]).all()
    assert leaks.exchanged.sum() > 100
    assert (leaks.end[leaks.exchanged] == parts.removed[leaks.part[leaks.exchanged]]).all()
    assert (leaks.again != NONE).sum() > 50


def test_small_leaks_may_leave_a_member_free_to_leak_again() -> None:
    counts = []
    for stop in (True, False):
        plan = a_plan(small_leaks_stop=stop, visit_years=1e4, tight_then=0.0, renewed=0.0, systems=200)
        _, life = lived(plain(plan, 0.1, found_least=1e9), plan, 6)  # all are too small
        members = np.bincount(life.leaks.part, minlength=life.parts.count.size) / life.parts.count
        counts.append(float(members.max()))
    assert counts[0] <= 1
    assert counts[1] > 1


def test_a_drawn_backlog_is_as_large_as_the_truth_says() -> None:
    plan = a_plan(backlog="drawn", taken_over=1.0, tight_then=0.0, visit_years=1e4, renewed=0.0, systems=500)
    truth = plain(plan, 1e-9, backlog=np.full(8, 0.02))
    fleet, life = lived(truth, plan, 12)
    members = int(fleet.parts.count.sum())
    assert stats.binomtest(life.leaks.part.size, members, 1 - np.exp(-0.02)).pvalue > LEAST_P
    record = fleet.systems.record[life.parts.system[life.leaks.part]]
    assert (life.leaks.birth < record).all()

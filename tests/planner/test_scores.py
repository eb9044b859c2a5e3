"""Every score of a plan against the sum over all worlds, and against what the finding then does to the belief."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec import structs

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.model import Circumstance
from leakinfer.inference import SampledPosterior
from leakinfer.job import loss
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.information import LUMP_SHARE, Scorer
from leakinfer.planner.model import Ranked
from leakinfer.planner.plan import make_plan
from tests.inference.enumeration import mutual_information
from tests.job.small import (
    BREEZE,
    COIL,
    RUNNING,
    VALVES,
    coarse,
    found,
    job_on,
    shipped_job,
    site,
    spot,
    system,
    told,
    weighed,
)

from .oracle import Brute, after_each, again, by_scope, entropy, groups, pick, plan_of

CLOSE = 1e-9  # bits and probabilities, absolute


def few_worlds(decades: tuple[float, float], **numbers: float) -> Catalogue:
    """One leak size a decade; all leaks open all the time unless ``numbers`` says otherwise."""
    steady = {"mode_near_highest_share": 0.0, "mode_while_running_share": 0.0}
    catalogue = coarse(decades)
    return structs.replace(catalogue, numbers={**catalogue.numbers, **steady, **numbers})


def port_and_coil() -> Job:
    """A port whose seal may be lost, and a coil of two sites, one of them counted, in the same vapours."""
    made = system(
        site("core", "valve_core", exposures=("cap_missing",)),
        site("cap", "cap_plastic"),
        site("bends", "return_bend", "suction", COIL, count=2, unit="coil"),
        site("header", "coil_header", "suction", COIL, unit="coil"),
        circumstances=(
            Circumstance("seal_lost", "seal of the cap lost", "cap_seal_lost", ("core", "cap")),
            Circumstance("vapours", "household vapours", "indoor_vapours", ("bends", "header")),
        ),
        spots=(spot("ground", "core", "cap"), spot("pan", "bends", "header", "cap")),
    )
    return job_on(made, few_worlds((1e-6, 1e-5)), age_years=14.0, first_charge_weighed=True, consent="intrusive")


def joints_and_drier() -> Job:
    """Three equal joints that may rub and a drier that may be wet; a loss."""
    made = system(
        site("joints", "brazed_joint", "liquid_line", COIL, count=3, exposures=("tube_rubbing",)),
        site("drier", "drier_suction", exposures=("wet_suction_line",)),
        spots=(spot("ground", "drier"), spot("both", "drier", "joints")),
    )
    return job_on(
        made,
        few_worlds((1e-7, 1e-5)),
        age_years=9.0,
        loss={"kg": 0.4, "years": 2.0},
        first_charge_weighed=True,
        consent="intrusive",
    )


def young_joint() -> Job:
    """A nut and its tube on a system whose first charge may have been wrong."""
    made = system(site("nut", "flare", exposures=("flare_doubtful",)), site("tube", "capillary", unit="nut"))
    return job_on(made, few_worlds((1e-7, 1e-5)), age_years=2.0, loss={"kg": 0.3, "years": 2.0}, consent="intrusive")


def six_nuts() -> Job:
    """Six nuts in one zone on an old system that has lost much: several leaks at once are likely."""
    names = [f"nut_{n}" for n in range(6)]
    sections = ("liquid_line", "hot_gas", "suction")
    made = system(
        *(site(name, "flare", sections[n % 3]) for n, name in enumerate(names)),
        spots=(spot("ground", *names), spot("half", *names[:3])),
    )
    return job_on(
        made,
        few_worlds((1e-6, 1e-5)),
        age_years=30.0,
        loss={"kg": 1.2, "years": 1.0},
        first_charge_weighed=True,
        consent="intrusive",
    )


def two_moody() -> Job:
    """Two nuts on two sides; a leak may open only near the highest pressure, or only while running."""
    made = system(
        site("high_nut", "flare", "liquid_line"), site("low_nut", "flare", "suction", exposures=("flare_doubtful",))
    )
    shares = {"mode_near_highest_share": 0.2, "mode_while_running_share": 0.3}
    return job_on(made, few_worlds((1e-6, 1e-5), **shares), age_years=20.0, consent="intrusive")


CASES: dict[str, tuple[Job, tuple[Finding, ...]]] = {
    "a port and a coil": (port_and_coil(), ()),
    "a zone that responded": (port_and_coil(), (found("probe_sweep", VALVES, "response"),)),
    "a coil that responded, its bends silent": (
        port_and_coil(),
        (found("probe_sweep", COIL, "response"), found("probe_point", "bends", "silent", RUNNING)),
    ),
    "bends that answered again and again": (
        port_and_coil(),
        (
            *(found("probe_point", "bends", "response") for _ in range(3)),
            found("bubbles", "bends", "slow_foam"),
            found("probe_sweep", COIL, "response"),
        ),
    ),
    "a coil that responded six times": (  # all of them open at the counted bends
        port_and_coil(),
        tuple(found("probe_sweep", COIL, "response") for _ in range(6)),
    ),
    "air that may be fouled": (
        port_and_coil(),
        (
            found("probe_sweep", VALVES, "response"),
            found("probe_point", "core", "response"),
            found("probe_point", "cap", "response"),
        ),
    ),
    "air that may be fouled at a coil": (
        port_and_coil(),
        (
            found("probe_sweep", COIL, "response"),
            found("probe_point", "bends", "response"),
            found("probe_point", "header", "response"),
            found("probe_point", "header", "silent"),
        ),
    ),
    "slow foam, oil beneath, a breeze": (
        port_and_coil().with_facts({"air": "breeze"}),
        (found("oil_look", "ground", "oil", BREEZE), found("bubbles", "cap", "slow_foam", BREEZE)),
    ),
    "a seal looked at, and vapours known": (
        port_and_coil().with_facts({"circumstances": {"vapours": True}}),
        (found("look", "seal_lost", "present"), found("probe_point", "core", "silent")),
    ),
    "a false cause, hoses on": (port_and_coil().with_facts({"false_causes": ("foam",), "gauges": True}), ()),
    "a cap that is not fitted": (port_and_coil().with_facts({"not_fitted": ("cap",)}), ()),
    "a loss": (joints_and_drier(), ()),
    "a loss, a response and a silence": (
        joints_and_drier(),
        (found("probe_sweep", COIL, "response"), found("probe_point", "drier", "silent")),
    ),
    "a loss, and the charge weighed": (joints_and_drier(), (weighed(1.55),)),
    "a first charge that may be wrong": (young_joint(), ()),
    "modes": (two_moody(), ()),
    "modes, silent while standing": (two_moody(), (found("probe_sweep", VALVES, "silent"),)),
    "six nuts": (six_nuts(), ()),
    "six nuts, a response": (six_nuts(), (found("oil_look", "half", "oil"),)),
}


def solved(name: str, monkeypatch: pytest.MonkeyPatch) -> Belief:
    """The belief of a case, its grid of losses coarse so that all worlds can be listed."""
    monkeypatch.setattr(loss, "CELLS_PER_ERROR", 1)
    job, findings = CASES[name]
    return Belief(told(job, *findings))


@pytest.mark.parametrize("name", CASES)
def test_every_score_equals_the_sum_over_all_worlds(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    belief = solved(name, monkeypatch)
    plan, brute = make_plan(belief), Brute(belief)
    apart = set[int]()
    for alike in by_scope(belief.job, plan.next).values():
        if any(brute.gap(test, 1) > LUMP_SHARE * brute.bits(test, 1) for test in alike):
            apart |= {id(test) for test in alike}
    assert len(plan.next) >= 8
    for test in plan.next:
        chances = brute.joint(brute.test(test)).sum(0)
        np.testing.assert_allclose(list(test.outcomes.values()), chances, rtol=0, atol=CLOSE)
        assert test.bits == pytest.approx(brute.bits(test, 2 if id(test) in apart else 1), rel=0, abs=CLOSE), test


@pytest.mark.parametrize("name", CASES)
def test_the_chance_that_a_unit_leaks_with_each_outcome(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exact for up to two touched units told apart, or one; else within the chance that more leak than are told apart.

    Exact in any case: a unit's sum over the outcomes is its chance, and no chance exceeds the outcome's own.
    """
    belief = solved(name, monkeypatch)
    plan, brute = make_plan(belief), Brute(belief)
    scores = Scorer(belief).score([test.candidate for test in plan.next])
    exact = 0
    for test, score in zip(plan.next, scores, strict=True):
        right, one = brute.leaking(test, score.units), test.candidate
        assert len(score.units) == len(groups(belief, one.method, one.target))
        assert score.leaking.shape == right.shape == (len(score.units), len(test.outcomes))
        chances = [belief.unit_probability[unit] for unit in score.units]
        np.testing.assert_allclose(right.sum(1), chances, rtol=0, atol=CLOSE)
        np.testing.assert_allclose(score.leaking.sum(1), chances, rtol=0, atol=CLOSE)
        assert (score.leaking <= score.information.outcomes + CLOSE).all()
        alone = len(score.units) <= 2
        exact += alone
        room = CLOSE if alone else brute.more(test, 1) + CLOSE
        assert (np.abs(score.leaking - right) <= room).all(), test
    assert exact >= 4


@pytest.mark.parametrize("name", ["six nuts", "six nuts, a response", "a port and a coil", "a zone that responded"])
def test_lumping_never_overstates_and_hides_little(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The full target tells every set of leaking units apart. Points and pools; a weighing is lumped at one."""
    belief = solved(name, monkeypatch)
    plan, brute = make_plan(belief), Brute(belief)
    for test in plan.next:
        one = test.candidate
        whole = brute.bits(test, len(groups(belief, one.method, one.target)))
        assert test.bits <= whole + CLOSE
        assert whole - test.bits <= brute.gap(test, 1) + CLOSE


def test_several_leaks_at_once_are_told_apart_where_that_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    belief = solved("six nuts", monkeypatch)
    brute, test = Brute(belief), pick(make_plan(belief), "probe_sweep", VALVES)
    assert brute.bits(test, 2) > brute.bits(test, 1) + 1e-6
    assert test.bits == pytest.approx(brute.bits(test, 2), abs=CLOSE)


def found_joint(job: Job, test: Ranked) -> tuple[np.ndarray, np.ndarray]:
    """Labels and (labels, outcomes): P(set of leaking units, outcome), from the belief after each outcome alone."""
    base, rows = Brute(Belief(job)), []
    start = Belief(job).posterior.log_evidence
    for _, later in after_each(job, test):
        belief = Belief(later)
        brute, many = Brute(belief), len(base.job.sites)
        labels = brute.answer.target(groups(belief, test.candidate.method, test.candidate.target), many)
        chance = math.exp(belief.posterior.log_evidence - start)
        rows.append(chance * np.bincount(labels, brute.posterior, 2**many))
    return np.arange(2 ** len(base.job.sites)), np.array(rows).T


@pytest.mark.parametrize(
    ("name", "method", "target"),
    [
        ("a port and a coil", "probe_point", "bends"),
        ("a port and a coil", "bubbles", "core"),
        ("a port and a coil", "probe_sweep", COIL),
        ("a port and a coil", "oil_look", "pan"),
        ("a port and a coil", "look", "seal_lost"),
        ("a port and a coil", "look", "vapours"),
        ("a port and a coil", "weigh_charge", "whole"),
        ("a zone that responded", "probe_sweep", VALVES),
        ("a zone that responded", "probe_point", "core"),
        ("a loss", "weigh_charge", "whole"),
        ("a loss", "look", "joints:tube_rubbing"),
        ("a loss", "bubbles", "joints"),
        ("a first charge that may be wrong", "weigh_charge", "whole"),
    ],
)
def test_a_forecast_equals_what_the_findings_then_do(
    name: str, method: str, target: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mean gain of log score over the outcomes is the bits; two units that leak at once may be lumped or not."""
    job = solved(name, monkeypatch).job
    test = pick(plan_of(job), method, target)
    labels, joint = found_joint(job, test)
    np.testing.assert_allclose(joint.sum(0), list(test.outcomes.values()), rtol=0, atol=CLOSE)
    lumped = np.where([bin(label).count("1") > 1 for label in labels], -1, labels)
    possible = [mutual_information(values, joint) for values in (labels, lumped)]
    assert min(abs(test.bits - bits) for bits in possible) <= CLOSE


SHIPPED = {
    "ducted_split": shipped_job("ducted_split", age_years=11.0, loss={"kg": 0.5, "years": 1.5}),
    "walk_in_cooler": shipped_job("walk_in_cooler", age_years=8.0),
}


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_on_a_whole_system_a_point_test_gains_what_was_forecast(name: str) -> None:
    """I = H(unit) - sum over outcomes of P H(unit | outcome), each belief solved anew."""
    job = SHIPPED[name]
    belief = Belief(job)
    points = [test for test in make_plan(belief).next if job.catalogue.methods[test.candidate.method].kind == "point"]
    for test in points[:: len(points) // 12]:
        unit = job.site(test.candidate.target).unit
        left = 0.0
        for probability, later in after_each(job, test):
            after = Belief(later)
            assert probability == pytest.approx(
                math.exp(after.posterior.log_evidence - belief.posterior.log_evidence), abs=CLOSE
            )
            left += probability * yes_or_no(after.unit_probability[unit])
        assert test.bits == pytest.approx(yes_or_no(belief.unit_probability[unit]) - left, abs=CLOSE)


def yes_or_no(p: float) -> float:
    """Entropy of a yes or no, bits."""
    return entropy([p, 1 - p])


@pytest.mark.parametrize("name", ["ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store"])
def test_bits_and_outcomes_keep_their_bounds(name: str) -> None:
    job = shipped_job(name)
    plan = plan_of(told(job, found("probe_sweep", job.system.zones[0].id, "response")))
    assert len(plan.next) > 100
    for test in plan.next:
        chances = np.array(list(test.outcomes.values()))
        assert chances.min() >= 0
        assert chances.sum() == pytest.approx(1, abs=CLOSE)
        assert 0 <= test.bits <= entropy(chances) + CLOSE


def test_draws_that_stand_in_forecast_the_same() -> None:
    """Four standard errors at the reported effective size: each check alone errs at 6e-5; the seed is fixed."""
    job = told(port_and_coil(), found("probe_sweep", VALVES, "response"))
    exact, drawn = Belief(job), Belief(job)
    drawn.posterior = SampledPosterior(drawn.model, list(drawn.units.values()), 4000, 0)
    size = drawn.posterior.effective_sample_size
    assert size is not None
    right = make_plan(exact)
    for test in make_plan(drawn).next:
        other = again(right, test)
        assert sum(test.outcomes.values()) == pytest.approx(1, abs=CLOSE)
        for outcome, chance in other.outcomes.items():
            room = 4 * math.sqrt(chance * (1 - chance) / size) + 4 / size
            assert test.outcomes[outcome] == pytest.approx(chance, abs=room)
        assert test.bits == pytest.approx(other.bits, abs=0.05)

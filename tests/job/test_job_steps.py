"""What is told to a job, in which order, and what it changes."""

from __future__ import annotations

import math
from itertools import permutations

import pytest

from leakinfer.circuit.model import WHOLE
from leakinfer.errors import InputError
from leakinfer.inference import Observation, information, solve
from leakinfer.job import belief as beliefs
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding, Skip, outcome_names
from leakinfer.job.job import Job

from .small import BREEZE, RUNNING, chance, found, job_on, shipped_job, site, told, weighed

MIXED = (
    found("probe_sweep", "service_valves", "response", BREEZE),
    found("probe_point", "suction_port_core", "silent"),
    found("probe_point", "suction_port_core", "silent", RUNNING),
    found("oil_look", "below_service_valves", "oil"),
    found("look", "suction_port_seal_lost", "present"),
    found("weigh_charge", WHOLE, "very_low", reading_kg=2.0, earlier=True),
)


def answers(job: Job) -> dict[str, float]:
    belief = Belief(job)
    return {**belief.leak_probability, "evidence": belief.posterior.log_evidence, "not a leak": belief.not_a_leak}


def split_job(**facts: object) -> Job:
    return shipped_job("ducted_split", loss={"kg": 0.6, "years": 3.0}, **facts)


# order and undo


@pytest.mark.parametrize("order", [(5, 4, 3, 2, 1, 0), (2, 0, 5, 1, 4, 3), (4, 5, 3, 1, 0, 2)])
def test_the_order_of_findings_changes_nothing(order: tuple[int, ...]) -> None:
    told_so, told_else = (answers(told(split_job(), *found_so)) for found_so in (MIXED, [MIXED[n] for n in order]))
    assert told_else == pytest.approx(told_so, abs=1e-10)


def test_no_order_of_three_findings_changes_anything() -> None:
    first = answers(told(split_job(), *MIXED[:3]))
    for some in permutations(MIXED[:3]):
        assert answers(told(split_job(), *some)) == pytest.approx(first, abs=1e-10)


def test_dropping_the_last_finding_restores_the_belief_exactly() -> None:
    job = told(split_job(), *MIXED[:4])
    again = told(split_job(), *MIXED[:4], found("bubbles", "suction_port_cap", "slow_foam"))
    undone = told(split_job(), *again.findings[:-1])
    assert undone == job
    assert answers(undone) == answers(job)


def test_a_step_leaves_the_job_before_it_as_it_was() -> None:
    job = split_job()
    before = answers(job)
    told(job, *MIXED)
    assert job.findings == ()
    assert answers(job) == before


# what a finding leaves behind


def test_a_finding_moves_the_technician_and_opens_the_place() -> None:
    job = split_job().with_finding(found("probe_point", "indoor_return_bends", "silent"))
    assert job.facts.place == "coil_box"
    assert "coil_box" in job.facts.opened


def test_hoses_stay_on_after_a_test_that_connects_them() -> None:
    job = split_job().with_finding(weighed(2.0))
    assert job.facts.gauges
    assert job.facts.place is None


def test_already_checked_counts_but_moves_nobody() -> None:
    checked = split_job().with_finding(found("probe_point", "indoor_return_bends", "silent", earlier=True))
    now = split_job().with_finding(found("probe_point", "indoor_return_bends", "silent"))
    assert checked.facts == split_job().facts
    assert answers(checked) == answers(now)


def test_an_earlier_weighing_leaves_no_hoses_on() -> None:
    earlier = found("weigh_charge", WHOLE, "very_low", reading_kg=2.0, earlier=True)
    assert not split_job().with_finding(earlier).facts.gauges


def test_a_skip_is_kept_and_changes_no_belief() -> None:
    job = split_job()
    skipped = job.with_skip(Skip("indoor_coil_cabinet", "no key", "probe_sweep"))
    assert skipped.skips[0].reason == "no key"
    assert answers(skipped) == answers(job)


# what is fitted


def test_a_site_that_is_not_fitted_is_gone() -> None:
    job = split_job(not_fitted=("suction_drier",))
    assert "suction_drier" not in Belief(job).leak_probability
    with pytest.raises(InputError, match="suction_drier"):
        job.with_finding(found("probe_point", "suction_drier", "silent"))


def test_what_is_not_fitted_leaves_more_for_the_others() -> None:
    with_it, without = Belief(split_job()), Belief(split_job(not_fitted=("suction_drier",)))
    assert without.leak_probability["suction_port_core"] > with_it.leak_probability["suction_port_core"]


def test_a_site_of_ones_own_joins_the_belief() -> None:
    own = site("extra_joint", "flare", "liquid_line", "service_valves", unit="")
    job = split_job()
    larger = job.with_own_site(own)
    assert chance(larger, "extra_joint") == pytest.approx(0.11, abs=0.05)
    assert Belief(larger).any_leak > Belief(job).any_leak


def test_a_site_of_ones_own_is_swept_with_its_zone() -> None:
    job = split_job().with_own_site(site("extra_joint", "flare", "liquid_line", "service_valves", unit=""))
    assert chance(told(job, found("probe_sweep", "service_valves", "silent")), "extra_joint") < chance(
        job, "extra_joint"
    )


@pytest.mark.parametrize(
    ("part", "value"),
    [("component", "gasket_of_cheese"), ("zone", "cellar"), ("section", "gutter"), ("id", "elsewhere")],
)
def test_a_site_of_ones_own_that_does_not_fit_is_refused(part: str, value: str) -> None:
    parts = {"id": "extra", "component": "flare", "section": "liquid_line", "zone": "service_valves"} | {part: value}
    own = site(parts["id"], parts["component"], parts["section"], parts["zone"], unit="")
    with pytest.raises(InputError):
        split_job().with_own_site(own)


# facts that change later must still fit what was found before


def test_a_circumstance_that_was_looked_at_can_become_a_fact() -> None:
    looked = split_job().with_finding(found("look", "litter_at_compressor", "present"))
    known = looked.with_facts({"circumstances": {"litter_at_compressor": True}})
    told_at_once = split_job(circumstances={"litter_at_compressor": True})
    assert chance(known, "shell_underside") == pytest.approx(chance(told_at_once, "shell_underside"), abs=1e-9)


@pytest.mark.parametrize(
    "finding",
    [
        found("probe_point", "suction_drier", "silent"),
        found("look", "suction_drier:outdoor_steel", "present"),
    ],
)
def test_a_site_that_was_tested_can_be_struck_out(finding: Finding) -> None:
    """Refused in words, or done; but the job stays usable."""
    job = split_job().with_finding(finding)
    try:
        struck = job.with_facts({"not_fitted": ["suction_drier"]})
    except InputError:
        return
    assert "suction_drier" not in Belief(struck).leak_probability


def test_a_look_at_what_is_not_fitted_is_refused() -> None:
    job = split_job(not_fitted=("suction_drier",))
    with pytest.raises(InputError, match="suction_drier"):
        job.with_finding(found("look", "suction_drier:outdoor_steel", "present", earlier=True))


# false causes


def test_a_false_cause_weakens_a_response_and_leaves_it_worth_something() -> None:
    job = shipped_job("ducted_split")
    clear, foam = (
        chance(told(job, found("probe_point", "indoor_fin_tubes", "response", false_causes=c)), "indoor_fin_tubes")
        for c in ((), ("foam",))
    )
    assert chance(job, "indoor_fin_tubes") < foam < clear


def test_two_false_causes_weaken_more_than_one() -> None:
    job = shipped_job("ducted_split")
    one, two = (
        chance(told(job, found("probe_point", "suction_port_core", "response", false_causes=c)), "suction_port_core")
        for c in (("foam",), ("foam", "solvent"))
    )
    assert chance(job, "suction_port_core") < two < one


@pytest.mark.parametrize("outcome", ["slow_foam", "fast_bubbles"])
def test_a_false_cause_of_foam_weakens_bubbles(outcome: str) -> None:
    job = shipped_job("ducted_split")
    clear, cleaner = (
        chance(told(job, found("bubbles", "suction_port_core", outcome, false_causes=c)), "suction_port_core")
        for c in ((), ("cleaner",))
    )
    assert chance(job, "suction_port_core") < cleaner < clear


# what was forecast is what is then believed

TESTS = (
    ("probe_sweep", "service_valves"),
    ("probe_sweep", "indoor_coil_cabinet"),
    ("probe_point", "indoor_fin_tubes"),
    ("probe_point", "suction_port_core"),
    ("bubbles", "suction_port_core"),
    ("oil_look", "indoor_drain_pan"),
)


def evidence_of(job: Job, finding: Finding) -> float:
    """P(the finding), from the evidence with and without it."""
    gained = Belief(told(job, finding)).posterior.log_evidence - Belief(job).posterior.log_evidence
    return math.exp(gained)


@pytest.mark.parametrize(("method", "target"), TESTS)
def test_the_forecast_of_a_test_is_the_evidence_of_its_outcome(method: str, target: str) -> None:
    job = told(split_job(), found("probe_point", "suction_port_core", "silent"))
    belief = Belief(job)
    for number, outcome in enumerate(outcome_names(job.catalogue.methods[method])):
        finding = found(method, target, outcome)
        test = beliefs.level_test(belief, finding, beliefs.tested_pairs(job))
        after = solve(belief.model.observing(Observation(test, number))).log_evidence
        assert math.exp(after - belief.posterior.log_evidence) == pytest.approx(evidence_of(job, finding), abs=1e-9)


@pytest.mark.parametrize("loss", [None, {"kg": 0.3, "years": 2.0}])
def test_the_forecast_of_a_weighing_is_the_evidence_of_its_outcome(loss: dict[str, float] | None) -> None:
    job = shipped_job("ducted_split", loss=loss)
    belief = Belief(job)
    groups = [belief.unit_masks("indoor_coil")]
    forecast = information(belief.posterior, beliefs.weight_test(belief, "weigh_charge"), groups).outcomes
    for number, outcome in enumerate(("as_charged", "low", "very_low")):
        seen = evidence_of(job, found("weigh_charge", WHOLE, outcome))
        assert forecast[number] == pytest.approx(seen, abs=1e-9)


def test_the_chances_of_a_tests_outcomes_add_up() -> None:
    job = job_on(split_job().system)
    chances = [
        evidence_of(job, found("bubbles", "suction_port_core", outcome))
        for outcome in ("none", "slow_foam", "fast_bubbles")
    ]
    assert sum(chances) == pytest.approx(1.0, abs=1e-9)

"""What is never proposed, what is left out with its reason, and what repeats tell."""

from __future__ import annotations

import pytest

from leakinfer.circuit.model import Site
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Skip
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired, Return
from leakinfer.planner.information import Scorer
from leakinfer.planner.model import Plan, Ranked
from tests.job.small import found, shipped_job, told

from .oracle import again, matching, pick, plan_of

POINT_METHODS = ("probe_point", "bubbles", "oil_point", "ear_point", "dye_look")  # in reach of a standing system
SYSTEMS = ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store")


def pairs(plan: Plan) -> set[tuple[str, str]]:
    """(method, target) of all that is proposed."""
    return {(test.candidate.method, test.candidate.target) for test in plan.next}


def reasons(plan: Plan) -> dict[tuple[str, str], str]:
    """By method and target, why not."""
    return {(one.method, one.target): one.reason for one in plan.not_allowed}


def test_a_skipped_target_is_left_out_of_every_method() -> None:
    job = shipped_job("ducted_split")
    before, after = plan_of(job), plan_of(job.with_skip(Skip("suction_drier", "insulated, owner says no")))
    gone = {pair for pair in pairs(before) if pair[1] == "suction_drier"}
    methods = {"probe_point", "bubbles", "oil_point", "ear_point", "dye_look"}
    assert gone == {(method, "suction_drier") for method in methods}
    assert pairs(before) - pairs(after) == gone
    assert all(reasons(after)[pair] == "left out: insulated, owner says no" for pair in gone)


def test_a_skipped_method_at_a_target_leaves_the_others() -> None:
    job = shipped_job("ducted_split")
    before, after = plan_of(job), plan_of(job.with_skip(Skip("suction_drier", "no solution left", "bubbles")))
    assert pairs(before) - pairs(after) == {("bubbles", "suction_drier")}
    assert reasons(after)["bubbles", "suction_drier"] == "left out: no solution left"


def test_a_skipped_place_leaves_out_all_that_is_made_there() -> None:
    job = shipped_job("ducted_split")
    before, after = plan_of(job), plan_of(job.with_skip(Skip("coil_box", "cabinet is taped shut")))
    there = {(t.candidate.method, t.candidate.target) for t in before.next if t.candidate.place == "coil_box"}
    assert {name for name, _ in there} >= {"probe_point", "probe_sweep", "bubbles", "oil_look", "oil_point", "look"}
    assert pairs(before) - pairs(after) == there
    assert all("taped shut" in reasons(after)[pair] for pair in there)


def test_a_skipped_method_at_a_place_leaves_other_methods_there() -> None:
    job = shipped_job("ducted_split").with_skip(Skip("service_valves", "air is full of gas", "probe_sweep"))
    plan = plan_of(job)
    assert ("probe_sweep", "service_valves") not in pairs(plan)
    assert ("probe_point", "suction_port_core") in pairs(plan)


def test_a_skip_changes_no_score_of_the_others() -> None:
    job = shipped_job("ducted_split")
    before, after = plan_of(job), plan_of(job.with_skip(Skip("coil_box", "taped shut")))
    for test in after.next:
        one = test.candidate
        assert again(before, test).bits == pytest.approx(test.bits, abs=1e-12), one


def test_a_site_of_ones_own_is_proposed() -> None:
    job = shipped_job("ducted_split")
    own = Site("tee", "tee that somebody put in", "brazed_joint", "yard", "service_valves", "liquid_line", unit="tee")
    plan = plan_of(job.with_own_site(own))
    assert {method for method, target in pairs(plan) if target == "tee"} == set(POINT_METHODS)
    assert pick(plan, "probe_point", "tee").bits > 0
    sweep = pick(plan, "probe_sweep", "service_valves")
    assert sweep.outcomes["response"] > pick(plan_of(job), "probe_sweep", "service_valves").outcomes["response"]


@pytest.mark.parametrize("name", SYSTEMS)
def test_what_is_not_fitted_is_never_proposed(name: str) -> None:
    job = shipped_job(name)
    driers = [one.id for one in job.sites if one.component.startswith("drier")]
    assert driers
    plan = plan_of(job.with_facts({"not_fitted": driers}))
    for method, target in pairs(plan):
        assert target not in driers
        assert method != "look" or target.split(":")[0] not in driers


def test_an_area_with_nothing_fitted_is_not_proposed() -> None:
    job = shipped_job("ducted_split")
    inside = [one.id for one in job.sites if one.zone == "coil_connections"]
    plan = plan_of(job.with_facts({"not_fitted": inside}))
    assert reasons(plan)["probe_sweep", "coil_connections"]
    assert ("probe_sweep", "coil_connections") not in pairs(plan)


@pytest.mark.parametrize("there", [True, False])
def test_a_circumstance_that_is_a_fact_is_never_looked_at(there: bool) -> None:
    job = shipped_job("ducted_split")
    known = {"suction_port_seal_lost": there, "suction_drier:wet_suction_line": there}
    looked = {target for method, target in pairs(plan_of(job)) if method == "look"}
    plan = plan_of(job.with_facts({"circumstances": known}))
    assert looked - {target for method, target in pairs(plan) if method == "look"} == set(known)


@pytest.mark.parametrize("name", SYSTEMS)
def test_bubbles_are_never_proposed_where_nobody_can_see_them(name: str) -> None:
    job = shipped_job(name)
    bubbled = {target for method, target in pairs(plan_of(job)) if method == "bubbles"}
    assert bubbled
    component = {one.id: one.component for one in job.sites}
    assert {"shell_underside", "fin_tube", "elsewhere"} & set(component.values())
    assert not {"shell_underside", "fin_tube", "elsewhere"} & {component[target] for target in bubbled}
    assert all(one.view for one in job.sites if one.id in bubbled)


@pytest.mark.parametrize("name", SYSTEMS)
def test_a_place_that_has_no_name_is_no_spot_for_a_probe(name: str) -> None:
    plan = plan_of(shipped_job(name))
    assert not {method for method, target in pairs(plan) if target == "elsewhere"}
    assert {method for method, target in reasons(plan) if target == "elsewhere"} == set(POINT_METHODS)


@pytest.mark.parametrize("name", ["ducted_split", "walk_in_cooler", "rack_store"])
def test_what_is_proposed_tells_something(name: str) -> None:
    """A test that can tell nothing belongs with those that are not possible."""
    assert min(test.bits for test in plan_of(shipped_job(name)).next) > 1e-9


# repeats


def repeats(job: Job, method: str, target: str, count: int) -> list[float]:
    """Bits of a test before it was made, and after each silence, were it made again."""
    told_so_far, seen = job, []
    one = pick(plan_of(job), method, target).candidate
    for _ in range(count + 1):
        seen.append(Scorer(Belief(told_so_far)).score([one])[0].information.bits)
        told_so_far = told(told_so_far, found(method, target, job.catalogue.methods[method].silent))
    return seen


@pytest.mark.parametrize(
    ("method", "target"),
    [
        ("probe_point", "suction_port_core"),
        ("probe_point", "indoor_return_bends"),
        ("bubbles", "metering_inlet_flare"),
        ("probe_sweep", "indoor_coil_cabinet"),
        ("ear_point", "suction_port_core"),
    ],
)
def test_a_repeat_after_silence_tells_less_each_time(method: str, target: str) -> None:
    seen = repeats(shipped_job("ducted_split"), method, target, 2)
    assert seen[0] > seen[1] > seen[2] >= 0


def test_what_was_silent_is_not_proposed_again_as_it_was() -> None:
    """Nothing has changed since: only in another state it could tell something new, and is called a repeat there."""
    plan = plan_of(told(shipped_job("ducted_split"), found("probe_point", "suction_port_core", "silent")))
    (other,) = matching(plan, "probe_point", "suction_port_core")
    assert other.candidate.condition.state == "running"
    assert other.repeat == 1
    assert "repeat" in other.reason
    assert pick(plan, "probe_point", "liquid_port_core").repeat == 0


def test_what_responded_is_proposed_again() -> None:
    plan = plan_of(told(shipped_job("ducted_split"), found("probe_point", "suction_port_core", "response")))
    test = pick(plan, "probe_point", "suction_port_core")
    assert test.repeat == 1
    assert "answers again" in test.reason


@pytest.mark.parametrize(
    ("method", "target", "outcome"),
    [
        ("oil_point", "suction_drier", "oil"),
        ("oil_look", "below_service_valves", "oil"),
        ("look", "litter_at_compressor", "present"),
    ],
)
def test_what_stays_as_it_is_is_looked_at_once_a_visit(method: str, target: str, outcome: str) -> None:
    job = shipped_job("ducted_split")
    assert matching(plan_of(job), method, target)
    seen = told(job, found(method, target, outcome))
    assert not matching(plan_of(seen), method, target)
    assert matching(plan_of(seen.with_return(Return(1.0))), method, target)


@pytest.mark.parametrize("how", ["repair", "return"])
def test_after_a_repair_or_a_return_a_silent_test_is_new(how: str) -> None:
    job = told(shipped_job("ducted_split"), found("probe_point", "suction_port_core", "silent"))
    later = job.with_repair(Repaired("suction_port_core", True)) if how == "repair" else job.with_return(Return(1.0))
    assert not matching(plan_of(job), "probe_point", "suction_port_core", "standing")
    assert matching(plan_of(later), "probe_point", "suction_port_core", "standing")


@pytest.mark.parametrize(("fact", "value"), [("air", "wind"), ("heating", True)])
def test_a_silent_test_is_new_in_another_condition(fact: str, value: str | bool) -> None:
    job = shipped_job("heat_pump", state="running")
    finding = found("probe_point", "outdoor_fin_tubes", "silent", job.condition())
    changed = told(job, finding).with_facts({fact: value})
    assert not _now(told(job, finding), "outdoor_fin_tubes")
    assert _now(changed, "outdoor_fin_tubes")


def _now(job: Job, target: str) -> list[Ranked]:
    """Tests of a target with the probe that are proposed for the present condition."""
    return [t for t in matching(plan_of(job), "probe_point", target) if t.candidate.condition == job.condition()]


def test_a_probe_at_spots_that_a_silent_sweep_passed_tells_less() -> None:
    job = shipped_job("ducted_split")
    before, after = plan_of(job), plan_of(told(job, found("probe_sweep", "indoor_coil_cabinet", "silent")))
    for target in ("metering_inlet_flare", "indoor_return_bends"):
        assert pick(after, "probe_point", target).bits < pick(before, "probe_point", target).bits

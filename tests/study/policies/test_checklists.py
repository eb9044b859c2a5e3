"""Fixed lists: in which order they go, what they do after a response, and when they end.

The order is common practice, no source: ports before hoses, eyes before instruments, areas before spots.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import groupby

import pytest
from msgspec import structs

from leakinfer.circuit.model import WHOLE
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate
from leakinfer.study.model import Made, Option, Policy
from leakinfer.study.policies import POLICIES
from leakinfer.study.policies.checklists import Checklist
from leakinfer.study.situation import opening_of
from tests.job.small import shipped_job

from ..situations import Fixed, option

CHECKLIST, WALK, COIL = (POLICIES[name] for name in ("checklist", "walk_order", "coil_first"))
PORTS = {"valve_core", "cap_brass_seal", "cap_plastic", "cap_hex_metal", "service_valve_stem"}
SYSTEMS = ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler")
MOST = 200


def walked(job: Job, policy: Policy, answers: Callable[[Job, Candidate], bool] = lambda job, one: False) -> list[Made]:
    """All that a policy does; a test that answers gives its strongest outcome."""
    here = opening_of(job, 0)
    while (pick := policy.choose(here)) is not None and len(here.made) < MOST:
        one = here.candidates[pick]
        names = outcome_names(here.job.catalogue.methods[one.method])
        name = names[-1 if answers(here.job, one) else 0]
        here = here.told(here.options[pick], Finding(one.method, one.target, name, one.condition))
    assert len(here.made) < MOST
    return list(here.made)


def leak_at(site: str, *blind: str) -> Callable[[Job, Candidate], bool]:
    """Everything that looks at a site answers, but for some methods."""

    def answers(job: Job, one: Candidate) -> bool:
        method = job.catalogue.methods[one.method]
        return one.method not in blind and site in {there.id for there in job.scope(method, one.target)}

    return answers


def shown(made: Sequence[Made]) -> frozenset[str]:
    """What the list repairs."""
    assert isinstance(CHECKLIST, Checklist)
    return CHECKLIST.repairs(made)


def targets(made: list[Made], method: str) -> list[str]:
    return [test.option.target for test in made if test.option.method == method]


@pytest.mark.parametrize("system", SYSTEMS)
def test_ports_come_first_and_before_any_hose(system: str) -> None:
    job = shipped_job(system)
    made = walked(job, CHECKLIST)
    ports = [place for place, test in enumerate(made) if test.option.classes & PORTS and test.option.kind == "point"]
    assert ports[0] == 0
    assert ports == list(range(len(ports)))
    assert {job.site(made[n].option.target).component for n in ports} == PORTS & {s.component for s in job.sites}
    assert not any(job.catalogue.methods[test.option.method].gauges for test in made)


def test_then_traces_likely_spots_the_coil_the_outdoor_unit_and_the_lines() -> None:
    made = walked(shipped_job("ducted_split"), CHECKLIST)
    sweeps = targets(made, "probe_sweep")
    assert sweeps[0] == "indoor_coil_cabinet"
    assert sweeps[1:6] == [
        "service_valves", "outside_run", "outdoor_coil_face", "outdoor_coil_ends", "compressor_space"
    ]  # fmt: skip
    assert set(sweeps[6:]) == {"inside_run", "hidden", "coil_connections"}
    first_sweep = next(n for n, test in enumerate(made) if test.option.method == "probe_sweep")
    before = {test.option.target for test in made[:first_sweep]}
    assert {"below_service_valves", "below_inside_run", "liquid_drier_indoors"} <= before
    assert "indoor_drain_pan" not in before  # behind a panel


def test_no_test_is_made_twice_while_all_is_silent() -> None:
    made = walked(shipped_job("ducted_split"), CHECKLIST)
    keys = [(test.option.method, test.option.target) for test in made]
    assert len(keys) == len(set(keys))
    assert not any(test.option.pinpoint for test in made)


def test_coil_first_begins_behind_the_panel_and_then_goes_through_the_same_list() -> None:
    job = shipped_job("ducted_split")
    made = walked(job, COIL)
    assert made[0].option.place == "coil_box"
    assert {test.option.target for test in made} == {test.option.target for test in walked(job, CHECKLIST)}


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("site", [None, 0, -1])
def test_walk_order_never_goes_back(system: str, site: int | None) -> None:
    """Each place once, in the order of the file, whether all is silent or something answers."""
    job = shipped_job(system)
    answers = leak_at(job.sites[site].id) if site is not None else lambda job, one: False
    made = walked(job, WALK, answers)
    visited = [place for place, _ in groupby(test.option.place for test in made)]
    assert visited == list(dict.fromkeys(s.place for s in job.sites))


def test_a_response_of_an_area_is_narrowed_seen_again_and_pinpointed() -> None:
    made = walked(shipped_job("ducted_split"), CHECKLIST, leak_at("metering_outlet_flare", "oil_look", "oil_point"))
    sweep = next(n for n, test in enumerate(made) if test.option.target == "indoor_coil_cabinet")
    assert made[sweep].responded
    follow = [(test.option.method, test.option.target) for test in made[sweep + 1 :]]
    spot, flare = follow.index(("probe_point", "metering_outlet_flare")), "metering_outlet_flare"
    assert {method for method, _ in follow[:spot]} <= {"probe_point"}
    assert follow[spot : spot + 4] == [(method, flare) for method in ("probe_point",) * 2 + ("bubbles",) * 2]
    assert shown(made) == {"metering_outlet_flare"}


def test_where_no_spot_answers_a_list_may_have_all_of_the_area_pinpointed() -> None:
    assert isinstance(CHECKLIST, Checklist)
    thorough = replace(CHECKLIST, following=structs.replace(CHECKLIST.following, soap=("sweep",)))
    hidden = leak_at("suction_stub", "oil_look", "oil_point", "probe_point")
    made = walked(shipped_job("ducted_split"), thorough, hidden)
    soaped = targets(made, "bubbles")
    assert soaped == ["compressor_shell", "process_stub", "suction_stub", "suction_stub"]  # till it is found
    assert shown(made) == {"suction_stub"}


def test_test_gas_comes_last_where_nothing_was_found_and_parts_after_the_whole_fell() -> None:
    """Consent to intrusive work, a leak that only gas under pressure shows; the mix takes less to fill than nitrogen
    after nitrogen, and its probe narrows down the part that fell."""
    charged = ("probe_point", "probe_sweep", "oil_look", "oil_point")
    seen = leak_at("indoor_liquid_joint", *charged)
    job = shipped_job("ducted_split", consent="intrusive")

    def answers(job: Job, one: Candidate) -> bool:
        return seen(job, one) and one.condition.state == "tracer"

    made = walked(job, CHECKLIST, answers)
    holds = targets(made, "hold_hour")
    assert holds[0] == WHOLE
    assert "lines_and_coil" in holds[1:]
    assert not {"lines_alone", "coil_alone"} & set(holds)  # nobody cuts for a list
    states = [state for state, _ in groupby(test.option.state for test in made)]
    assert states == ["standing", "tracer"]
    assert "indoor_liquid_joint" in targets(made, "tracer_point")
    assert shown(made) == {"indoor_liquid_joint"}


def test_test_gas_ends_with_the_whole_where_it_holds() -> None:
    made = walked(shipped_job("ducted_split", consent="intrusive"), CHECKLIST)
    assert targets(made, "hold_hour") == [WHOLE]


def test_no_test_gas_once_a_leak_is_found() -> None:
    made = walked(shipped_job("ducted_split", consent="intrusive"), CHECKLIST, leak_at("liquid_port_core"))
    assert not targets(made, "hold_hour")


# what follows a response, by hand

SPOTS = (option("a"), option("b"), option("a", "bubbles"), option("b", "bubbles"))
AREA = option("both", "probe_sweep", sites=("a", "b"), units=("a", "b"))


def follow(here: Fixed) -> Option | None:
    """What the shipped lists do next after responses; they ask for nothing else here."""
    assert isinstance(CHECKLIST, Checklist)
    pick = CHECKLIST.following.next(here, range(len(here.options)))
    return None if pick is None else here.options[pick]


def test_silence_asks_for_nothing() -> None:
    assert follow(Fixed((*SPOTS, AREA)).then(4)) is None
    assert follow(Fixed(SPOTS)) is None


def test_a_response_of_the_whole_says_not_where() -> None:
    whole = option(WHOLE, "hold_hour", sites=("a", "b"))
    assert follow(Fixed((*SPOTS, whole)).then(4, responded=True)) is None


def taken(here: Fixed, *expected: tuple[str, str, bool]) -> Fixed:
    """After these steps: method, target and whether it answers; each is what the list asks for."""
    for method, target, responded in expected:
        step = follow(here)
        assert step is not None
        assert (step.method, step.target) == (method, target)
        here = here.then(here.options.index(step), responded=responded)
    return here


def test_narrow_then_see_it_again_then_pinpoint_by_hand() -> None:
    probes = (("probe_point", "a", False), ("probe_point", "b", True), ("probe_point", "b", True))
    here = taken(Fixed((*SPOTS, AREA)).then(4, responded=True), *probes)
    here = taken(here, ("bubbles", "b", True), ("bubbles", "b", True))
    assert follow(here) is None
    assert shown(here.made) == {"b"}


def test_two_answers_at_one_spot_show_a_leak_by_one_method_or_by_two() -> None:
    begun = Fixed((*SPOTS, AREA)).then(0, responded=True)
    twice = taken(begun, ("probe_point", "a", True), ("bubbles", "a", False))
    both = taken(begun, ("probe_point", "a", False), ("bubbles", "a", True), ("bubbles", "a", False))
    once = taken(begun, ("probe_point", "a", False), ("bubbles", "a", False))
    assert [shown(here.made) for here in (twice, both, once)] == [{"a"}, {"a"}, set()]
    assert all(follow(here) is None for here in (twice, both, once))


def test_an_area_and_one_answer_in_it_do_not_show_a_leak() -> None:
    here = Fixed((*SPOTS, AREA)).then(4, responded=True).then(0, responded=True)
    assert shown(here.made) == frozenset()


def test_a_probe_that_answers_everywhere_shows_nothing_there() -> None:
    """Four spots of one place answer the probe twice: the air is full of gas. Bubbles do not mind that."""
    here = Fixed((*(option(name) for name in "abcd"), option("b", "bubbles"), option("e", place="closet")))
    for spot in (0, 1, 2):
        here = here.then(spot, responded=True).then(spot, responded=True)
    assert shown(here.made) == {"a", "b", "c"}
    here = here.then(3, responded=True).then(5, responded=True).then(5, responded=True)
    assert shown(here.made) == {"e"}
    here = here.then(4, responded=True).then(4, responded=True)
    assert shown(here.made) == {"b", "e"}


def test_a_dear_repeat_is_left_out() -> None:
    far = Fixed((option("a", "bubbles", minutes=40.0),)).then(0, responded=True)
    assert follow(far) is None
    assert shown(far.made) == {"a"}
    assert follow(Fixed((option("a", "bubbles", minutes=5.0),)).then(0, responded=True)) is not None


def test_the_state_at_hand_is_taken_first() -> None:
    dear, near = option("a", "bubbles", set_up=10.0, state="running"), option("a", "bubbles", state="standing")
    here = Fixed((option("a"), dear, near)).then(0, responded=True).then(0)
    assert follow(here) == near

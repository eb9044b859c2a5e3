"""A played job: what is counted, against the planner and the belief asked by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from msgspec import structs

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan
from leakinfer.planner.problem import in_vain, left
from leakinfer.study.model import Made, Played, Policy, Situation
from leakinfer.study.play import Limits, opening, play
from leakinfer.study.policies import POLICIES
from leakinfer.study.situation import opening_of
from leakinfer.study.world import draw_world, load_truths

from .cottage import Door, Honest, Script, cottage, script, world

MANY = Limits(60, 1000)


def played(there: Honest, policy: Policy, limits: Limits = MANY) -> Played:
    return play(there, policy, system="cottage", truth="told", limits=limits)


def told(job: Job, *tests: tuple[str, str, str]) -> Job:
    """The job with these findings as it stands."""
    for method, target, outcome in tests:
        job = job.with_finding(Finding(method, target, outcome, job.condition()))
    return job


def strongest(method: str) -> str:
    return outcome_names(cottage().catalogue.methods[method])[-1]


def without_seconds(one: Played) -> tuple[object, ...]:
    return structs.replace(one.job, seconds=0.0), one.steps, one.chances


# the loop


def test_a_policy_of_three_lines_plays_a_job() -> None:
    class Cheapest:
        name = "cheapest"

        def choose(self, here: Situation) -> int | None:
            fresh = [n for n, one in enumerate(here.options) if not one.repeat and one.minutes < 5]
            return min(fresh, key=lambda n: here.options[n].minutes, default=None)

    one = played(world("stem"), Cheapest())
    assert one.job.policy == "cheapest"
    assert one.job.tests == len(one.steps) > 4
    assert len({(step.method, step.target) for step in one.steps}) == len(one.steps)


def test_minutes_and_outcomes_follow_the_planner_step_by_step() -> None:
    """Minutes by hand from the files: stem 2 to the yard + probe .7; sweep 3 to the closet + 6; bubbles 5 there."""
    one = played(world("flare_a"), script("probe_point stem", "probe_sweep coil", "bubbles flare_a"))
    assert [step.minutes for step in one.steps] == pytest.approx([2.7, 9.0, 5.0])
    assert [step.clock for step in one.steps] == pytest.approx([2.7, 11.7, 16.7])
    assert [step.responded for step in one.steps] == [False, True, True]
    assert [step.outcome for step in one.steps] == ["silent", strongest("probe_sweep"), strongest("bubbles")]
    assert [step.step for step in one.steps] == [0, 1, 2]
    assert one.job.minutes == pytest.approx(16.7)
    assert (one.job.system, one.job.truth, one.job.policy, one.job.job) == ("cottage", "told", "script", 3)


@pytest.mark.parametrize(("limits", "tests"), [(Limits(1, 1000), 1), (Limits(60, 11.6), 1), (Limits(60, 11.7), 2)])
def test_a_job_is_broken_off_at_its_limits(limits: Limits, tests: int) -> None:
    assert played(world(), script("probe_point stem", "probe_sweep coil"), limits).job.tests == tests


def test_the_same_job_is_played_the_same_way_again() -> None:
    for name in ("checklist", "random", "expected_cost"):
        there = world("header", "stem")
        first, again = (without_seconds(played(there, POLICIES[name])) for _ in range(2))
        assert repr(first) == repr(again)  # NaN is not equal to itself


def test_a_shared_opening_changes_nothing() -> None:
    there = world("header")
    shared = opening(there)
    for name in ("most_likely", "checklist", "bits_per_minute"):
        alone = played(there, POLICIES[name])
        told_once = play(there, POLICIES[name], system="cottage", truth="told", limits=MANY, first=shared)
        assert repr(without_seconds(alone)) == repr(without_seconds(told_once))


# what is found, repaired and missed


def test_confirmed_is_what_the_belief_confirms_at_the_minute_it_does() -> None:
    """The belief is asked by hand after every step."""
    tests = [
        "probe_point stem",
        "bubbles flare_a",
        "bubbles flare_a",
        "probe_point flare_a",
        "bubbles header",
        "bubbles header",
    ]
    one = played(world("flare_a", "header"), script(*tests))
    job, when = cottage(), dict[str, float]()
    for step in one.steps:
        job = told(job, (step.method, step.target, step.outcome))
        for site in Belief(job).confirmed():
            when.setdefault(job.site(site).unit, step.clock)
    assert when.keys() == {"flare_a", "coil"}
    assert one.job.all_confirmed == pytest.approx(max(when.values()))
    assert (one.job.leaks, one.job.confirmed, one.job.missed, one.job.left) == (2, 2, 0, False)


def test_a_leak_that_nobody_confirms_leaves_no_minute() -> None:
    one = played(world("flare_a", "stem"), script("bubbles flare_a", "bubbles flare_a"))
    assert math.isnan(one.job.all_confirmed)
    assert (one.job.leaks, one.job.confirmed, one.job.missed, one.job.left) == (2, 1, 1, True)


def test_where_nothing_leaks_all_is_confirmed_at_once() -> None:
    one = played(world(), script("probe_point stem"))
    assert (one.job.all_confirmed, one.job.leaks, one.job.missed, one.job.wrong) == (0.0, 0, 0, 0)


def test_the_price_of_a_miss_and_of_a_repair_in_vain_is_the_planners_at_the_door() -> None:
    """Bubbles that foam twice where nothing leaks: repaired in vain; the stem leaks and is missed."""
    lies = {("bubbles", "flare_b"): strongest("bubbles")}
    one = played(world("stem", says=lies), script("bubbles flare_b", "bubbles flare_b", "probe_point flare_b"))
    belief = Belief(cottage())
    missed = dict(zip(belief.units, left(belief), strict=True))
    wrong = dict(zip(belief.units, in_vain(belief), strict=True))
    assert (one.job.missed, one.job.repaired, one.job.wrong) == (1, 1, 1)
    assert one.job.cost == pytest.approx(one.job.minutes + missed["stem"] + wrong["flare_b"])


def test_a_repair_of_a_trifle_is_not_in_vain() -> None:
    says = {("bubbles", "flare_b"): strongest("bubbles")}
    there = world(says=says, trifles=frozenset({"flare_b"}))
    one = played(there, script("bubbles flare_b", "bubbles flare_b", "probe_point flare_b"))
    assert (one.job.leaks, one.job.repaired, one.job.wrong) == (0, 1, 0)


def test_a_policy_may_say_itself_what_is_repaired() -> None:
    @dataclass(frozen=True)
    class Replaces(Script):
        def repairs(self, made: tuple[Made, ...]) -> set[str]:
            return {"coil", "elsewhere"}

    one = played(world("header", "stem"), Replaces((("probe_point", "stem"),)))
    assert (one.job.repaired, one.job.missed, one.job.wrong) == (1, 1, 0)


def test_what_is_told_of_the_end_is_the_beliefs_word_on_what_is_not_repaired() -> None:
    one = played(world("flare_a"), script("bubbles flare_a", "bubbles flare_a", "probe_point flare_a"))
    job = told(cottage(), *((step.method, step.target, step.outcome) for step in one.steps))
    belief = Belief(job)
    assert one.job.repaired == 1
    assert one.job.another == pytest.approx(belief.any_that_matters(["flare_a"]))
    expected = sum(chance for unit, chance in belief.unit_probability.items() if unit != "flare_a")
    assert one.job.expected_missed == pytest.approx(expected)


def test_work_on_the_system_is_counted() -> None:
    """Consent to all: recover, fill and hold; recovering takes the charge out."""
    there = Honest(Door(1, cottage(consent="intrusive")), frozenset({"stem"}))
    one = played(there, script("probe_point flare_a", "hold_hour whole"))
    assert one.steps[1].state in ("nitrogen", "tracer")
    assert (one.job.set_ups, one.job.openings) == (2, 1)


# what is written down


def test_forecasts_are_the_planners_where_the_policy_asked_and_missing_where_not() -> None:
    asked, silent = (played(world("header"), POLICIES[name]) for name in ("expected_cost", "checklist"))
    assert all(math.isnan(value) for step in silent.steps for value in (step.bits, step.gained, step.expected))
    job = cottage()
    for step in asked.steps:
        (test,) = (
            one
            for one in make_plan(Belief(job)).next
            if (one.candidate.method, one.candidate.target, one.candidate.condition.state)
            == (step.method, step.target, step.state)
            and not one.candidate.condition.shroud
        )
        assert step.bits == pytest.approx(test.bits)
        assert step.expected == pytest.approx(test.outcomes[step.outcome])
        job = told(job, (step.method, step.target, step.outcome))


@dataclass(frozen=True)
class Asks(Script):
    """A script that asks the belief all the same."""

    def choose(self, here: Situation) -> int | None:
        assert here.worth.stop > 0
        return super().choose(here)


@pytest.mark.parametrize("test", ["probe_point stem", "bubbles flare_a", "oil_point header"])
def test_what_is_gained_is_on_average_what_was_forecast(test: str) -> None:
    """Sum over outcomes and true states of P times the bits gained is the mutual information (its definition)."""
    method, target = test.split()
    job, unit = cottage(), cottage().site(target).unit
    total = forecast = 0.0
    for outcome in outcome_names(job.catalogue.methods[method]):
        after = Belief(told(job, (method, target, outcome))).unit_probability[unit]
        for leaks, chance in ((True, after), (False, 1 - after)):
            there = world(*([target] if leaks else []), says={(method, target): outcome})
            (step,) = played(there, Asks(((method, target),))).steps
            total += step.expected * chance * step.gained
            forecast = step.bits
    assert forecast > 0.001
    assert total == pytest.approx(forecast, rel=1e-9)


def test_a_test_of_several_units_gains_no_single_figure() -> None:
    sweep, spot = played(world(), Asks((("probe_sweep", "coil"), ("probe_point", "header")))).steps
    assert sweep.bits > 0
    assert math.isnan(sweep.gained)
    assert math.isfinite(spot.gained)


def test_chances_are_those_of_the_belief_at_start_on_the_way_and_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where each moment is written down, those between the first test and the last are, in order."""
    monkeypatch.setattr("leakinfer.study.play.NOTED", 1.0)
    tests = ["probe_point stem", "probe_sweep coil", "bubbles flare_a"]
    one = played(world("flare_a"), script(*tests))
    job, along = cottage(), [Belief(cottage()).matters_probability]
    for step in one.steps:
        job = told(job, (step.method, step.target, step.outcome))
        along.append(Belief(job).matters_probability)
    moments = ("start", "during", "during", "end")
    named = [(moment, site) for moment, chances in zip(moments, along, strict=True) for site in chances]
    assert [(row.moment, row.site) for row in one.chances] == named
    expected = [chance for chances in along for chance in chances.values()]
    assert [row.chance for row in one.chances] == pytest.approx(expected)
    assert {row.site for row in one.chances if row.leaks} == {"flare_a"}


ON_THE_WAY = ["probe_point stem", "oil_point stem", "probe_point flare_a", "probe_point flare_b", "probe_point header"]


def noted(number: int, tests: int) -> list[float]:
    """What job ``number`` of so many tests writes down of one site on the way."""
    there = world(number=number)
    one = play(there, script(*ON_THE_WAY[:tests]), system="cottage", truth="told", limits=MANY, first=opening(there))
    return [row.chance for row in one.chances if (row.moment, row.site) == ("during", "bends")]


def test_a_moment_is_written_down_whatever_comes_after_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The coin does not know how long a job will last: of a shorter one the same moments, and each as often.

    60 jobs of five tests have four moments each, of two tests one; the coin is even here. Counts are binomial(60, 1/2),
    sd 3.9; beyond 5 sd in one of four with chance below 3e-6. Seeds are the jobs' numbers.
    """
    monkeypatch.setattr("leakinfer.study.play.NOTED", 0.5)
    job, along = cottage(), list[float]()
    for test in ON_THE_WAY[:4]:
        method, target = test.split()
        job = told(job, (method, target, job.catalogue.methods[method].silent))
        along.append(Belief(job).matters_probability["bends"])
    assert len({round(chance, 9) for chance in along}) == 4
    counts = np.zeros(4)
    for number in range(60):
        long, short = noted(number, 5), noted(number, 2)
        places = [int(np.argmin(np.abs(np.array(along) - chance))) for chance in long]
        assert long == pytest.approx([along[place] for place in places])
        assert places == sorted(set(places))
        assert short == long[: places.count(0)]
        counts[places] += 1
    assert np.abs(counts - 30).max() <= 5 * math.sqrt(60 * 0.5 * 0.5)


def test_one_test_leaves_no_moment_on_the_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("leakinfer.study.play.NOTED", 1.0)
    one = played(world(), script("probe_point stem"))
    assert {row.moment for row in one.chances} == {"start", "end"}


# the situation


def test_lists_ask_no_belief_until_something_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    made = list[int]()

    class Counted(Belief):
        def __init__(self, job: Job) -> None:
            made.append(len(job.findings))
            super().__init__(job)

    monkeypatch.setattr("leakinfer.study.situation.Belief", Counted)
    monkeypatch.setattr("leakinfer.study.play.NOTED", 0.0)
    one = played(world(), POLICIES["checklist"])
    assert one.job.tests > 4
    assert made == [0, one.job.tests]  # the rows of the start and of the end


def test_advice_is_the_programs_first_test_and_its_word_on_stopping() -> None:
    here = opening_of(cottage(), 0)
    plan = make_plan(Belief(cottage()))
    pick = here.advice("expected_cost")
    assert pick is not None
    assert here.candidates[pick] == plan.next[0].candidate
    assert here.worth.stop == pytest.approx(plan.stop.at_stake)
    assert len(here.options) == len(plan.next)
    by_key = {test.candidate: test for test in plan.next}
    for number, candidate in enumerate(here.candidates):
        test = by_key[candidate]
        assert here.bits[number] == pytest.approx(test.bits)
        assert here.options[number].minutes == pytest.approx(test.minutes.total)
        silent = here.job.catalogue.methods[candidate.method].silent
        assert here.response[number] == pytest.approx(1 - test.outcomes[silent])
        assert here.worth.costs[number] == pytest.approx(test.cost)


def test_what_is_likely_is_proved_before_the_end() -> None:
    """All that looks at the stem answers: before it ends the program asks for a pinpoint test there."""
    here, seen = opening_of(cottage(age_years=3), 0), world("stem")
    for _ in range(40):
        pick = here.advice("expected_cost")
        if pick is None:
            break
        here = here.told(here.options[pick], seen.answer(here.job, here.candidates[pick], here.options[pick].minutes))
    plan = make_plan(Belief(here.job))
    assert plan.stop.stop
    assert plan.stop.confirmed == ("stem",)
    assert any(made.option.pinpoint and made.option.target == "stem" for made in here.made)


def test_shown_is_the_chance_that_it_leaks_and_answers() -> None:
    """By Bayes' rule from the belief after a response: P(response) P(leaks | response)."""
    here = opening_of(cottage(), 0)
    number = next(
        n
        for n, one in enumerate(here.options)
        if (one.method, one.target, one.state) == ("probe_point", "flare_a", "standing")
    )
    after = Belief(told(here.job, ("probe_point", "flare_a", strongest("probe_point"))))
    expected = here.response[number] * after.unit_probability["flare_a"]
    assert here.shown[number] == pytest.approx(expected, rel=1e-9)
    assert np.all(here.shown <= here.response + 1e-15)


def test_options_tell_what_a_test_looks_at() -> None:
    job = cottage(consent="intrusive")
    options = {(one.method, one.target, one.state): one for one in opening_of(job, 0).options}
    sweep = options["probe_sweep", "coil", "standing"]
    assert sweep.units == ("flare_a", "flare_b", "coil")
    assert sweep.sites == ("flare_a", "flare_b", "bends", "header")
    assert sweep.classes == {"flare", "return_bend", "coil_header"}
    assert (sweep.kind, sweep.place, sweep.outdoors, sweep.opens, sweep.set_up) == ("sweep", "closet", False, False, 0)
    assert options["bubbles", "stem", "standing"].pinpoint
    assert options["probe_point", "stem", "standing"].outdoors
    assert options["bubbles", "stem", "nitrogen"].opens
    assert options["probe_point", "stem", "running"].set_up == pytest.approx(10)


def test_refrigerant_is_never_charged_for_a_test() -> None:
    """An empty system that hardly anybody calls leaky: the program would charge it for a test, a study does not."""
    job = cottage(age_years=0.05, loss=None, state="flat", consent="intrusive")
    planned = {test.candidate.condition.state for test in make_plan(Belief(job)).next}
    offered = {one.state for one in opening_of(job, 0).options}
    assert {"standing", "running"} <= planned
    assert offered == planned - {"standing", "running"}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["checklist", "random"])
def test_the_simulators_world_is_played_to_its_end(name: str) -> None:
    """Two drawn jobs: the rows agree with each other."""
    for number in range(2):
        there = draw_world("ductless_split", load_truths()["as_believed"], 11, number, load_catalogue())
        one = play(there, POLICIES[name], system="ductless_split", truth="as_believed", limits=MANY)
        assert one.job.minutes == pytest.approx(sum(step.minutes for step in one.steps))
        assert one.job.tests == len(one.steps) <= 60
        assert one.job.confirmed <= one.job.leaks
        assert math.isnan(one.job.all_confirmed) == (one.job.confirmed < one.job.leaks)
        assert one.job.left == (one.job.missed > 0)
        assert one.job.cost >= one.job.minutes
        sites = {site.id for site in there.start.job.sites}
        assert {row.site for row in one.chances if row.moment == "end"} == sites
        assert {row.site for row in one.chances if row.leaks} == there.matters & sites

"""Repairs, exchanged parts and later visits, by Bayes' rule and the Weibull formula written out."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import AIRED, BEGIN, FACTS, FINDING, REPAIR, RETURN, begin_body, body_of, job_of
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.later import Aired, Repaired, Return
from leakinfer.job.origins import origins

from .small import CATALOGUE, STANDING, chance, coarse, found, job_on, shipped_job, site, system, told
from .worlds import FLUID, YEAR_G, World, detect, leaks, priors, unreachable, vapour_grams, weighed_worlds

Array = NDArray[np.float64]
PROBE, BUBBLES = CATALOGUE.methods["probe_point"], CATALOGUE.methods["bubbles"]
BEND, DRIER = CATALOGUE.components["return_bend"], CATALOGUE.components["drier_suction"]
FAILS, EXCHANGE_FAILS = CATALOGUE.repairs["return_bend"].fails, 0.02
SIZES = np.array([1e-8, 1e-7, 1e-6])
GRAMS = vapour_grams(SIZES, 22.0)
AGE = 12.0
SILENT = found("probe_point", "bend", "silent")
RESPONSE = found("probe_point", "bend", "response")


def bend() -> Job:
    """One return bend of 12 years, and a drier that no test looks at."""
    made = system(site("bend", "return_bend"), site("drier", "drier_suction"))
    return job_on(made, coarse((1e-8, 1e-6)), age_years=AGE)


def seen(method: str, silent: bool) -> Array:
    """(4,): P(silent, or the first grade or more | state), in reach, the false alarm counted."""
    chosen = CATALOGUE.methods[method]
    rate = GRAMS if chosen.rate == "g/yr" else GRAMS / YEAR_G / FLUID.molar_mass * 8.314462618 * 293.15
    caught = detect(chosen, chosen.grades[0], rate)
    quiet = (1 - chosen.grades[0].false_alarm) * (1 - caught)
    return quiet if silent else 1 - quiet


def new_leaks(shape: float, mean: float, gamma: float, since: float, until: float) -> float:
    """P(a leak begins between two ages): Weibull hazard, mean rate quoted over ten years, gamma mixed rate."""
    expected = mean * 10 * ((until / 10) ** shape - (since / 10) ** shape)
    return float(1 - (1 + expected / gamma) ** -gamma)


def new_bend(since: float, until: float) -> float:
    return new_leaks(BEND.age.weibull, BEND.hazard.mean, BEND.hazard.gamma_shape, since, until)


# repairs


def test_a_repair_leaves_the_share_that_fails() -> None:
    job = bend()
    repaired = job.with_repair(Repaired("bend"))
    assert chance(repaired, "bend") == pytest.approx(chance(job, "bend") * FAILS, abs=1e-15)
    assert chance(repaired, "drier") == pytest.approx(chance(job, "drier"), abs=1e-15)


def test_a_repair_after_an_answer_leaves_the_share_of_what_was_then_believed() -> None:
    job = told(bend(), RESPONSE)
    assert chance(job.with_repair(Repaired("bend")), "bend") == pytest.approx(chance(job, "bend") * FAILS, abs=1e-12)


def test_two_repairs_must_both_fail() -> None:
    twice = bend().with_repair(Repaired("bend")).with_repair(Repaired("bend"))
    assert chance(twice, "bend") == pytest.approx(chance(bend(), "bend") * FAILS**2, abs=1e-15)


def test_an_exchanged_part_fails_less() -> None:
    job = told(bend(), RESPONSE)
    exchanged = job.with_repair(Repaired("bend", exchanged=True))
    assert chance(exchanged, "bend") == pytest.approx(chance(job, "bend") * EXCHANGE_FAILS, abs=1e-12)


@pytest.mark.parametrize(("outcome", "silent"), [("none", True), ("slow_foam", False)])
def test_bubbles_prove_a_repair_as_by_bayes_rule(outcome: str, silent: bool) -> None:
    job = told(bend().with_repair(Repaired("bend")), found("bubbles", "bend", outcome))
    (prior,) = priors(bend(), "bend")
    hidden = unreachable(BUBBLES, "return_bend")
    if silent:
        given = hidden * seen("bubbles", True)[0] + (1 - hidden) * seen("bubbles", True)
    else:  # foam and nothing faster, by P(none) and P(not fast)
        slow, fast = BUBBLES.grades
        rate = GRAMS / YEAR_G / FLUID.molar_mass * 8.314462618 * 293.15
        none = (1 - slow.false_alarm) * (1 - (1 - hidden) * detect(BUBBLES, slow, rate))
        given = (1 - fast.false_alarm) * (1 - (1 - hidden) * detect(BUBBLES, fast, rate)) - none
    leaking = float(prior[1:] * FAILS @ given[1:])
    tight = float((1 - prior[1:].sum() * FAILS) * given[0])
    assert chance(job, "bend") == pytest.approx(leaking / (leaking + tight), abs=1e-12)


def test_a_test_before_and_one_after_the_repair() -> None:
    """Before, any leak answers; after, only one that the repair has not ended. A hidden spot hides both times."""
    job = told(told(bend(), RESPONSE).with_repair(Repaired("bend")), SILENT)
    (prior,) = priors(bend(), "bend")
    hidden, before, after = unreachable(PROBE, "return_bend"), seen("probe_point", False), seen("probe_point", True)

    def both(first: int, second: int) -> float:
        return float((1 - hidden) * before[first] * after[second] + hidden * before[0] * after[0])

    still = sum(prior[k] * FAILS * both(k, k) for k in (1, 2, 3))
    ended = sum(prior[k] * (1 - FAILS) * both(k, 0) for k in (1, 2, 3))
    tight = prior[0] * both(0, 0)
    assert chance(job, "bend") == pytest.approx(still / (still + ended + tight), abs=1e-12)
    assert chance(job, "bend") < 0.5 * chance(told(bend(), RESPONSE).with_repair(Repaired("bend")), "bend")


def test_a_unit_is_repaired_with_all_its_sites() -> None:
    made = system(
        site("one", "return_bend", unit="coil"), site("two", "return_bend", unit="coil"), site("far", "drier_suction")
    )
    job = job_on(made, coarse((1e-8, 1e-6)), age_years=AGE)
    after, before = Belief(job.with_repair(Repaired("coil"))), Belief(job)
    for name in ("one", "two"):
        assert after.leak_probability[name] == pytest.approx(before.leak_probability[name] * FAILS, abs=1e-15)
    assert after.leak_probability["far"] == pytest.approx(before.leak_probability["far"], abs=1e-15)
    matters = [1 - before.matters_probability[name] * FAILS for name in ("one", "two")]
    assert after.unit_probability["coil"] == pytest.approx(1 - matters[0] * matters[1], abs=1e-12)


def test_a_counted_site_is_repaired_copy_by_copy() -> None:
    """P(any of 3) from P(one) by hand."""
    job = job_on(system(site("bends", "return_bend", count=3)), coarse((1e-8, 1e-6)), age_years=AGE)
    one = Belief(job).posterior.marginal("bends")[1:].sum()
    assert chance(job.with_repair(Repaired("bends")), "bends") == pytest.approx(1 - (1 - one * FAILS) ** 3, abs=1e-12)


@pytest.mark.parametrize("target", ["cellar", "elsewhere"])
def test_a_repair_of_what_is_not_there_is_refused(target: str) -> None:
    job = bend()
    with pytest.raises(InputError, match=f"unknown site or repair unit '{target}'") as caught:
        job.with_repair(Repaired(target))
    assert "\n" not in str(caught.value)
    assert job.repairs == ()


# returns


@pytest.mark.parametrize("years", [0.5, 3.0, 10.0])
def test_a_return_adds_what_may_have_begun_since(years: float) -> None:
    """Weibull's cumulative hazard between two ages; the rate's gamma spread drawn anew."""
    job = bend()
    later = job.with_return(Return(years))
    for name, part in (("bend", BEND), ("drier", DRIER)):
        new = new_leaks(part.age.weibull, part.hazard.mean, part.hazard.gamma_shape, AGE, AGE + years)
        right = 1 - (1 - chance(job, name)) * (1 - new)
        assert chance(later, name) == pytest.approx(right, abs=1e-12)
        assert Belief(later).posterior.marginal(f"{name}@1")[1:].sum() == pytest.approx(new, abs=1e-12)


def test_two_returns_count_on() -> None:
    later = bend().with_return(Return(2.0)).with_return(Return(3.0))
    assert Belief(later).posterior.marginal("bend@2")[1:].sum() == pytest.approx(new_bend(14.0, 17.0), abs=1e-12)


def test_an_exchanged_part_starts_anew_and_a_repaired_one_does_not() -> None:
    repaired, exchanged = (
        bend().with_repair(Repaired("bend", exchanged=new)).with_return(Return(4.0)) for new in (False, True)
    )
    for job, since in ((repaired, AGE), (exchanged, 0.0)):
        new = new_bend(since, since + 4.0)
        assert Belief(job).posterior.marginal("bend@1")[1:].sum() == pytest.approx(new, abs=1e-12)
    assert [origin.ages for origin in origins(exchanged) if origin.name == "bend@1"] == [(0.0, 4.0)]


def test_a_repair_at_the_second_visit_ends_leaks_of_both_times() -> None:
    old, new = chance(bend(), "bend"), new_bend(AGE, AGE + 4.0)
    job = bend().with_return(Return(4.0)).with_repair(Repaired("bend"))
    assert chance(job, "bend") == pytest.approx(1 - (1 - old * FAILS) * (1 - new * FAILS), abs=1e-12)


def test_a_repair_at_the_first_visit_does_not_end_what_begins_later() -> None:
    old, new = chance(bend(), "bend"), new_bend(AGE, AGE + 4.0)
    job = bend().with_repair(Repaired("bend")).with_return(Return(4.0))
    assert chance(job, "bend") == pytest.approx(1 - (1 - old * FAILS) * (1 - new), abs=1e-12)


@pytest.mark.parametrize("finding", [SILENT, RESPONSE, found("bubbles", "bend", "fast_bubbles")])
def test_findings_of_the_first_visit_do_not_touch_leaks_begun_later(finding: Finding) -> None:
    before, after = Belief(bend().with_return(Return(4.0))), Belief(told(bend(), finding).with_return(Return(4.0)))
    np.testing.assert_allclose(after.posterior.marginal("bend@1"), before.posterior.marginal("bend@1"), atol=1e-14)
    assert abs(after.posterior.marginal("bend")[0] - before.posterior.marginal("bend")[0]) > 1e-4


def test_a_test_at_the_second_visit_meets_old_and_new_leaks() -> None:
    """An answer then, silence now: the sum over both items and the spot's being hidden."""
    job = told(told(bend(), RESPONSE).with_return(Return(4.0)), SILENT)
    hidden, answer, quiet = unreachable(PROBE, "return_bend"), seen("probe_point", False), seen("probe_point", True)
    old = priors(bend(), "bend")[0]
    new = priors(bend().with_return(Return(4.0)), "bend@1")[0]

    def likelihood(world: World) -> float:
        both_quiet = quiet[world[0]] * quiet[world[1]] / quiet[0]  # one false alarm for the test
        return float((1 - hidden) * answer[world[0]] * both_quiet + hidden * answer[0] * quiet[0])

    right = weighed_worlds([old, new], likelihood)
    belief = Belief(job)
    assert belief.leak_probability["bend"] == pytest.approx(leaks(right, 0, 1), abs=1e-12)
    assert belief.posterior.marginal("bend@1")[1:].sum() == pytest.approx(leaks(right, 1), abs=1e-12)


def test_a_return_takes_hoses_off_and_closes_panels() -> None:
    job = told(bend(), found("hold_day", "whole", "held", Condition("nitrogen", "still", 24.0, 22.0, test_kpa=1200.0)))
    assert job.facts.gauges
    assert job.facts.state == "nitrogen"
    later = job.with_return(Return(1.0))
    assert not later.facts.gauges
    assert (later.facts.state, later.facts.test_kpa, later.facts.place, later.facts.opened) == (
        "standing",
        0.0,
        None,
        (),
    )


# undo


@dataclass(frozen=True)
class Event:
    """One line of a journal."""

    kind: str
    body: dict[str, Any]


CORE = "suction_port_core"
LATER: tuple[tuple[str, Any], ...] = (
    (FINDING, found("probe_point", CORE, "response")),
    (REPAIR, Repaired(CORE, exchanged=True, note="new core")),
    (FINDING, found("bubbles", CORE, "none")),
    (AIRED, Aired("yard")),
    (FACTS, {"minutes_left": 90.0}),
    (RETURN, Return(2.0, missing_kg=0.2)),
    (FINDING, found("probe_point", CORE, "silent")),
)


def events_of(*later: tuple[str, Any]) -> list[Event]:
    """A journal of a ducted split that begins with its system."""
    first = begin_body(load_system("ducted_split"), {"age_years": AGE}, CATALOGUE)
    plain = [(kind, body if isinstance(body, dict) else body_of(body)) for kind, body in later]
    return [Event(BEGIN, first), *(Event(kind, body) for kind, body in plain)]


def step(job: Job, kind: str, told_so: Any) -> Job:
    """The job after one of these."""
    ways = {REPAIR: job.with_repair, RETURN: job.with_return, AIRED: job.with_airing, FACTS: job.with_facts}
    return ways.get(kind, job.with_finding)(told_so)  # type: ignore[operator, no-any-return]


def test_undo_by_events_gives_an_equal_job() -> None:
    """A journal without its last events is the job before them, whatever they were."""
    steps = list(
        accumulate(LATER, lambda job, event: step(job, *event), initial=shipped_job("ducted_split", age_years=AGE))
    )
    again = [job_of(events_of(*LATER[:count]), CATALOGUE, "journal") for count in range(len(LATER) + 1)]
    assert again == steps
    assert len({id(job) for job in steps}) == len(LATER) + 1
    assert all(one != other for one, other in pairwise(steps))
    assert Belief(again[-1]).leak_probability == Belief(steps[-1]).leak_probability


def test_a_repair_that_does_not_fit_names_the_event() -> None:
    with pytest.raises(InputError, match="journal: event 2: target: unknown site or repair unit 'cellar'"):
        job_of(events_of((REPAIR, {"target": "cellar"})), CATALOGUE, "journal")


def test_a_shipped_system_after_repair_and_return_is_solved_exactly() -> None:
    job = told(shipped_job("ducted_split"), found("probe_sweep", "service_valves", "response", STANDING))
    after = Belief(
        job.with_repair(Repaired("suction_port_core", exchanged=True)).with_return(Return(1.0, missing_kg=0.3))
    )
    assert after.exact
    assert after.any_that_matters() > Belief(job.with_return(Return(1.0))).any_that_matters()

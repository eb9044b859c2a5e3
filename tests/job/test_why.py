"""The story of a site, and what counts as a surprise."""

from __future__ import annotations

import math
from typing import Any

import pytest
from msgspec.structs import replace

from leakinfer.circuit.conditions import Condition
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Hold
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired, Return
from leakinfer.job.why import Explanation, explain, finding_words, surprise, surprise_words

from .small import BREEZE, CATALOGUE, found, job_on, odds, shipped_job, site, spot, system, told, weighed
from .tight import NITROGEN, held, in_words, three_bends

LIMIT = 0.03  # surprise_probability of the shipped settings
CORE = "suction_port_core"


def busy_job() -> Job:
    """A loss, a known circumstance and findings of every kind."""
    job = shipped_job(
        "ducted_split",
        age_years=14.0,
        tight_years_ago=6.0,
        loss={"kg": 0.7, "years": 2.0},
        circumstances={"suction_drier:outdoor_steel": True},
    )
    return told(
        job,
        found("oil_look", "below_outdoor_driers", "oil"),
        found("look", "suction_drier:wet_suction_line", "present"),
        found("probe_sweep", "outside_run", "response", BREEZE),
        found("probe_point", "suction_drier", "silent"),
        weighed(1.9),
    )


STORIES: dict[str, Job] = {
    "nothing known": shipped_job("ducted_split"),
    "a loss": shipped_job("ducted_split", loss={"kg": 0.7, "years": 2.0}),
    "a busy job": busy_job(),
}


@pytest.mark.parametrize("name", STORIES)
@pytest.mark.parametrize("place", ["suction_drier", "indoor_return_bends"])
def test_the_last_step_is_todays_probability(name: str, place: str) -> None:
    job = STORIES[name]
    assert explain(job, place).steps[-1].probability == pytest.approx(Belief(job).matters_probability[place], abs=1e-12)


@pytest.mark.parametrize("name", STORIES)
def test_the_ratios_lead_from_the_first_odds_to_the_last(name: str) -> None:
    steps = explain(STORIES[name], "suction_drier").steps
    product = math.prod(step.odds_ratio for step in steps)
    assert steps[0].odds_ratio == 1.0
    assert odds(steps[0].probability) * product == pytest.approx(odds(steps[-1].probability), rel=1e-9)


def base_rate(component: str, mask: Any, belief: Belief) -> float:
    """P(a leak that matters) of a class after ten years: 1 - (1 + 10 h / a)^-a times the sizes that matter.

    Only for a class that shares nothing with others.
    """
    hazard = CATALOGUE.components[component].hazard
    leaks = 1 - (1 + 10 * hazard.mean / hazard.gamma_shape) ** -hazard.gamma_shape
    sizes = belief.posterior.model.items[0].prior.reshape(-1, mask.size)[0]
    return float(leaks * sizes[mask].sum() / sizes[1:].sum())


def test_the_story_begins_with_the_rate_of_the_class() -> None:
    made = system(site("drier", "drier_suction", exposures=("outdoor_steel",)), spots=(spot("ground", "drier"),))
    job = told(job_on(made, age_years=17.0, tight_years_ago=4.0), found("oil_look", "ground", "oil"))
    belief = Belief(job)
    first = explain(job, "drier").steps[0]
    assert first.probability == pytest.approx(base_rate("drier_suction", belief.masks["drier"], belief), rel=1e-9)


def test_age_and_rust_raise_an_old_drier_step_by_step() -> None:
    made = system(site("drier", "drier_suction", exposures=("outdoor_steel",)))
    steps = explain(job_on(made, age_years=17.0, circumstances={"drier:outdoor_steel": True}), "drier").steps
    assert [step.odds_ratio > 1 for step in steps[1:]] == [True, True]


def test_times_and_masses_that_do_not_end_are_rounded_in_words() -> None:
    """14 months are 1.1666... years, 11 oz are 0.3118... kg."""
    job = shipped_job(
        "ducted_split", age_years=8 + 1 / 3, tight_years_ago=2 / 3, loss={"kg": 0.3118448, "years": 14 / 12}
    )
    later = job.with_return(Return(years=14 / 12, missing_kg=0.3118448))
    words = " | ".join(step.what for step in explain(later, CORE).steps)
    for said in ("age 8.33 years, proved tight 0.667 years ago", "0.312 kg lost in 1.17 years", "0.312 kg missing"):
        assert said in words
    assert "back after 1.17 years" in words


def test_every_finding_has_its_step_in_order() -> None:
    job = busy_job()
    story = explain(job, "suction_drier")
    assert [step.what for step in story.steps[-5:]] == [finding_words(job, finding) for finding in job.findings]


def test_the_story_names_the_site_and_where_its_rate_comes_from() -> None:
    story: Explanation = explain(busy_job(), "suction_drier")
    assert story.name == "suction drier by the outdoor unit"
    assert CATALOGUE.components["drier_suction"].hazard.source in story.notes[0]


def test_a_finding_far_away_moves_a_site_little() -> None:
    job = told(shipped_job("ducted_split"), found("probe_point", "indoor_return_bends", "silent"))
    assert explain(job, "suction_drier").steps[-1].odds_ratio == pytest.approx(1.0, abs=1e-9)


def test_an_unknown_site_is_refused() -> None:
    with pytest.raises(InputError, match="left_wheel"):
        explain(shipped_job("ducted_split"), "left_wheel")


# surprises


def given_chance(job: Job, method: str, target: str, outcome: str) -> float:
    gained = Belief(told(job, found(method, target, outcome))).posterior.log_evidence
    return math.exp(gained - Belief(job).posterior.log_evidence)


SURPRISES = (
    ("bubbles", "liquid_line_coupling", "fast_bubbles", True),
    ("bubbles", "liquid_line_coupling", "none", False),
    ("probe_sweep", "service_valves", "response", False),
    ("probe_point", "liquid_line_coupling", "silent", False),
)


@pytest.mark.parametrize(("method", "target", "outcome", "flagged"), SURPRISES)
def test_only_what_was_given_little_is_a_surprise(method: str, target: str, outcome: str, flagged: bool) -> None:
    job = shipped_job("ducted_split")
    right = given_chance(job, method, target, outcome)
    flag = surprise(job, found(method, target, outcome))
    assert (right < LIMIT) == flagged
    assert flag == (pytest.approx(right, rel=1e-9) if flagged else None)


def test_silence_where_a_leak_was_all_but_sure_is_a_surprise_with_a_hint() -> None:
    """With a limit above the probe's own lapse of 5 %."""
    catalogue = replace(CATALOGUE, numbers={**CATALOGUE.numbers, "surprise_probability": 0.15})
    job = told(
        job_on(system(site("core", "valve_core")), catalogue),
        *[found("probe_point", "core", "response"), found("bubbles", "core", "fast_bubbles")] * 2,
    )
    silent = found("probe_point", "core", "silent")
    assert Belief(job).leak_probability["core"] > 0.99
    assert surprise(job, silent) is not None
    assert "wind" in surprise_words(job, silent)


def test_an_unexpected_response_is_met_with_its_false_causes() -> None:
    response = found("bubbles", "liquid_line_coupling", "fast_bubbles")
    words = surprise_words(shipped_job("ducted_split"), response)
    assert all(cause.name in words for cause in CATALOGUE.methods["bubbles"].false_causes)


def test_a_weight_is_judged_by_its_words() -> None:
    """A number has a density, not a chance: the outcome that was told with it is judged."""
    job = shipped_job("ducted_split", loss={"kg": 0.8, "years": 2.0})
    full = found("weigh_charge", "whole", "as_charged", reading_kg=2.6)
    assert surprise(job, full) is not None
    assert surprise(job, weighed(1.8)) is None


def test_a_surprise_stands_in_the_story() -> None:
    job = told(shipped_job("ducted_split"), found("bubbles", "liquid_line_coupling", "fast_bubbles"))
    last = explain(job, "liquid_line_coupling").steps[-1]
    assert last.surprising is not None
    assert last.surprising < LIMIT


def test_words_say_method_place_outcome_and_air() -> None:
    words = finding_words(
        shipped_job("ducted_split"),
        found("probe_point", "suction_drier", "response", BREEZE, false_causes=("foam",)),
    )
    test = "electronic probe at one spot, suction drier by the outdoor unit"
    assert words == f"{test}: response (standing, a breeze); also there: foam"


# repairs, later visits and readings


def repaired_and_back() -> Job:
    """A response, a repair, silence, two years, half a kilogram missing, a hold that fell."""
    job = told(shipped_job("ducted_split", age_years=14.0), found("probe_point", CORE, "response"))
    job = told(job.with_repair(Repaired(CORE, exchanged=True)), found("bubbles", CORE, "none"))
    job = job.with_return(Return(2.0, missing_kg=0.5)).with_repair(Repaired("indoor_coil"))
    condition = Condition("nitrogen", "still", 24.0, 22.0, test_kpa=1500.0)
    return told(
        job, in_words(job, found("hold_day", "whole", "held", condition, hold=Hold(1500.0, 1480.0, 22.0, 22.0, 24.0)))
    )


@pytest.mark.parametrize("place", [CORE, "indoor_return_bends"])
def test_the_story_of_a_repaired_system_ends_at_todays_probability(place: str) -> None:
    """Leaks begun since the first visit are counted in."""
    job = repaired_and_back()
    assert explain(job, place).steps[-1].probability == pytest.approx(Belief(job).matters_probability[place], abs=1e-9)


def test_a_repair_and_a_return_have_their_steps_in_order() -> None:
    steps = explain(repaired_and_back(), CORE).steps[-6:]
    response, repair, silence, later, coil, hold = steps
    assert repair.what == f"{repaired_and_back().target_name(CORE)}: exchanged"
    assert later.what == "back after 2 years, 0.5 kg missing"
    assert coil.what.endswith(": repaired")
    assert "hold" in hold.what
    assert response.probability > 10 * repair.probability > 10 * silence.probability > 0
    assert later.probability > silence.probability


def test_a_repair_does_not_change_the_story_before_it() -> None:
    job = told(shipped_job("ducted_split"), found("probe_point", CORE, "response"))
    before, after = explain(job, CORE).steps, explain(job.with_repair(Repaired(CORE)), CORE).steps
    assert [step.probability for step in after[:-1]] == pytest.approx([step.probability for step in before], abs=1e-12)
    fails = CATALOGUE.repairs["valve_core"].fails
    assert after[-1].probability == pytest.approx(before[-1].probability * fails, abs=1e-12)


def test_a_hold_surprises_by_the_chance_of_its_words_not_by_the_density_of_its_reading() -> None:
    """Bends that hardly ever leak: a drop is given about a percent (its false alarm none), a hold nearly all."""
    job = three_bends()
    fell, tight = held(job, 1150.0), held(job, 1199.0)
    chance = surprise(job, fell)
    assert chance is not None
    words = Belief(told(job, found("hold_day", "whole", "fell", NITROGEN))).posterior.log_evidence
    assert chance == pytest.approx(math.exp(words - Belief(job).posterior.log_evidence), rel=1e-9)
    assert 0 < chance < LIMIT
    assert surprise(job, tight) is None

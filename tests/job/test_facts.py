"""Facts and findings from outside: what is wrong is refused in one line that says where and what is allowed."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import WHOLE
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.facts import UNKNOWN_AGE_YEARS, Facts, start_facts
from leakinfer.job.finding import Finding, Skip
from leakinfer.job.job import Job

from .small import CATALOGUE, found, job_on, shipped_job, site, system, told, weighed

NAN, ENDLESS = float("nan"), float("inf")

BAD_FACTS: dict[str, tuple[dict[str, Any], str]] = {
    "a negative age": ({"age_years": -1.0}, "age_years"),
    "an age that is no number": ({"age_years": NAN}, "age_years"),
    "an age in words": ({"age_years": "ten"}, "age_years"),
    "an age that is a yes": ({"age_years": True}, "age_years"),
    "no charge": ({"charge_kg": 0.0}, "charge_kg"),
    "an endless charge": ({"charge_kg": ENDLESS}, "charge_kg"),
    "a charge that is no number": ({"charge_kg": NAN}, "charge_kg"),
    "a loss above the charge": ({"charge_kg": 2.0, "loss": {"kg": 5.0, "years": 1.0}}, "loss"),
    "a negative loss": ({"loss": {"kg": -0.1, "years": 1.0}}, "loss.kg"),
    "a loss that is no number": ({"loss": {"kg": NAN, "years": 1.0}}, "loss.kg"),
    "a loss over no time": ({"loss": {"kg": 0.5, "years": 0.0}}, "loss.years"),
    "a loss without a time": ({"loss": {"kg": 0.5}}, "loss"),
    "a loss with an unknown part": ({"loss": {"kg": 0.5, "years": 1.0, "who": "me"}}, "loss"),
    "a loss as a number": ({"loss": 0.5}, "loss"),
    "a loss error that is no number": ({"loss": {"kg": 0.5, "years": 1.0, "relative_error": NAN}}, "relative_error"),
    "a loss over more than its life": ({"age_years": 2.0, "loss": {"kg": 0.5, "years": 3.0}}, "loss"),
    "a loss over years of a new system": ({"age_years": 0.0, "loss": {"kg": 0.5, "years": 30.0}}, "loss"),
    "tight before it was built": ({"age_years": 4.0, "tight_years_ago": 5.0}, "tight_years_ago"),
    "an unknown refrigerant": ({"refrigerant": "R-9999"}, "refrigerant"),
    "an unknown fact": ({"colour": "white"}, "colour"),
    "an unknown place": ({"place": "moon"}, "place"),
    "an unknown place that is open": ({"opened": ["moon"]}, "place"),
    "an unknown site": ({"not_fitted": ["left_wheel"]}, "not_fitted"),
    "the unnamed place struck out": ({"not_fitted": ["elsewhere"]}, "not_fitted"),
    "one site instead of a list": ({"not_fitted": "suction_drier"}, "not_fitted"),
    "an unknown circumstance": ({"circumstances": {"full_moon": True}}, "circumstances"),
    "a circumstance in words": ({"circumstances": {"litter_at_compressor": "yes"}}, "circumstances"),
    "an unknown state": ({"state": "dancing"}, "state"),
    "an unknown air": ({"air": "storm"}, "air"),
    "too hot": ({"outdoor_c": 90.0}, "outdoor_c"),
    "too cold": ({"indoor_c": -80.0}, "indoor_c"),
    "a temperature that is no number": ({"outdoor_c": NAN}, "outdoor_c"),
    "no leak matters": ({"matters_g_per_year": 0.0}, "matters_g_per_year"),
}


@pytest.mark.parametrize("name", BAD_FACTS)
def test_a_bad_fact_is_refused_and_named(name: str) -> None:
    facts, spot = BAD_FACTS[name]
    with pytest.raises(InputError, match=spot) as refused:
        start_facts(load_system("ducted_split"), facts, "job file")
    assert refused.value.where.startswith("job file")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("name", [name for name, (facts, _) in BAD_FACTS.items() if "tight" not in name])
def test_a_bad_change_of_facts_is_refused_and_changes_nothing(name: str) -> None:
    job = shipped_job("ducted_split", age_years=12.0)
    before = job.facts
    with pytest.raises(InputError):
        job.with_facts(BAD_FACTS[name][0], "change")
    assert job.facts == before


def test_an_unknown_false_cause_is_refused() -> None:
    """Which there are, the methods say: the job knows them."""
    with pytest.raises(InputError, match="false_causes: unknown false cause 'bad_mood'"):
        shipped_job("ducted_split", false_causes=["bad_mood"])
    with pytest.raises(InputError, match="false_causes"):
        shipped_job("ducted_split").with_facts({"false_causes": ["bad_mood"]})


def test_a_wrong_name_is_answered_with_close_ones() -> None:
    with pytest.raises(InputError, match="allowed: suction_drier"):
        start_facts(load_system("ducted_split"), {"not_fitted": ["suction_dryer"]}, "facts")


def test_little_need_be_known() -> None:
    facts = start_facts(load_system("ducted_split"), {}, "facts")
    assert facts == Facts("R-410A", 2.6)
    assert facts.age_years == UNKNOWN_AGE_YEARS


def test_a_refrigerant_is_known_by_any_usual_spelling() -> None:
    assert start_facts(load_system("ducted_split"), {"refrigerant": "r410a"}, "facts").refrigerant == "R-410A"


def test_a_loss_since_it_was_built_is_allowed() -> None:
    facts = start_facts(load_system("ducted_split"), {"age_years": 3.0, "loss": {"kg": 0.5, "years": 3.0}}, "facts")
    assert facts.loss is not None


def test_changed_facts_keep_the_others() -> None:
    job = shipped_job("ducted_split", age_years=7.0, loss={"kg": 0.5, "years": 2.0}).with_facts({"air": "wind"})
    assert job.facts.air == "wind"
    assert job.facts.age_years == 7.0
    assert job.facts.loss is not None
    assert job.with_facts({"loss": None}).facts.loss is None


# findings


BAD_FINDINGS: dict[str, tuple[Finding, str]] = {
    "an unknown method": (found("dowsing", "suction_drier", "silent"), "method"),
    "an unknown target": (found("probe_point", "left_wheel", "silent"), "target"),
    "a zone where a site belongs": (found("probe_point", "service_valves", "silent"), "target"),
    "an unknown outcome": (found("probe_point", "suction_drier", "maybe"), "outcome"),
    "a false cause of another method": (
        found("oil_point", "suction_drier", "oil", false_causes=("smoke",)),
        "false_causes",
    ),
    "a weight of a probe": (found("probe_point", "suction_drier", "silent", reading_kg=1.0), "reading_kg"),
    "more weighed than could be in": (weighed(40.0), "reading_kg"),
    "weighed while running": (
        found("weigh_charge", WHOLE, "low", Condition("running", "still", 24.0, 22.0)),
        "condition",
    ),
    "no line of sight": (found("oil_point", "shell_underside", "oil"), "cannot be made"),
    "hotter than the refrigerant's table": (
        found("probe_point", "suction_drier", "silent", Condition("standing", "still", 200.0, 22.0)),
        "condition",
    ),
}


@pytest.mark.parametrize("name", BAD_FINDINGS)
def test_a_bad_finding_is_refused_and_named(name: str) -> None:
    finding, spot = BAD_FINDINGS[name]
    job = shipped_job("ducted_split")
    with pytest.raises(InputError, match=spot):
        job.with_finding(finding, "event 4")
    assert job.findings == ()


def test_looking_at_what_is_a_fact_is_refused() -> None:
    job = shipped_job("ducted_split", circumstances={"litter_at_compressor": False})
    with pytest.raises(InputError, match="is not there; allowed: change the fact"):
        job.with_finding(found("look", "litter_at_compressor", "present"))


@pytest.mark.parametrize(
    "skip", [Skip("left_wheel", "no access"), Skip("attic", "hot", "probe_point"), Skip("yard", "dog", "dowsing")]
)
def test_a_bad_skip_is_refused(skip: Skip) -> None:
    with pytest.raises(InputError):
        shipped_job("ducted_split").with_skip(skip)


# evidence that cannot be


def infallible_looks() -> Job:
    """A job in a trade where a look at a lost cap never errs."""
    missing = CATALOGUE.exposures["cap_missing"]
    sure = structs.replace(missing, look=structs.replace(missing.look, sensitivity=1.0, specificity=1.0))
    catalogue = structs.replace(CATALOGUE, exposures={**CATALOGUE.exposures, "cap_missing": sure})
    return job_on(system(site("core", "valve_core", exposures=("cap_missing",))), catalogue)


def test_findings_that_contradict_each_other_are_refused_with_a_way_out() -> None:
    job = told(
        infallible_looks(),
        found("look", "core:cap_missing", "present"),
        found("look", "core:cap_missing", "absent"),
    )
    with pytest.raises(InputError, match="impossible") as refused:
        Belief(job)
    assert "undo the last finding" in refused.value.allowed


def test_a_leak_has_not_leaked_for_longer_than_since_it_was_tight() -> None:
    """A loss counted over three years, proved tight a year ago: refused, or a leak of today took it all in one year."""
    made = system(site("core", "valve_core", "hot_gas"))
    known: dict[str, Any] = {"tight_years_ago": 1.0, "first_charge_weighed": True}

    def lost_a_year(years: float) -> float:
        belief = Belief(job_on(made, loss={"kg": 0.4, "years": years}, **known))
        return belief.expected_g_per_year["core"] / belief.leak_probability["core"]

    try:
        over_three = lost_a_year(3.0)
    except InputError:
        return
    assert over_three == pytest.approx(lost_a_year(1.0), rel=0.05)

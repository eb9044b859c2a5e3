"""Truths: each changes what it says and nothing else; a wrong file is refused in one line."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from msgspec import structs
from numpy.typing import NDArray

from leakinfer.errors import InputError
from leakinfer.job.finding import outcome_names
from leakinfer.job.job import Job
from leakinfer.job.later import Aired
from leakinfer.planner.model import Candidate
from leakinfer.study.world import AS_BELIEVED, Truth, draw_world, load_truths, true_catalogue
from leakinfer.study.world.population import Population, Span, check_population, load_study, population_of
from tests.study.world.made import (
    BUNGALOW,
    CATALOGUE,
    STANDING,
    WIND,
    candidate,
    drawn,
    every_test,
    leaky,
    outcomes,
    prior,
    size,
    world,
)

Ints = NDArray[np.intp]
TRUTHS = load_truths()
LEAKS = {"hot_joint": [size(3e-8)], "bends": [size(1e-7), size(1e-8)], "stem": [size(1e-6)], "port_core": [size(1e-8)]}
TESTS = every_test(prior().job, ["point", "sweep", "spot"])


def levels(truth: str, tests: list[Candidate] = TESTS, count: int = 40) -> Ints:
    """(worlds, tests): the outcomes' places, in worlds with the same leaks and the same chance."""
    names = [outcome_names(CATALOGUE.methods[test.method]) for test in tests]
    found = []
    for number in range(count):
        made = world(LEAKS, number, TRUTHS[truth])
        told = (made.answer(prior().job, test, 1.0).outcome for test in tests)
        found.append([name.index(outcome) for name, outcome in zip(names, told, strict=True)])
    return np.array(found)


BELIEVED_LEVELS = levels(AS_BELIEVED)


def test_as_believed_comes_first_and_changes_nothing() -> None:
    assert next(iter(TRUTHS)) == AS_BELIEVED
    assert true_catalogue(TRUTHS[AS_BELIEVED], CATALOGUE) is CATALOGUE
    believed = TRUTHS[AS_BELIEVED]
    assert (believed.skill, believed.unlisted, believed.fouled_air) == ((), (), 0.0)


def test_weaker_detectors_never_show_more_and_sharper_never_less() -> None:
    weaker, sharper = levels("weaker_detectors"), levels("sharper_detectors")
    assert (weaker <= BELIEVED_LEVELS).all()
    assert (sharper >= BELIEVED_LEVELS).all()
    assert weaker.sum() < BELIEVED_LEVELS.sum() < sharper.sum()


def test_more_false_alarms_come_at_three_times_the_odds() -> None:
    # p becomes 3 p / (1 + 2 p); four standard deviations, false alarm 1 in 15,000
    alarm, count = CATALOGUE.methods["probe_point"].grades[0].false_alarm, 3000
    seen = outcomes(candidate("probe_point", "outlet_joint"), {}, count, truth=TRUTHS["more_false_alarms"])
    chance = 3 * alarm / (1 + 2 * alarm)
    assert abs(seen["response"] - count * chance) < 4 * math.sqrt(count * chance * (1 - chance))
    assert (levels("more_false_alarms") >= BELIEVED_LEVELS).all()


def test_careless_people_find_less_and_the_rest_as_much_as_believed() -> None:
    found = levels("correlated_operators", count=40)
    by_job = (found < BELIEVED_LEVELS).sum(1)
    assert (found <= BELIEVED_LEVELS).all()
    assert (by_job == 0).sum() > 10  # half of the people lose nothing
    assert (by_job > 3).sum() > 5  # and a quarter much


def test_careless_people_of_whom_the_job_knows_answer_the_same() -> None:
    assert np.array_equal(levels("operators_told"), levels("correlated_operators"))
    for name in ("operators_told", "correlated_operators"):
        there = draw_world("ductless_split", TRUTHS[name], 7, 0, CATALOGUE)
        assert there.start.job.facts.untried_operator == (name == "operators_told")


def test_stronger_wind_hides_leaks_outdoors_and_changes_nothing_indoors_or_in_still_air() -> None:
    outdoors = [candidate("probe_point", site, WIND) for site in ("port_core", "stem", "hot_joint")]
    indoors = [candidate("probe_point", site, WIND) for site in ("bends", "inlet_flare")]
    believed, windier = (levels(name, [*outdoors, *indoors], 150) for name in (AS_BELIEVED, "windier"))
    assert (windier <= believed).all()
    assert windier[:, :3].sum() < believed[:, :3].sum()
    assert np.array_equal(windier[:, 3:], believed[:, 3:])
    still = [candidate("probe_point", site, STANDING) for site in LEAKS]
    assert np.array_equal(levels("windier", still), levels(AS_BELIEVED, still))


def test_fouled_places_answer_everywhere_and_airing_begins_anew() -> None:
    truth = structs.replace(TRUTHS["fouled_air"], fouled_air=0.5)
    points = [candidate("probe_point", site) for site in ("port_core", "port_cap", "stem", "hot_joint", "shell_foot")]
    aired = prior().job.with_airing(Aired("yard"))
    many = [[_answering(truth, points, number, job) for number in range(60)] for job in (prior().job, aired)]
    for seen in many:
        assert 15 < sum(count >= 3 for count in seen) < 45  # half of 60, four standard deviations
        assert sum(count <= 1 for count in seen) > 15
    both = [before >= 3 and after >= 3 for before, after in zip(*many, strict=True)]
    assert 3 < sum(both) < 30  # a quarter: what hung in the air before says nothing of what does now


def _answering(truth: Truth, points: list[Candidate], number: int, job: Job) -> int:
    made = world({}, number, truth)
    return sum(made.answer(job, point, 1.0).outcome == "response" for point in points)


def test_other_rates_move_leaks_to_the_coil() -> None:
    def coil(truth: str) -> int:
        return sum(site in made.leaking for made in drawn(60, 21, TRUTHS[truth]) for site in ("bends", "tubes"))

    assert coil("other_rates") > coil(AS_BELIEVED) + 4


def test_parts_on_nobodys_list_leak_and_are_heard() -> None:
    truth = TRUTHS["missing_class"]
    unlisted = [made for made in drawn(80, 22, truth) if "stem" in made.leaking]
    assert len(unlisted) >= 3
    for made in unlisted:
        job = made.start.job
        assert job.facts.not_fitted == ("stem",)
        assert "stem" not in [site.id for site in job.sites]
        assert "stem" in made.leaking_units
    sweep = candidate("probe_sweep", "valves")
    heard = outcomes(sweep, {"stem": [size(1e-6)]}, 60, truth=truth)
    assert heard["response"] > 40


OWN = """
[[truth]]
id = "sleepy"
name = "Nobody looks closely"
unit = "1"
known = "judgement"
source = "made up"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "truths.toml"
    path.write_text(text)
    return path


def test_a_file_of_ones_own_comes_after_the_shipped_truths(tmp_path: Path) -> None:
    path = written(tmp_path, OWN + "rate50 = 10.0\nrates = { flare = 2.0 }\nmethods = ['bubbles']\n")
    truths = load_truths(path)
    assert list(truths) == [*TRUTHS, "sleepy"]
    true = true_catalogue(truths["sleepy"], CATALOGUE)
    assert true.digest != CATALOGUE.digest
    assert true.methods["bubbles"].grades[0].rate50 == 10 * CATALOGUE.methods["bubbles"].grades[0].rate50
    assert true.methods["probe_point"] == CATALOGUE.methods["probe_point"]
    assert true.components["flare"].hazard.mean == 2 * CATALOGUE.components["flare"].hazard.mean
    assert draw_world(BUNGALOW, truths["sleepy"], 1, 0, leaky()).start.number == 0


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        (OWN + "rate_50 = 2.0", "rate_50", ""),
        (OWN + "rate50 = 0.0", "rate50", "> 0"),
        (OWN + "rate50 = inf", "rate50", ""),
        (OWN + "methods = ['probe']", "methods", "probe_point"),
        (OWN + "methods = ['weigh_charge']", "methods", "probe_point"),
        (OWN + "rates = { flares = 2.0 }", "rates", "flare"),
        (OWN + "ratios = { salt = 2.0 }", "ratios", "coastal_air"),
        (OWN + "unlisted = ['elsewhere']", "unlisted", "valve_core"),
        (OWN + "skill = [1.5]", "skill", "1"),
        (OWN + "fouled_air = 2", "fouled_air", "1"),
        (OWN + OWN, "sleepy", "each id once"),
        (OWN.replace("sleepy", "as_believed"), "as_believed", "an id of its own"),
        (OWN.replace('unit = "1"', 'unit = "%"'), "unit", "factors and chances"),
        (OWN.replace('source = "made up"', ""), "source", ""),
        ("truth = []", "truth", ""),
        ("[[truth", "Expected", "TOML"),
        ("", "is empty", ""),
    ],
)
def test_a_wrong_file_is_refused_in_one_line(tmp_path: Path, text: str, key: str, allowed: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(InputError) as caught:
        load_truths(path)
    told = str(caught.value)
    assert str(path) in told
    assert key in told
    assert allowed in told
    assert "\n" not in told


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_truths(tmp_path / "nowhere.toml")


def test_a_truth_that_names_what_a_catalogue_lacks_is_refused_when_it_is_used() -> None:
    parts = {name: part for name, part in CATALOGUE.components.items() if name != "flare"}
    with pytest.raises(InputError, match="flare"):
        true_catalogue(TRUTHS["other_rates"], structs.replace(CATALOGUE, components=parts))


BASE = load_study().population


@pytest.mark.parametrize(
    ("population", "key"),
    [
        (structs.replace(BASE, age=structs.replace(BASE.age, years=Span(9.0, 5.0, 20.0))), "age: years"),
        (structs.replace(BASE, weather=structs.replace(BASE.weather, still=0.9)), "weather"),
        (structs.replace(BASE, consent=structs.replace(BASE.consent, quick=0.2)), "consent"),
        (structs.replace(BASE, refrigerant=structs.replace(BASE.refrigerant, shares={"R-22": 0.5})), "refrigerant"),
        (structs.replace(BASE, refrigerant=structs.replace(BASE.refrigerant, shares={"R-9": 1.0})), "refrigerant"),
        (structs.replace(BASE, seen=structs.replace(BASE.seen, exposures=("rust",))), "seen: exposures"),
        (structs.replace(BASE, van=structs.replace(BASE.van, missing={"ladder": 0.1})), "van: missing"),
    ],
)
def test_a_population_that_does_not_add_up_is_refused(population: Population, key: str) -> None:
    with pytest.raises(InputError, match=key):
        check_population(population, "population")


def test_each_system_has_its_own_people_where_the_file_says_so() -> None:
    assert population_of("ducted_split") == BASE
    assert population_of("rack_store:400") == population_of("rack_store") != BASE
    assert population_of("walk_in_cooler").van == BASE.van

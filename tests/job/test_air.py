"""Air full of refrigerant, in which a probe answers everywhere: against the sum over all worlds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.job.later import Aired

from .small import CATALOGUE, CLOSET, COIL, VALVES, YARD, chance, coarse, found, job_on, odds, site, system, told
from .worlds import World, detect, hidden_or_not, leaks, priors, unreachable, vapour_grams, weighed_worlds

PROBE = CATALOGUE.methods["probe_point"]
ALARM, FOULED, ANSWERS = 0.03, 0.02, 0.8  # the probe's false alarm; fouled air beforehand; P(answer | fouled air)
SIZES = np.array([1e-8, 1e-7, 1e-6])
HIDDEN = unreachable(PROBE, "return_bend")
YARDS = ("north", "east", "south")
SITES = (*YARDS, "indoors")
Seen = tuple[str, bool, int]  # site, whether it answered, how often the place was aired before


def bends() -> Job:
    """Three bends in the yard, one in the closet."""
    made = system(*(site(name, "return_bend") for name in YARDS), site("indoors", "return_bend", zone=COIL))
    return job_on(made, coarse((1e-8, 1e-6)), age_years=30.0)


def answer(job: Job, *names: str) -> Job:
    return told(job, *(found("probe_point", name, "response") for name in names))


def by_hand(job: Job, seen: Sequence[Seen], doubtful: Sequence[int]) -> dict[World, float]:
    """All worlds: four bends, each hidden or not, and for each doubtful spell of the yard clean or fouled air."""
    caught = detect(PROBE, PROBE.grades[0], vapour_grams(SIZES, 22.0))

    def likelihood(world: World) -> float:
        total = 0.0
        for foul in np.ndindex(*[2] * len(doubtful)):
            air = {spell: ANSWERS * one for spell, one in zip(doubtful, foul, strict=True)}
            weight = float(np.prod([FOULED if one else 1 - FOULED for one in foul]))
            for place, name in enumerate(SITES):
                of_site = [(answered, air.get(spell, 0.0)) for site_name, answered, spell in seen if site_name == name]
                detected = caught[world[place]]
                weight *= hidden_or_not(
                    HIDDEN, [_chance(*one, detected) for one in of_site], [_chance(*one, 0.0) for one in of_site]
                )
            total += weight
        return total

    return weighed_worlds(priors(job, *SITES), likelihood)


def _chance(answered: bool, air: float, detected: float) -> float:
    quiet = (1 - ALARM) * (1 - air) * (1 - detected)
    return 1 - quiet if answered else quiet


def assert_equal(job: Job, right: dict[World, float]) -> None:
    belief = Belief(job)
    for place, name in enumerate(SITES):
        assert belief.leak_probability[name] == pytest.approx(leaks(right, place), abs=1e-12)
    assert np.exp(belief.posterior.log_evidence) == pytest.approx(sum(right.values()), rel=1e-12)


def spells(job: Job) -> list[str]:
    return [switch.name for switch in Belief(job).model.switches if switch.name.startswith("air:")]


def test_three_answers_at_three_targets_equal_the_sum_over_worlds() -> None:
    job = bends()
    assert_equal(answer(job, *YARDS), by_hand(job, [(name, True, 0) for name in YARDS], [0]))


def test_three_answers_leave_no_site_above_what_two_independent_answers_give() -> None:
    """Each answer is then worth less, and the place is not hunted through."""
    job = bends()
    two, three = Belief(answer(job, *YARDS[:2])), Belief(answer(job, *YARDS))
    for name in YARDS:
        assert three.leak_probability[name] < two.leak_probability["north"]
    assert two.leak_probability["north"] == pytest.approx(chance(answer(job, "north"), "north"), abs=1e-12)


def test_a_fourth_silence_speaks_against_fouled_air() -> None:
    job = bends()
    after = answer(job, *YARDS).with_finding(found("probe_point", "north", "silent"))
    seen = [*((name, True, 0) for name in YARDS), ("north", False, 0)]
    assert_equal(after, by_hand(job, seen, [0]))
    assert chance(after, "east") > chance(answer(job, *YARDS), "east")


def test_the_closet_is_another_air() -> None:
    job = bends()
    after = answer(job, *YARDS, "indoors")
    assert_equal(after, by_hand(job, [*((name, True, 0) for name in YARDS), ("indoors", True, 9)], [0]))
    assert chance(after, "indoors") == pytest.approx(chance(answer(job, "indoors"), "indoors"), abs=1e-12)


BELOW: dict[str, tuple[str, ...]] = {
    "two targets": ("north", "east"),
    "two targets, one of them twice": ("north", "east", "east"),
    "three targets in two places": ("north", "east", "indoors"),
}


@pytest.mark.parametrize("name", BELOW)
def test_below_three_targets_in_a_place_nothing_changes(name: str) -> None:
    job = bends()
    after = answer(job, *BELOW[name])
    assert spells(after) == []
    assert_equal(after, by_hand(job, [(target, True, 0) for target in BELOW[name]], []))


def test_silences_count_no_towards_three() -> None:
    after = answer(bends(), "north", "east").with_finding(found("probe_point", "south", "silent"))
    assert spells(after) == []


def test_bubbles_do_not_smell_the_air() -> None:
    after = told(bends(), *(found("bubbles", name, "slow_foam") for name in YARDS))
    assert spells(after) == []


def test_after_airing_fresh_answers_count_as_they_should() -> None:
    job = bends()
    aired = answer(answer(job, *YARDS).with_airing(Aired(YARD)), "north")
    assert_equal(aired, by_hand(job, [*((name, True, 0) for name in YARDS), ("north", True, 1)], [0]))
    stale = answer(job, *YARDS, "north")
    assert odds(chance(aired, "north")) > 2 * odds(chance(stale, "north"))
    assert chance(aired, "north") > 3 * chance(aired, "east")


def test_airing_another_place_changes_nothing() -> None:
    job = bends()
    aired = answer(answer(job, *YARDS).with_airing(Aired(CLOSET)), "north")
    assert Belief(aired).leak_probability == Belief(answer(job, *YARDS, "north")).leak_probability


def test_answers_before_and_after_an_airing_are_not_added_up() -> None:
    job = bends()
    after = answer(answer(job, "north", "east").with_airing(Aired(YARD)), "south")
    assert spells(after) == []
    again = answer(answer(job, *YARDS).with_airing(Aired(YARD)), *YARDS)
    assert spells(again) == [f"air:{YARD}:0", f"air:{YARD}:1"]
    assert_equal(again, by_hand(job, [(name, True, spell) for spell in (0, 1) for name in YARDS], [0, 1]))


def test_a_sweep_counts_as_a_target() -> None:
    job = bends()
    after = answer(job, "north", "east").with_finding(found("probe_sweep", VALVES, "response"))
    assert spells(after) == [f"air:{YARD}:0"]


def test_a_place_that_is_not_there_cannot_be_aired() -> None:
    job = bends()
    with pytest.raises(InputError, match="unknown place 'cellar'") as caught:
        job.with_airing(Aired("cellar"))
    assert "\n" not in str(caught.value)
    assert job.airings == ()

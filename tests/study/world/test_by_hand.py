"""Single tests of systems whose leaks are put in by hand, against probabilities written down by hand.

Counts of independent worlds are binomial. Each is held to four standard deviations, which a true figure misses once in
15,000 tests (normal distribution); seeds are the worlds' names.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.job.finding import Finding
from leakinfer.study.world import Truth
from tests.job.worlds import detect, unreachable, vapour_grams
from tests.study.world.made import (
    BELIEVED,
    CATALOGUE,
    NITROGEN,
    RUNNING,
    STANDING,
    WIND,
    candidate,
    outcomes,
    prior,
    size,
    world,
)

PROBE, BUBBLES, SWEEP = (CATALOGUE.methods[name] for name in ("probe_point", "bubbles", "probe_sweep"))
MEDIUM, BIG = size(1e-8), size(1e-6)
SIZES = prior().rates.sizes
COUNT = 2000
CELSIUS = 22.0  # the colder of the two temperatures, where the refrigerant gathers


def standing_rate(state: int) -> float:
    """G/yr of a steady leak of vapour, standing, from the physics."""
    return float(vapour_grams(SIZES[state - 1 : state], CELSIUS)[1])


def agrees(seen: int, chance: float, count: int = COUNT) -> bool:
    """Whether a count of a binomial is within four standard deviations."""
    return abs(seen - count * chance) < 4 * math.sqrt(count * chance * (1 - chance))


def test_a_response_at_one_leaking_joint() -> None:
    # P(response) = 1 - (1 - fa)(1 - d (1 - blind))
    grade = PROBE.grades[0]
    d = float(detect(PROBE, grade, np.array(standing_rate(MEDIUM))))
    assert 0.2 < d < 0.9
    chance = 1 - (1 - grade.false_alarm) * (1 - d * (1 - unreachable(PROBE, "brazed_joint")))
    seen = outcomes(candidate("probe_point", "hot_joint"), {"hot_joint": [MEDIUM]}, COUNT)
    assert agrees(seen["response"], chance)


def test_a_tight_joint_gives_false_alarms_only() -> None:
    seen = outcomes(candidate("probe_point", "outlet_joint"), {"hot_joint": [BIG]}, COUNT)
    assert agrees(seen["response"], PROBE.grades[0].false_alarm)


def test_two_leaking_copies_hide_together_and_show_apart() -> None:
    # blind for all copies of a site at once; within reach each shows on its own
    grade, blind = PROBE.grades[0], unreachable(PROBE, "return_bend")
    d = float(detect(PROBE, grade, np.array(standing_rate(MEDIUM))))
    silent = (1 - grade.false_alarm) * (blind + (1 - blind) * (1 - d) ** 2)
    seen = outcomes(candidate("probe_point", "bends"), {"bends": [MEDIUM, MEDIUM]}, COUNT)
    assert agrees(seen["silent"], silent)


def test_bubbles_show_their_levels() -> None:
    # noisy-MAX: P(at most level) = background(at most) x leak(at most)
    state = size(3e-6)
    flow = np.array(prior().rates.throughput("suction", STANDING)[state])
    blind = unreachable(BUBBLES, "brazed_joint")
    at_least = [(1 - blind) * float(detect(BUBBLES, grade, flow)) for grade in BUBBLES.grades]
    alarms = [grade.false_alarm for grade in BUBBLES.grades]
    below = [(1 - alarm) * (1 - shown) for alarm, shown in zip(alarms, at_least, strict=True)]
    seen = outcomes(candidate("bubbles", "outlet_joint"), {"outlet_joint": [state]}, COUNT)
    assert agrees(seen["none"], below[0])
    assert agrees(seen["slow_foam"], below[1] - below[0])


def test_a_sweep_meets_all_sites_of_its_area_and_no_others() -> None:
    grade = SWEEP.grades[0]
    d = float(detect(SWEEP, grade, np.array(standing_rate(MEDIUM))))
    blinds = [unreachable(PROBE, name) for name in ("brazed_joint", "shell_underside")]
    silent = (1 - grade.false_alarm) * math.prod(1 - d * (1 - blind) for blind in blinds)
    leaks = {"hot_joint": [MEDIUM], "shell_foot": [MEDIUM], "bends": [BIG]}
    seen = outcomes(candidate("probe_sweep", "valves"), leaks, COUNT)
    assert agrees(seen["silent"], silent)


def test_a_repeat_shares_what_hides_the_spot() -> None:
    # P(silent, silent) = (1 - fa)^2 (blind + (1 - blind)(1 - d)^2); the sweep shares the probe's blind spots too
    grade, blind = PROBE.grades[0], unreachable(PROBE, "fin_tube")
    d = float(detect(PROBE, grade, np.array(standing_rate(MEDIUM))))
    test, leaks = candidate("probe_point", "tubes"), {"tubes": [MEDIUM]}
    both = 0
    for number in range(COUNT):
        made, job = world(leaks, number), prior().job
        first = made.answer(job, test, 1.0)
        second = made.answer(job.with_finding(first), test, 1.0)
        both += first.outcome == second.outcome == "silent"
    assert agrees(both, (1 - grade.false_alarm) ** 2 * (blind + (1 - blind) * (1 - d) ** 2))


def test_a_probe_misses_a_hidden_spot_in_every_way_of_using_it() -> None:
    site, count = prior().job.site("tubes"), 600
    ways = [CATALOGUE.methods[name] for name in ("probe_point", "probe_sweep", "gather", "oil_point")]
    hidden = np.array([[world({}, n).answers.hides(way, site) for way in ways] for n in range(count)])
    assert agrees(int(hidden[:, 0].sum()), unreachable(PROBE, "fin_tube"), count)
    assert (hidden[:, :3] == hidden[:, :1]).all()
    both = unreachable(PROBE, "fin_tube") * unreachable(ways[3], "fin_tube")
    assert agrees(int((hidden[:, 0] & hidden[:, 3]).sum()), both, count)


def test_what_matters_loses_a_hundredth_of_the_charge_a_year_and_more() -> None:
    # 20 g/yr of 2 kg; settings.toml: the larger of 5 g/yr and a share of 0.01
    lost = prior().rates.year("suction")
    for state in range(1, prior().rates.sizes.size + 1):
        made = world({"bends": [1, state], "stem": [1]}, 0)
        assert made.leaking == {"bends", "stem"}
        assert ("bends" in made.matters) == (lost[state] >= 20.0)
        assert made.matters_units == ({"coil"} if lost[state] >= 20.0 else set())
        assert made.leaking_units == {"coil", "stem"}


def test_tests_in_wind_share_their_day() -> None:
    # mean over the good and the bad day of the product of two silences; the wind divides the rate by 20^1.4 or 20^0.6
    grade, numbers = PROBE.grades[0], CATALOGUE.numbers
    state = size(1e-7)
    days = [PROBE.air["wind"] ** numbers[name] for name in ("air_exponent_worse", "air_exponent_better")]
    silent = 0.0
    for day in days:
        d = float(detect(PROBE, grade, np.array(standing_rate(state) / day)))
        alone = [1 - d * (1 - unreachable(PROBE, name)) for name in ("brazed_joint", "shell_underside")]
        silent += 0.5 * (1 - grade.false_alarm) ** 2 * math.prod(alone)
    leaks, both = {"hot_joint": [state], "shell_foot": [state]}, 0
    for number in range(COUNT):
        made = world(leaks, number)
        found = [made.answer(prior().job, candidate("probe_point", site, WIND), 1.0).outcome for site in leaks]
        both += found == ["silent", "silent"]
    assert agrees(both, silent)


def test_oil_shows_half_on_the_low_side_and_hangs_on_the_year() -> None:
    oil = CATALOGUE.methods["oil_look"]
    rate = prior().rates.year("suction")[MEDIUM + 4] * oil.low_side_share
    blind = unreachable(CATALOGUE.methods["oil_point"], "brazed_joint")
    silent = (1 - oil.grades[0].false_alarm) * (1 - (1 - blind) * float(detect(oil, oil.grades[0], np.array(rate))))
    for told in (STANDING, Condition("flat", "still", 24.0, 22.0)):
        seen = outcomes(candidate("oil_look", "drain_pan", told), {"outlet_joint": [MEDIUM + 4]}, COUNT)
        assert agrees(seen["no_oil"], silent)


def test_a_leak_that_opens_only_while_running_is_silent_standing() -> None:
    rates = prior().rates
    state = int(np.flatnonzero(rates.modes == 2)[-2]) + 1
    leaks = {"outlet_joint": [state]}
    standing = outcomes(candidate("probe_point", "outlet_joint", STANDING), leaks, COUNT)
    running = outcomes(candidate("probe_point", "outlet_joint", RUNNING), leaks, 400)
    assert agrees(standing["response"], PROBE.grades[0].false_alarm)
    assert running["response"] > 300


def test_looks_tell_with_their_own_reliability() -> None:
    look = CATALOGUE.exposures["flare_doubtful"].look
    test = candidate("look", "inlet_flare:flare_doubtful")
    there = outcomes(test, {}, COUNT, None, **{"inlet_flare:flare_doubtful": True})
    absent = outcomes(test, {}, COUNT)
    assert agrees(there["present"], look.sensitivity)
    assert agrees(absent["absent"], look.specificity)


def test_one_careless_person_makes_all_tests() -> None:
    # two points, each silent with 1 - s d: the mean over the skills of the product, not the product of means
    skill = (0.2, 1.0)
    truth = structs.replace(BELIEVED, skill=skill)
    d = float(detect(PROBE, PROBE.grades[0], np.array(standing_rate(BIG))))
    blinds = [unreachable(PROBE, name) for name in ("brazed_joint", "shell_underside")]
    clean = (1 - PROBE.grades[0].false_alarm) ** 2
    silent = clean * np.mean([math.prod(1 - s * d * (1 - blind) for blind in blinds) for s in skill])
    leaks, both = {"hot_joint": [BIG], "shell_foot": [BIG]}, 0
    for number in range(COUNT):
        made = world(leaks, number, truth)
        both += all(made.answer(prior().job, candidate("probe_point", s), 1.0).outcome == "silent" for s in leaks)
    assert agrees(both, float(silent))


@pytest.mark.parametrize(("method", "answers"), [("probe_point", True), ("oil_point", False)])
def test_fouled_air_answers_to_probes_only(method: str, answers: bool) -> None:
    truth: Truth = structs.replace(BELIEVED, fouled_air=1.0)
    chosen = CATALOGUE.methods[method]
    fouled = CATALOGUE.numbers["fouled_air_answer"] if answers else 0.0
    silent = (1 - chosen.grades[0].false_alarm) * (1 - fouled)
    seen = outcomes(candidate(method, "outlet_joint"), {}, COUNT, truth=truth)
    assert agrees(seen[chosen.silent], silent)


def test_a_ticked_false_cause_counts_in_truth_as_it_does_in_the_belief() -> None:
    # it was there: joined with the method's own false alarm
    job = prior().job.with_facts({"false_causes": ("smoke",)})
    cause = next(cause.false_alarm for cause in PROBE.false_causes if cause.id == "smoke")
    seen = outcomes(candidate("probe_point", "outlet_joint"), {}, COUNT, job=job)
    assert agrees(seen["silent"], (1 - PROBE.grades[0].false_alarm) * (1 - cause))


def test_what_was_done_before_changes_no_answer() -> None:
    # common random numbers: the same test on the same job, whatever came before and in whatever order
    tests = [candidate("probe_point", site) for site in ("stem", "hot_joint", "bends")]
    tests += [candidate("probe_sweep", "valves"), candidate("oil_look", "drain_pan")]
    tests.append(candidate("hold_day", "whole", NITROGEN))
    made = world({"bends": [BIG], "stem": [MEDIUM]}, "orders")

    def played(order: list[int]) -> dict[int, Finding]:
        job, found = prior().job, dict[int, Finding]()
        for place in order:
            found[place] = made.answer(job, tests[place], 2.0)
            job = job.with_finding(found[place])
        return found

    forward = played(list(range(len(tests))))
    assert forward == played(list(range(len(tests)))[::-1])
    again = {place: made.answer(prior().job, test, 2.0) for place, test in enumerate(tests)}
    assert forward == again

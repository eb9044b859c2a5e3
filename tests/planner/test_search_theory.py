"""Known results about searching for one hidden object, as far as expected information must follow them.

One object lies in one of several places, P(place) = p; a look there finds it with chance q, and never errs otherwise.
The look is a channel that only loses ones (a Z channel), so it tells H2(p q) - p H2(q) bits about its place. That grows
with p up to a value between 1/e (q to 0) and 1/2 (q = 1): below 1/e, with equal q and cost, the likeliest place tells
most, which is also the place that Chew (1967) and Kadane & Simon (1977) search first (largest p q / c).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from msgspec import structs

from leakinfer.inference import AmountTest, Item, LevelTest, Model, Observation, Table, information, local_test, solve
from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan
from tests.job.small import CATALOGUE, found, job_on, site, system, told

from .oracle import entropy

CLOSE = 1e-9
LIKELIEST = (0.34, 0.28, 0.2, 0.18)


def hidden_object(p: Sequence[float]) -> Model:
    """One place holds it: independent places with odds p, and the observation that exactly one has it."""
    weight = np.array(p) / (1 + np.array(p))  # odds w / (1 - w) = p
    items = tuple(Item(f"place {n}", np.array([1 - w, w])) for n, w in enumerate(weight))
    count = Table(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    one = AmountTest({item.name: count for item in items}, np.array([[0.0], [1.0], [0.0]]))
    return Model(items, (), (Observation(one, 0),))


def look(place: int, q: float) -> LevelTest:
    """A look at one place."""
    return local_test(f"place {place}", [[1.0, 0.0], [1 - q, q]])


def bits(model: Model, place: int, q: float) -> float:
    """What a look at a place tells of whether it is there."""
    return information(solve(model), look(place, q), [{f"place {place}": np.array([False, True])}], 1).bits


def closed_form(p: float, q: float) -> float:
    """H2(p q) - p H2(q)."""
    return entropy([p * q, 1 - p * q]) - p * entropy([q, 1 - q])


def silent(p: tuple[float, ...], place: int, q: float) -> tuple[float, ...]:
    """Bayes' rule after a look in vain."""
    left = [chance * (1 - q) if n == place else chance for n, chance in enumerate(p)]
    return tuple(chance / sum(left) for chance in left)


@pytest.mark.parametrize("q", [0.1, 0.5, 0.8, 1.0])
def test_a_look_tells_what_a_z_channel_carries(q: float) -> None:
    model = hidden_object(LIKELIEST)
    for place, p in enumerate(LIKELIEST):
        assert solve(model).marginal(f"place {place}")[1] == pytest.approx(p, abs=CLOSE)
        assert bits(model, place, q) == pytest.approx(closed_form(p, q), abs=CLOSE)


@pytest.mark.parametrize("q", [0.1, 0.5, 0.8, 1.0])
def test_with_equal_looks_the_likeliest_place_comes_first(q: float) -> None:
    told_by = [bits(hidden_object(LIKELIEST), place, q) for place in range(4)]
    assert max(LIKELIEST) < 1 / math.e
    assert told_by == sorted(told_by, reverse=True)
    assert len(set(np.round(told_by, 9))) == 4


@pytest.mark.parametrize("q", [0.3, 0.6, 0.9])
def test_searching_in_vain_follows_the_best_order_step_by_step(q: float) -> None:
    """Equal q and cost: the greatest bits are at the greatest p q, as long as no place is likelier than 1/e."""
    p: tuple[float, ...] = (0.2, 0.17, 0.15, 0.13, 0.11, 0.1, 0.08, 0.06)
    model, steps = hidden_object(p), 0
    while max(p) <= 1 / math.e and steps < 12:
        best = int(np.argmax(np.array(p) * q))
        told_by = [bits(model, place, q) for place in range(len(p))]
        assert told_by[best] == pytest.approx(max(told_by), abs=CLOSE)  # places can become equal
        model = model.observing(Observation(look(best, q), 0))
        p, steps = silent(p, best, q), steps + 1
        right = [solve(model).marginal(f"place {n}")[1] for n in range(len(p))]
        np.testing.assert_allclose(right, p, rtol=0, atol=CLOSE)
    assert steps >= 5


@pytest.mark.parametrize("p", [0.05, 0.2, 0.36])
def test_a_better_look_tells_more(p: float) -> None:
    """At one place, for one price: the look that finds more comes first (a worse look is a better one made noisy)."""
    model = hidden_object((p, 0.64 - p, 0.36))
    tells = [bits(model, 0, q) for q in (0.2, 0.5, 0.8, 1.0)]
    assert tells == sorted(tells)
    assert tells[-1] == pytest.approx(entropy([p, 1 - p]), abs=CLOSE)


# the planner itself


def equal_tubes() -> Job:
    """Four tubes alike, in one place, whose odds differ by what is known of them; only the probe at hand."""
    exposures = ("tube_rubbing", "wire_rubbing")
    made = system(*(site(f"tube_{n}", "tube_run", exposures=exposures) for n in range(4)))
    known = {f"tube_{n}:{name}": bool(n >> bit & 1) for n in range(4) for bit, name in enumerate(exposures)}
    only_probe = structs.replace(CATALOGUE, methods={"probe_point": CATALOGUE.methods["probe_point"]})
    return job_on(made, only_probe, circumstances=known, place="yard")


@pytest.mark.parametrize("findings", [(), (found("probe_point", "tube_3", "silent"),)])
def test_of_equal_tubes_the_likeliest_is_tested_first(findings: tuple[Finding, ...]) -> None:
    """Equal tests, minutes and place: those not tested yet are in the order of their chances."""
    belief = Belief(told(equal_tubes(), *findings))
    first = [t for t in make_plan(belief).next if t.repeat == 0 and t.candidate.condition.state == "standing"]
    chances = [belief.matters_probability[test.candidate.target] for test in first]
    assert len(chances) == 4 - len(findings)
    assert max(chances) <= 1 / math.e
    assert chances == sorted(chances, reverse=True)
    assert len(set(np.round(chances, 6))) == len(chances)

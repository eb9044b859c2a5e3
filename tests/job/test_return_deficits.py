"""What was missing at two visits: two sums that share the old leaks, against all worlds on a grid of 1 g."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from leakinfer.errors import InputError
from leakinfer.job import loss
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired, Return

from .byhand import CHARGE_G, added, box, point
from .small import CATALOGUE, coarse, job_on, site, system, weighed
from .worlds import World, leaks, priors, vapour_grams, weighed_worlds

Array = NDArray[np.float64]
SIZES = np.array([1e-7, 1e-6, 1e-5])
AGE, WINDOW, LATER = 8.0, 2.0, 1.5  # years: of the system, of the first loss, until the return
FIRST_KG, SECOND_KG = 0.35, 0.25
YEARLY = 0.2 * vapour_grams(SIZES, 3.0, 30.0) + 0.8 * vapour_grams(SIZES, 15.0, 15.0)  # suction line, by state
SHAPE = CATALOGUE.components["return_bend"].age.weibull
CLOSE = 1e-3  # of the shipped grid, absolute on probabilities; 3e-4 here


def two_bends() -> Job:
    """Two bends on the suction line that lost 0.35 kg in two years."""
    made = system(site("one", "return_bend"), site("two", "return_bend"))
    return job_on(made, coarse((1e-7, 1e-5)), age_years=AGE, loss={"kg": FIRST_KG, "years": WINDOW})


def returned(*, repaired: bool = False) -> Job:
    job = two_bends()
    job = job.with_repair(Repaired("one")) if repaired else job
    return job.with_return(Return(LATER, missing_kg=SECOND_KG))


def reading(kg: float) -> Array:
    """(CHARGE_G + 1,): likelihood of what was told, by grams lost: 20 % and 50 g, one in a hundred quite wrong."""
    error = math.hypot(0.2 * kg * 1000, 50.0)
    return np.asarray(0.99 * stats.norm.pdf(kg * 1000, np.arange(CHARGE_G + 1), error) + 0.01 / CHARGE_G)


def first_lost(state: int) -> Array:
    """Grams that one leak had lost at the first visit: begun before the window or within it."""
    early = ((AGE - WINDOW) / AGE) ** SHAPE
    return np.asarray(early * point(YEARLY[state] * WINDOW) + (1 - early) * box(YEARLY[state] * WINDOW))


def likelihood(world: World) -> float:
    """Old leaks of both bends, then new ones: the first loss is of the old, the second of all."""
    one, two, new_one, new_two = world
    first = first_lost(one) @ added(first_lost(two), reading(FIRST_KG))
    rest = reading(SECOND_KG)
    for table in (box(YEARLY[new_one] * LATER), box(YEARLY[new_two] * LATER), point(YEARLY[one] * LATER)):
        rest = added(table, rest)
    return float(first * (point(YEARLY[two] * LATER) @ rest))


@pytest.fixture(scope="module")
def right() -> dict[World, float]:
    plain = two_bends().with_facts({"loss": None, "first_charge_weighed": True}).with_return(Return(LATER))
    return weighed_worlds(priors(plain, "one", "two", "one@1", "two@1"), likelihood)


def worst(belief: Belief, right: dict[World, float]) -> float:
    """The largest error of P(leak) of an item, a site and the system."""
    errors = [
        belief.posterior.marginal(name)[1:].sum() - leaks(right, place)
        for place, name in enumerate(("one", "two", "one@1", "two@1"))
    ]
    errors += [belief.leak_probability["one"] - leaks(right, 0, 2), belief.any_leak - leaks(right, 0, 1, 2, 3)]
    return float(np.abs(errors).max())


def test_two_deficits_equal_the_sum_over_worlds_and_more_so_on_a_finer_grid(
    right: dict[World, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four times as fine, the error falls more than tenfold (it goes with the square of the step)."""
    shipped = Belief(returned())
    monkeypatch.setattr(loss, "CELLS_OVER_VISITS", 4 * loss.CELLS_OVER_VISITS)
    fine = Belief(returned())
    assert shipped.exact
    assert fine.exact
    assert worst(shipped, right) < CLOSE
    assert worst(fine, right) < 0.1 * worst(shipped, right)
    evidence = [math.exp(belief.posterior.log_evidence) / sum(right.values()) for belief in (shipped, fine)]
    assert evidence == pytest.approx([1.0, 1.0], abs=0.06)
    assert evidence[1] == pytest.approx(1.0, abs=0.003)


def test_a_repair_between_the_visits_keeps_the_first_loss_and_ends_the_second() -> None:
    """The repaired bend explained the first loss; what is missing again points to the other, or to a new leak."""
    plain, repaired = Belief(returned()), Belief(returned(repaired=True))
    assert repaired.leak_probability["one"] < 0.5 * plain.leak_probability["one"]
    assert repaired.leak_probability["two"] > 1.1 * plain.leak_probability["two"]


def test_nothing_missing_at_the_return_speaks_against_all_leaks() -> None:
    unknown, full = (Belief(two_bends().with_return(Return(LATER, missing_kg=kg))) for kg in (None, 0.0))
    assert full.any_that_matters() < 0.5 * unknown.any_that_matters()


def test_a_loss_after_a_visit_that_was_not_recharged_is_refused() -> None:
    job = two_bends()
    with pytest.raises(InputError, match=r"return: missing_kg: .* was not put right") as caught:
        job.with_return(Return(1.0, recharged=False, missing_kg=0.2))
    assert "\n" not in str(caught.value)
    assert job.returns == ()


def test_nor_can_its_charge_be_weighed() -> None:
    job = two_bends().with_return(Return(1.0, recharged=False))
    with pytest.raises(InputError, match="charge was not put right"):
        job.with_finding(weighed(1.5))


@pytest.mark.parametrize("kg", [2.5, 4.9])
def test_more_missing_than_was_in_is_refused(kg: float) -> None:
    job = two_bends()
    with pytest.raises(InputError, match=f"{kg:g} kg missing from a charge of 2 kg"):
        job.with_return(Return(1.0, missing_kg=kg))
    assert job.returns == ()

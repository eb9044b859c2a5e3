"""The belief of a job against the same job written out by hand from facts to posterior."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from leakinfer.job import loss, priors
from leakinfer.job.belief import Belief

from . import byhand

MEMBERS = {"core": (0,), "joints": (1, 2), "drier": (3,)}  # where each site stands in the states written by hand


@cache
def by_hand() -> tuple[dict[tuple[int, ...], float], float]:
    return byhand.posterior()


def refined(monkeypatch: pytest.MonkeyPatch) -> Belief:
    """The belief with its three approximations made fine: cells of the loss, beginnings of leaks, hazard ratios."""
    monkeypatch.setattr(loss, "CELLS_PER_ERROR", 30)
    monkeypatch.setattr(loss, "MOST_CELLS", 2000)
    monkeypatch.setattr(loss, "ONSET_POINTS", 100)
    monkeypatch.setattr(priors, "RATIO_NODES", 24)
    return Belief(byhand.the_job())


def marginal(name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(states,): the state of the site's first copy."""
    table = np.zeros(byhand.STATES)
    for states, weight in by_hand()[0].items():
        table[states[MEMBERS[name][0]]] += weight
    return table


def any_leak(name: str) -> float:
    return sum(w for states, w in by_hand()[0].items() if any(states[place] for place in MEMBERS[name]))


def test_evidence_equals_the_one_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    assert refined(monkeypatch).posterior.log_evidence == pytest.approx(math.log(by_hand()[1]), abs=2e-4)


@pytest.mark.parametrize("name", MEMBERS)
def test_states_equal_those_by_hand(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    np.testing.assert_allclose(refined(monkeypatch).posterior.marginal(name), marginal(name), rtol=0, atol=1e-4)


@pytest.mark.parametrize("name", MEMBERS)
def test_shipped_approximations_move_a_leak_by_less_than_one_thousandth(name: str) -> None:
    assert Belief(byhand.the_job()).leak_probability[name] == pytest.approx(any_leak(name), abs=1e-3)


def test_by_hand_is_a_distribution_that_the_findings_have_moved() -> None:
    worlds = by_hand()[0]
    assert sum(worlds.values()) == pytest.approx(1.0, abs=1e-12)
    assert any_leak("core") > 1.3 * byhand.prior("core", 1.0, False)[1:].sum()

"""The posterior of 40 items against pyAgrum's exact inference on hand-made chains."""

from __future__ import annotations

import numpy as np
import pytest

from leakinfer.inference import AmountTest, Item, LevelTest, Model, Observation, Switch, Table, solve, split_amounts

from .peer_agrum import Peer

CLOSE = 1e-8
# First item and length of six windows over 40 items, two to three deep.
WINDOWS = ((0, 11), (5, 13), (11, 9), (16, 12), (22, 14), (27, 13))


def long_row(rng: np.random.Generator, counted: bool = True) -> Model:
    """40 items of three states, some counted, every fifth with a prior that depends on a shared switch."""
    items = []
    for place in range(40):
        shared = ("workmanship",) if place % 5 == 0 else ()
        leak = rng.uniform(0.01, 0.08, (2, 2)) if shared else rng.uniform(0.01, 0.08, 2)
        prior = np.concatenate([1 - leak.sum(-1, keepdims=True), leak], -1)
        items.append(Item(f"item{place}", prior, shared, 1 + int(counted and place % 7 == 3)))
    return Model(tuple(items), (Switch("workmanship", np.array([0.7, 0.3])), Switch("wind", np.array([0.6, 0.4]))))


def window(rng: np.random.Generator, first: int, length: int, levels: int) -> LevelTest:
    """A graded any-of test of neighbours; what the first of them shows depends on the wind."""
    emit = {}
    for place in range(first, first + length):
        shared = ("wind",) if place == first else ()
        rows = rng.dirichlet(np.linspace(1, 2, levels), (2, 3) if shared else (3,))
        rows[..., 0, :] = np.eye(levels)[0]  # a tight item shows nothing
        emit[f"item{place}"] = Table(rows, shared)
    background = np.array([0.97, *np.full(levels - 1, 0.03 / (levels - 1))])
    return LevelTest(background, emit)


def assert_equals_peer(model: Model) -> None:
    """Evidence, switches and all marginals equal pyAgrum's."""
    found, peer = solve(model), Peer(model)
    assert found.exact
    assert abs(found.log_evidence - peer.log_evidence) <= CLOSE
    for item in model.items:
        np.testing.assert_allclose(found.marginal(item.name), peer.marginal(item.name), rtol=0, atol=CLOSE)
    for switch in model.switches:
        np.testing.assert_allclose(found.switch(switch.name), peer.switch(switch.name), rtol=0, atol=CLOSE)


@pytest.mark.parametrize(("seed", "levels"), [(1, 2), (2, 2), (3, 3)])
def test_six_overlapping_responses_and_silences(seed: int, levels: int) -> None:
    rng = np.random.default_rng(seed)
    model = long_row(rng)
    responses = [Observation(window(rng, *place, levels), levels - 1) for place in WINDOWS]
    silences = [Observation(window(rng, first, 9, levels), 0) for first in (2, 13, 24, 30)]
    order = rng.permutation(10)
    assert_equals_peer(model.observing(*([*responses, *silences][place] for place in order)))


@pytest.mark.parametrize("seed", [4, 5])
def test_a_loss_with_three_responses(seed: int) -> None:
    """A sum over all items in 12 cells, read with an error of 1.5 cells, with three overlapping responses."""
    rng = np.random.default_rng(seed)
    model = long_row(rng, counted=False)
    spread = {item.name: Table(split_amounts(np.array([0, *rng.uniform(0.3, 7, 2)]), 1.0, 12)) for item in model.items}
    reading = np.exp(-0.5 * ((np.arange(12) - 5.2) / 1.5) ** 2)[:, None]
    seen = [Observation(window(rng, *place, 2), 1) for place in WINDOWS[1:4]]
    assert_equals_peer(model.observing(Observation(AmountTest(spread, reading), 0), *seen))


def test_two_sections_with_their_own_loss() -> None:
    """Two sums over halves that meet, in 5 and 6 cells, and a response across the border."""
    rng = np.random.default_rng(6)
    model = long_row(rng)
    halves = []
    for first, last, cells in ((0, 22, 5), (18, 40, 6)):
        rows = {f"item{n}": Table(rng.dirichlet(np.full(cells, 0.4), 3)) for n in range(first, last, 2)}
        halves.append(Observation(AmountTest(rows, rng.uniform(0.01, 3, (cells, 1))), 0))
    assert_equals_peer(model.observing(*halves, Observation(window(rng, 14, 12, 2), 1)))

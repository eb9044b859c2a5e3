"""What the checks share: settings of the property-based ones, and the comparison of an answer with enumeration."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st

from leakinfer.inference import Model, solve

from .enumeration import solve_by_enumeration
from .random_models import random_masks

SEEDS = st.integers(0, 2**32 - 1)
CLOSE = 1e-9  # absolute on probabilities, relative on the evidence


def steady(examples: int) -> settings:
    """Settings that run the same examples every time."""
    return settings(max_examples=examples, derandomize=True, deadline=None, database=None)


def assert_equals_enumeration(model: Model, seed: int) -> None:
    """Every answer about ``model`` equals the sum over its worlds; ``seed`` picks the masks that are asked for."""
    rng = np.random.default_rng(seed)
    found, right = solve(model), solve_by_enumeration(model)
    assert found.exact
    assert abs(found.log_evidence - math.log(right.evidence)) <= CLOSE
    for item in model.items:
        mask = rng.random(item.states) < 0.5
        np.testing.assert_allclose(found.marginal(item.name), right.marginal(item.name), rtol=0, atol=CLOSE)
        assert abs(found.any_copy(item.name, mask) - 1 + right.probability_none({item.name: mask})) <= CLOSE
    for switch in model.switches:
        np.testing.assert_allclose(found.switch(switch.name), right.switch(switch.name), rtol=0, atol=CLOSE)
    for quiet in (False, True, False):
        masks = random_masks(rng, model, quiet)
        assert abs(found.probability_none(masks) - right.probability_none(masks)) <= CLOSE

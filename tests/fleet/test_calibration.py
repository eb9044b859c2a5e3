"""From an invented life to learned numbers, a few small fleets; ``tests/bench/calibration.py`` is the long one."""

from __future__ import annotations

import numpy as np
import pytest

from leakinfer.fleet.sampling import Effort
from tests.bench.calibration import one_fleet, plan_of
from tests.bench.ranks import expected_inside, summary

FLEETS = 4
CLASSES = ("flare", "return_bend", "valve_core")


@pytest.mark.slow
def test_truths_lie_where_the_posterior_says() -> None:
    """Truths drawn from the priors, four fleets: of all 95 % intervals as many as independent ones would hold it.

    False alarms: 1 in 1,000 for the intervals (some more, since those of one fleet hang together), 8 in 1,000 for the
    joint log-likelihoods.
    """
    effort = Effort(chains=2, tune=500, draws=500, cores=2)
    fleets = [one_fleet(200 + number, plan_of(400, CLASSES), effort) for number in range(FLEETS)]
    kinds = summary([{name: np.asarray(share) for name, share in fleet.shares.items()} for fleet in fleets])
    every = kinds["all"]
    assert every.inside >= expected_inside(every.count, false_alarm=0.002)[0]
    joint = [fleet.shares["log_likelihood"][0] for fleet in fleets]
    assert all(0.001 < share < 0.999 for share in joint)
    assert sum(fleet.leaks for fleet in fleets) > 50

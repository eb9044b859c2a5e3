"""All worlds of a few single sites in plain Python: a prior for each state, a likelihood written by hand, one sum.

The priors come from a job in which nothing was found yet (they are held against hand-written ones elsewhere), flows
through one hole from the physics.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Grade, Method
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.physics.flow import gas_throughput, leak_rate
from leakinfer.physics.properties import load_properties

Array = NDArray[np.float64]
World = tuple[int, ...]
Likelihood = Callable[[World], float]

YEAR_G = 365.25 * 86400 * 1000  # g/yr for each kg/s
FLUID = load_properties().fluid("R-410A")
AIR_PA = 101325.0


def priors(job: Job, *names: str) -> list[Array]:
    """(states,) of each of these items, in a job without findings."""
    belief = Belief(job)
    return [belief.posterior.marginal(name) for name in names]


def weighed_worlds(tables: Sequence[Array], likelihood: Likelihood) -> dict[World, float]:
    """By the states of all items, prior times likelihood; not divided by the evidence."""
    weights = {}
    for world in product(*(range(table.size) for table in tables)):
        prior = float(np.prod([table[state] for table, state in zip(tables, world, strict=True)]))
        weights[world] = prior * likelihood(world)
    return weights


def leaks(weights: dict[World, float], *places: int) -> float:
    """P(a leak at any of these places in the worlds)."""
    hit = sum(weight for world, weight in weights.items() if any(world[place] for place in places))
    return hit / sum(weights.values())


def vapour_grams(sizes: Array, celsius: float, outdoor_c: float = 24.0) -> Array:
    """(1 + sizes,): g/yr of R-410A vapour saturated at ``celsius``; state 0 is tight."""
    rate = leak_rate(sizes, FLUID, FLUID.dew_pressure(celsius + 273.15), AIR_PA, outdoor_c + 273.15, "vapour")
    return np.concatenate([[0.0], rate * YEAR_G])


def nitrogen_flow(sizes: Array, test_kpa: float, outdoor_c: float = 24.0) -> Array:
    """(1 + sizes,): Pa m3/s of nitrogen at 20 C from a gauge pressure to the air; state 0 is tight."""
    nitrogen = load_properties().fluid("nitrogen")
    flow = gas_throughput(sizes, nitrogen, test_kpa * 1e3 + AIR_PA, AIR_PA, outdoor_c + 273.15)
    return np.concatenate([[0.0], flow])


def detect(method: Method, grade: Grade, rate: Array, factor: float = 1.0) -> Array:
    """P(at least this grade | rate): (1 - lapse) / (1 + (rate50 / rate)^slope), nothing for nothing."""
    power = np.asarray(rate, dtype=float) ** grade.slope
    return np.asarray(factor * (1 - method.lapse) * power / (power + grade.rate50**grade.slope))


def unreachable(method: Method, component: str) -> float:
    """Chance that a site of a class hides from a method."""
    technique = method.techniques.get(component)
    if technique is None or technique.unreachable is None:
        return method.unreachable
    return technique.unreachable


def hidden_or_not(hidden: float, factors: Sequence[float], when_hidden: Sequence[float]) -> float:
    """A site's tests together: in reach each by its own factor, hidden each as if nothing leaked."""
    return float((1 - hidden) * np.prod(factors) + hidden * np.prod(when_hidden))

"""Posterior predictive checks: what the fitted model expects of the figures that it was fitted to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.learned import PredictiveCheck
from leakinfer.fleet.ops import numpy_ops
from leakinfer.fleet.rates.data import HazardData
from leakinfer.fleet.rates.likelihood import Expected, expected, factors
from leakinfer.fleet.rates.priors import HazardPriors
from leakinfer.fleet.sampling import Array

MOST_DRAWS = 400
MOST_LEAKS = 3  # systems with so many leaks of workmanship or more are counted together


def each_draw(
    values: Mapping[str, Array], fixed: Mapping[str, Any], most: int = MOST_DRAWS
) -> Iterator[dict[str, Any]]:
    """The values of draws spread evenly over a sample, with what the model leaves fixed."""
    count = len(next(iter(values.values())))
    for draw in np.linspace(0, count - 1, min(most, count)).astype(int):
        yield {**fixed, **{name: array[draw] for name, array in values.items()}}


def checks(
    draws: Sequence[Mapping[str, Any]], data: HazardData, priors: HazardPriors, seed: int
) -> tuple[PredictiveCheck, ...]:
    """Leaks found by class, age, type, circumstance, missed ones, those without a place, systems with several."""
    rng = np.random.default_rng(seed)
    means, shares, several, bare = [], [], [], []
    for values in draws:
        reached = expected(numpy_ops(), values, data, priors)
        lifted, counted = _lifted(rng, values, data, priors, reached)
        means.append(lifted)
        several.append(counted)
        shares.append(reached.old / np.maximum(reached.cell, 1e-300))
        bare.append(reached.type.sum() * (1 - values["placed"]) / values["placed"])
    found = [
        check
        for group, names, member in _groups(data, priors)
        for check in _counts(group, names, member @ data.found, np.array(means) @ member.T)
    ]
    found += _missed(rng, data, np.array(shares))
    if priors.placed is not None:
        found += _counts("without_a_place", ["all"], np.array([data.unplaced.sum()]), np.array(bare)[:, None])
    return (*found, *_several(data, np.array(several)))


def _lifted(
    rng: np.random.Generator, values: Mapping[str, Any], data: HazardData, priors: HazardPriors, reached: Expected
) -> tuple[Array, Array]:
    """(F,) expected leaks with the workmanship of fresh installations, and (MOST_LEAKS,) systems with so many leaks."""
    groups = data.groups
    lift, counted = np.ones(len(priors.types)), np.zeros(MOST_LEAKS)
    if groups.type.size:
        nodes = factors(numpy_ops(), values, data)
        weights = _weights(nodes.shape[1])
        amount = groups.expected * (reached.workmanship / np.maximum(groups.type_expected, 1e-300))[groups.type]
        group = np.repeat(np.arange(groups.type.size), groups.systems.astype(int))
        factor = np.exp(nodes[group, rng.choice(nodes.shape[1], size=group.size, p=weights)])
        sums = [np.bincount(groups.type[group], w, len(priors.types)) for w in (factor * amount[group], amount[group])]
        lift = np.where(sums[1] > 0, sums[0] / np.maximum(sums[1], 1e-300), 1.0)
        leaks = rng.poisson(factor * amount[group])
        counted = np.bincount(np.minimum(leaks, MOST_LEAKS), minlength=MOST_LEAKS + 1)[1:].astype(float)
    shared = priors.workmanship[data.cell_component]
    return np.asarray(reached.cell * np.where(shared, lift[data.cell_type], 1.0)), counted


def _weights(nodes: int) -> Array:
    weights: Array = np.polynomial.hermite_e.hermegauss(nodes)[1]
    return np.asarray(weights / weights.sum())


def _groups(data: HazardData, priors: HazardPriors) -> Iterator[tuple[str, list[str], NDArray[np.float64]]]:
    """Name of a group of checks, what each checks, and (checks, F) which cells belong to it."""
    bands = [f"{low:g} to {high:g} years" for low, high in zip(data.edges, data.edges[1:], strict=False)]
    for group, names, place in (
        ("found_by_class", list(priors.classes), data.cell_component),
        ("found_by_age", bands, data.cell_band),
        ("found_by_type", list(priors.types), data.cell_type),
    ):
        yield group, names, (np.arange(len(names))[:, None] == place[None, :]).astype(float)
    yield "found_by_circumstance", list(priors.exposures), data.present[data.cell_around].T


def _counts(group: str, names: Sequence[str], observed: Array, means: Array) -> list[PredictiveCheck]:
    """Counts against Poisson counts with (draws, checks) means."""
    from scipy.stats import poisson

    found = []
    for place, name in enumerate(names):
        mean, seen = means[:, place], observed[place]
        if mean.max() <= 0:
            continue
        low, high = poisson.cdf(seen, mean).mean(), poisson.sf(seen - 1, mean).mean()
        drawn = _interval(lambda share, mean=mean: poisson.ppf(share, mean))
        found.append(_check(group, name, seen, mean.mean(), drawn, 2 * min(low, high)))
    return found


def _interval(quantile: Any) -> tuple[float, float]:
    """Central 95 % of a mixture, taken as the mean of its parts' bounds."""
    return float(np.mean(quantile(0.025))), float(np.mean(quantile(0.975)))


def _missed(rng: np.random.Generator, data: HazardData, shares: Array) -> list[PredictiveCheck]:
    """Leaks that a visit had missed, of those of which it is known."""
    if not data.known_before.sum():
        return []
    known = data.known_before.astype(int)
    drawn = rng.binomial(known, np.clip(shares, 0, 1)).sum(axis=1)
    return [_by_normal("missed_before", "all", data.before.sum(), drawn)]


def _several(data: HazardData, drawn: Array) -> list[PredictiveCheck]:
    """Systems by their number of leaks of workmanship."""
    groups = data.groups
    if not groups.type.size:
        return []
    seen = [float(groups.systems[groups.leaks == few].sum()) for few in range(1, MOST_LEAKS)]
    seen.append(float(groups.systems[groups.leaks >= MOST_LEAKS].sum()))
    names = [*(f"{few} found" for few in range(1, MOST_LEAKS)), f"{MOST_LEAKS} or more found"]
    return [_by_normal("systems_with", name, seen[n], drawn[:, n]) for n, name in enumerate(names)]


def _by_normal(group: str, name: str, seen: float, drawn: Array) -> PredictiveCheck:
    """A sum of many chances: its tail is taken from a normal of the replicates' mean and spread."""
    from scipy.stats import norm

    spread = max(float(drawn.std()), 0.5)
    distance = max(abs(seen - float(drawn.mean())) - 0.5, 0.0) / spread
    low, high = np.quantile(drawn, [0.025, 0.975])
    return _check(group, name, seen, float(drawn.mean()), (float(low), float(high)), 2 * float(norm.sf(distance)))


def _check(group: str, name: str, seen: float, mean: float, bounds: tuple[float, float], p: float) -> PredictiveCheck:
    return PredictiveCheck(name, group, float(seen), float(mean), *bounds, p=float(min(p, 1.0)))


def failed(found: Sequence[PredictiveCheck], least_p: float) -> list[PredictiveCheck]:
    """Checks below ``least_p`` after Bonferroni's correction over their group."""
    size = {check.group: 0 for check in found}
    for check in found:
        size[check.group] += 1
    return [check for check in found if check.p < least_p / size[check.group]]

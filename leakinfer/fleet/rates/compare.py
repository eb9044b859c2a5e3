"""Do the learned priors foretell later years better than the shipped ones, or than bare counts? By log score."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from leakinfer.fleet.cells.model import Cells
from leakinfer.fleet.ops import numpy_ops
from leakinfer.fleet.rates.data import HazardData, data_of
from leakinfer.fleet.rates.learn import Fit
from leakinfer.fleet.rates.likelihood import expected
from leakinfer.fleet.rates.model import HazardModel
from leakinfer.fleet.rates.predictive import MOST_DRAWS, each_draw
from leakinfer.fleet.rates.priors import HazardPriors
from leakinfer.fleet.sampling import Array


@dataclass(frozen=True)
class Scores:
    """Log scores (nats, the higher the better) of the leaks found in held-out cells.

    ``over_shipped`` and ``over_counts``: by how many of its standard errors, cell by cell, the learned one is better.
    """

    cells: int
    leaks: int
    learned: float
    shipped: float
    counts: float
    over_shipped: float
    over_counts: float


def compare(fit: Fit, earlier: Cells, later: Cells, seed: int) -> Scores:
    """Score the leaks found in ``later`` by a fit to ``earlier``, by the priors before it, and by counts per class.

    Example:
        >>> from leakinfer import compare_priors
        >>> scores = compare_priors(fit, earlier, later, seed=1)  # fitted as fit_cells shows
        >>> scores.leaks > 0, scores.learned < 0
        (True, True)
    """
    priors = fit.priors
    data = data_of(later, priors.classes, priors.exposures, priors.types)
    ours = _mixture(each_draw(fit.sample.values, fit.model.fixed), data, priors)
    shipped = _mixture(prior_draws(fit.model, seed), data, priors)
    bare = _bare_counts(earlier, data, priors)
    return Scores(
        cells=data.found.size,
        leaks=data.leaks,
        learned=float(ours.sum()),
        shipped=float(shipped.sum()),
        counts=float(bare.sum()),
        over_shipped=_in_errors(ours - shipped),
        over_counts=_in_errors(ours - bare),
    )


def _in_errors(difference: Array) -> float:
    return float(difference.sum() / (difference.std(ddof=1) * np.sqrt(difference.size)))


def prior_draws(model: HazardModel, seed: int, count: int = MOST_DRAWS) -> Iterable[dict[str, Any]]:
    """Draws of all values from the model's priors."""
    import pymc as pm

    from leakinfer.fleet.sampling import compiled_by_numba

    names = [variable.name for variable in (*model.model.free_RVs, *model.model.deterministics)]
    with compiled_by_numba():
        drawn = pm.draw([model.model[name] for name in names], draws=count, random_seed=seed)
    return each_draw(dict(zip(names, map(np.asarray, drawn), strict=True)), model.fixed, count)


def _mixture(draws: Iterable[Mapping[str, Any]], data: HazardData, priors: HazardPriors) -> Array:
    """(F,) log of the mean Poisson chance of each cell's leaks."""
    from scipy.special import gammaln, logsumexp

    terms = []
    for values in draws:
        mean = np.maximum(expected(numpy_ops(), values, data, priors).cell, 1e-300)
        terms.append(data.found * np.log(mean) - mean - gammaln(data.found + 1))
    return np.asarray(logsumexp(np.array(terms), axis=0) - np.log(len(terms)))


def _bare_counts(earlier: Cells, data: HazardData, priors: HazardPriors) -> Array:
    """(F,) log chance by leaks over component-years of each class, with Jeffreys' half leak: negative binomial."""
    from scipy.stats import nbinom

    before = data_of(earlier, priors.classes, priors.exposures, priors.types)
    count = len(priors.classes)
    leaks = np.bincount(before.cell_component, before.found, count) + 0.5
    years = np.maximum(np.bincount(before.cell_component, before.years, count), 1e-9)
    there = np.maximum(data.years, 1e-9)
    time = years[data.cell_component]
    return np.asarray(nbinom.logpmf(data.found, leaks[data.cell_component], time / (time + there)))

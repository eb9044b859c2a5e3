"""The PyMC model of how well methods do, from trials of which the truth is mostly unknown (a latent-class model).

A tested site leaks with the prevalence p of its class. A leak has a size, so a rate r; one test of a method responds

    at a tight site, or where the spot is blind:  f          (false alarm)
    at a leak:                                    q(r) = 1 - (1 - f) (1 - (1 - lapse) / (1 + (rate50 / r)^slope)).

A spot is blind for a method with the chance u, times a multiple that is known by class, and all tests of the method
there at one visit share that: repeats are not independent. Given site, size and blind spots, tests are independent.
With k responses in n tests, a method brings  (1 - u) q^k (1 - q)^(n - k) + u f^k (1 - f)^(n - k)  at a leak and
f^k (1 - f)^(n - k)  at a tight site. Truth, size and blind spots are summed out exactly.

The truth is written down with chances of their own, that of a leak l, that of a tight site t, each by whether any test
responded: a leak that answers is opened up more readily, and to take the known ones for a fair sample would flatter the
methods (verification bias: Begg & Greenes, Biometrics 39 (1983) 207-215, from memory). Only leaks that are large enough
to be found are ever confirmed, and the loss of one that is large enough to be measured is with chance m. The others
stay where they are, so w times more of them are met than begin (w lognormal); sizes are otherwise those that begin.

A model of two unnamed classes has a mirrored twin, in which leak and tight change places and methods alarm falsely more
often than they detect. Here it does not exist: q >= f for every rate by the form of q, and f = half / 2 with half in
(0, 1), so that no method alarms at a tight site more often than not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from leakinfer.catalogue.learned import LearnedMethod
from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.model import Cells
from leakinfer.fleet.methods.data import Index, TrialData, names_in, trial_data
from leakinfer.fleet.methods.priors import HALF, PerformancePriors, performance_priors
from leakinfer.fleet.ops import Ops, tensor_ops
from leakinfer.fleet.sampling import Array, Effort, Sample, sample_well
from leakinfer.fleet.settings import FleetSettings

LEAST = 1e-300  # of a probability, before its logarithm


def performance_model(priors: PerformancePriors, data: TrialData) -> Any:
    """The ``pymc.Model`` of the trials.

    Variables and deterministics: ``false_alarm``, ``lapse``, ``unreachable``, ``rate50``, ``slope`` (M,),
    ``prevalence`` (C,), ``small_times``, and where any truth is known ``written_leak``, ``written_tight`` (2,) and
    ``measured``.
    """
    import pymc as pm

    with pm.Model() as model:
        values = _methods(priors) | _sites(priors, data)
        for name, value in values.items():
            if name not in model.named_vars and not isinstance(value, np.ndarray | float):
                pm.Deterministic(name, value)
        pm.Potential("log_likelihood", log_likelihood(tensor_ops(), values, data, priors))
    return model


def _methods(priors: PerformancePriors) -> dict[str, Any]:
    import pymc as pm

    count = len(priors.methods)
    alarm = pm.Beta("false_alarm_half", priors.false_alarm_a, priors.false_alarm_b, shape=count)
    blind: Any = np.zeros(count)
    if priors.unreachable_a is not None:
        blind = pm.Beta("unreachable", priors.unreachable_a, priors.unreachable_b, shape=count)
    return {
        "false_alarm": HALF * alarm,
        "lapse": pm.Beta("lapse", priors.lapse_a, priors.lapse_b, shape=count),
        "unreachable": blind,
        "rate50": _lognormal("rate50_z", priors.rate50, priors.rate50_log_sd),
        "slope": _lognormal("slope_z", priors.slope, priors.slope_log_sd),
    }


def _lognormal(name: str, median: Array, log_sd: float) -> Any:
    """(M,) lognormal numbers, or the medians where nothing is spread."""
    import pymc as pm

    return median * pm.math.exp(log_sd * pm.Normal(name, shape=median.size)) if log_sd else median


def _sites(priors: PerformancePriors, data: TrialData) -> dict[str, Any]:
    import pymc as pm

    a, b = priors.written.a, priors.written.b
    values: dict[str, Any] = {"written_leak": np.zeros(2), "written_tight": np.zeros(2), "measured": 0.0}
    there = priors.prevalence
    values["prevalence"] = pm.Beta("prevalence", there.a, there.b, shape=len(priors.classes))
    values["small_times"] = 1.0
    if priors.small_log_sd:
        values["small_times"] = pm.LogNormal("small_times", 0.0, priors.small_log_sd)
    if data.written:
        values["written_leak"] = pm.Beta("written_leak", a, b, shape=2)
        values["written_tight"] = pm.Beta("written_tight", a, b, shape=2)
        values["measured"] = pm.Beta("measured", a, b)
    return values


def chances(ops: Ops, values: Mapping[str, Any], data: TrialData, priors: PerformancePriors) -> Any:
    """(G, N + 1) chance of the answers of each group from a leak of each size, in the last column from a tight site.

    ``ops`` and ``values`` of numpy or of PyTensor.
    """
    method = data.curve_method
    alarm, lapse = values["false_alarm"][method][:, None], values["lapse"][method][:, None]
    log50, slope = ops.log(values["rate50"])[method][:, None], values["slope"][method][:, None]
    log_rate = priors.log_rate[data.curve_refrigerant, method]  # (V, N)
    seen = (1 - lapse) / (1 + ops.exp(slope * (log50 - log_rate)))
    silent = (1 - alarm) * ops.concatenate([1 - seen, np.ones((method.size, 1))], axis=1)  # (V, N + 1)
    curve, hits, misses = data.factor_curve, data.hits[:, None], (data.tests - data.hits)[:, None]
    plain = ops.exp(hits * ops.log1p(-silent)[curve] + misses * ops.log(silent)[curve])  # (K, N + 1)
    blind = 1 - ops.maximum(1 - values["unreachable"][method[curve]] * data.blind, 0.0)[:, None]
    factors = plain + blind * (plain[:, -1:] - plain)
    return _products(ops.concatenate([factors, np.ones((1, priors.shares.shape[1] + 1))], axis=0), data)


def _products(factors: Any, data: TrialData) -> Any:
    """(G, ...) product of the factors of each group; the last of ``factors`` is one and fills up."""
    first, second = (_along(factors, half) for half in data.halves)
    return first[data.left] if second is None else first[data.left] * second[data.right]


def _along(factors: Any, half: Index) -> Any:
    """Product of the factors in each row of a half; None where it has no places."""
    found = None
    for place in half.T:
        found = factors[place] if found is None else found * factors[place]
    return found


def log_likelihood(ops: Ops, values: Mapping[str, Any], data: TrialData, priors: PerformancePriors) -> Any:
    """The joint log-likelihood of all trials, without the constants that no value changes."""
    seen = chances(ops, values, data, priors)
    there = values["prevalence"][data.component]
    hidden = (priors.shares - priors.findable).sum(axis=1)[data.component]
    leak = there / (1 + (values["small_times"] - 1) * hidden)  # (G,) a fresh leak's share counts so much
    rows, kind = data.rows, data.rows.truth * 2 + data.rows.responded
    sums = _parts(values, seen, data, priors)
    parts = (*(leak * part for part in sums), (1 - there) * seen[:, -1])
    pairs = zip(parts, _weights(ops, values), strict=True)
    chance = sum(part[rows.group] * weight[kind] for part, weight in pairs)
    total = (rows.times * ops.log(ops.maximum(chance, LEAST))).sum()
    if data.measured.times.size:
        rows = data.measured
        written = (values["measured"] * values["written_leak"])[rows.responded]
        chance = leak[rows.group] * written * seen[rows.group, rows.bin]
        total = total + (rows.times * ops.log(ops.maximum(chance, LEAST))).sum()
    return total


def _parts(values: Mapping[str, Any], seen: Any, data: TrialData, priors: PerformancePriors) -> tuple[Any, ...]:
    """Three times (G,): chance of a group's answers together with a leak that can be found, with a smaller one, and
    with one that can be measured."""
    hidden = priors.shares - priors.findable
    findable, small, measurable = (
        _over_sizes(seen, weights, data.component) for weights in (priors.findable, hidden, priors.measurable)
    )
    return findable, values["small_times"] * small, measurable


def _over_sizes(seen: Any, weights: Array, component: Index) -> Any:
    """(G,) sum over the sizes, of which only the bins with any weight are touched."""
    some = np.flatnonzero(weights.any(axis=0))
    if not some.size:
        return 0.0 * seen[:, 0]
    bins = slice(int(some[0]), int(some[-1]) + 1)
    return (seen[:, bins] * weights[component, bins]).sum(axis=1)


def _weights(ops: Ops, values: Mapping[str, Any]) -> tuple[Any, ...]:
    """Four times (6,): what each part counts, for each of the ``TRUTHS``, each without and with a response."""
    leak, tight, none = values["written_leak"], values["written_tight"], np.zeros(2)
    return (
        ops.concatenate([1 - leak, none, leak]),
        np.repeat([1.0, 0.0, 0.0], 2),
        ops.concatenate([none, none, -leak * values["measured"]]),
        ops.concatenate([1 - tight, tight, none]),
    )


@dataclass(frozen=True, eq=False)
class MethodFit:
    """A fitted model of the methods, with what it was fitted to and what it says of each method that was tried."""

    priors: PerformancePriors
    data: TrialData
    sample: Sample
    learned: tuple[LearnedMethod, ...]


def fit_methods(
    cells: Cells, catalogue: Catalogue, settings: FleetSettings, seed: int, effort: Effort | None = None
) -> MethodFit | None:
    """Fit the methods to the trials of cells; None where no test was written down."""
    methods, classes, refrigerants = names_in(cells)
    methods = tuple(name for name in methods if name in catalogue.methods)
    classes = tuple(name for name in classes if name in catalogue.components)
    priors = performance_priors(catalogue, settings, methods, classes, refrigerants)
    data = trial_data(cells, priors)
    if not data.trials or not any(data.trials.values()):
        return None
    drawn = sample_well(performance_model(priors, data), seed, effort or Effort(), settings.trust)
    return MethodFit(priors, data, drawn, learned_methods(drawn, priors, data, catalogue))


def learned_methods(
    drawn: Sample, priors: PerformancePriors, data: TrialData, catalogue: Catalogue
) -> tuple[LearnedMethod, ...]:
    """What became of each method that was tried: medians of rates, means of shares, with central 95 % intervals."""
    from leakinfer.fleet.rates.learn import moved

    values, found = drawn.values, []
    for place, name in enumerate(priors.methods):
        if not data.trials[name]:
            continue
        shipped = catalogue.methods[name]
        first = shipped.grades[0]
        rate50 = values.get("rate50", priors.rate50[None, :])[:, place]  # one number where it is known
        found.append(
            LearnedMethod(
                name,
                data.trials[name],
                rate50=moved(rate50, first.rate50, median=True),
                lapse=moved(values["lapse"][:, place], shipped.lapse),
                unreachable=moved(values["unreachable"][:, place], shipped.unreachable),
                false_alarm=moved(values["false_alarm"][:, place], first.false_alarm),
            )
        )
    return tuple(found)

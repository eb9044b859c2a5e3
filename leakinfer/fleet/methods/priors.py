"""What is believed of methods, and of the leaks that they are tried on, before a fleet's trials are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue, ComponentClass, Method
from leakinfer.fleet.cells.sizes import loss_of_size, size_bin
from leakinfer.fleet.settings import Beta, FleetSettings
from leakinfer.physics.properties import load_properties
from leakinfer.physics.units import TWENTY_CELSIUS, g_per_year_to_throughput

Array = NDArray[np.float64]
LEAST_MEAN = 0.002  # of a share that is shipped as never or always, so that a history can move it
HALF = 0.5  # a method that alarms more often than not at a tight site is none


@dataclass(frozen=True, eq=False)
class PerformancePriors:
    """Priors by method (M,) and component class (C,), over refrigerants (F,) and size bins (N,).

    Twice the false alarm, the lapse and the blind share are beta with ``..._a``, ``..._b``; ``unreachable_a`` None:
    nothing is blind. ``log_rate`` (F, M, N): log of the rate of a leak in the unit of ``rate50``. A bin, the first one
    being number ``first_bin``, holds ``shares`` (C, N) of a class's leaks; ``findable`` and ``measurable`` of them are
    large enough to be confirmed at all, and to be measured. ``blind`` (C, M): multiple of a method's blind share.
    """

    methods: tuple[str, ...]
    classes: tuple[str, ...]
    refrigerants: tuple[str, ...]
    false_alarm_a: Array
    false_alarm_b: Array
    lapse_a: Array
    lapse_b: Array
    unreachable_a: Array | None
    unreachable_b: Array | None
    rate50: Array
    rate50_log_sd: float  # 0: known
    slope: Array
    slope_log_sd: float
    blind: Array
    prevalence: Beta
    small_log_sd: float  # 0: as many small leaks are there as begin
    written: Beta
    first_bin: int
    log_rate: Array
    shares: Array
    findable: Array
    measurable: Array


def performance_priors(
    catalogue: Catalogue,
    settings: FleetSettings,
    methods: Sequence[str],
    classes: Sequence[str],
    refrigerants: Sequence[str],
) -> PerformancePriors:
    """The shipped priors of these methods and classes, with the spreads of ``fleet.toml``.

    ``refrigerants``: proper names; the empty one is that of systems of which nobody wrote it down.

    Raises:
        InputError: no such refrigerant.
    """
    ways, parts = [catalogue.methods[name] for name in methods], [catalogue.components[name] for name in classes]
    cells, spread = settings.cells, settings.methods
    least, most = size_bin([catalogue.sizes.least, catalogue.sizes.greatest], cells.size_per_decade)
    edges = 10.0 ** (np.arange(least, most + 2) / cells.size_per_decade)
    firsts = [way.grades[0] for way in ways]
    alarm = _betas([grade.false_alarm / HALF for grade in firsts], spread.false_alarm_logit_sd)
    lapse = _betas([way.lapse for way in ways], spread.lapse_logit_sd)
    blind = _betas([way.unreachable for way in ways], spread.unreachable_logit_sd)
    fluids = [name or spread.stand_in for name in refrigerants]
    return PerformancePriors(
        methods=tuple(methods),
        classes=tuple(classes),
        refrigerants=tuple(refrigerants),
        false_alarm_a=alarm[:, 0],
        false_alarm_b=alarm[:, 1],
        lapse_a=lapse[:, 0],
        lapse_b=lapse[:, 1],
        unreachable_a=blind[:, 0],
        unreachable_b=blind[:, 1],
        rate50=np.array([grade.rate50 for grade in firsts]),
        rate50_log_sd=spread.rate50_log_sd,
        slope=np.array([grade.slope for grade in firsts]),
        slope_log_sd=spread.slope_log_sd,
        blind=np.array([[_times_blind(way, name) for way in ways] for name in classes]).reshape(len(parts), len(ways)),
        prevalence=spread.prevalence,
        small_log_sd=spread.small_log_sd,
        written=spread.written,
        first_bin=int(least),
        log_rate=_log_rates(ways, fluids, np.sqrt(edges[1:] * edges[:-1]), cells.measured_at_c),
        shares=_shares(parts, edges, 0.0),
        findable=_shares(parts, edges, cells.found_least),
        measurable=_shares(parts, edges, max(cells.found_least, cells.measured_least)),
    )


def beta_of(mean: float, logit_sd: float) -> Beta:
    """The beta distribution with this mean whose log odds have this standard deviation.

    Their variance is psi'(a) + psi'(b) (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 2, section
    25.2, from memory).
    """
    from scipy.optimize import brentq
    from scipy.special import polygamma

    at = min(max(mean, LEAST_MEAN), 1 - LEAST_MEAN)

    def above(log_weight: float) -> float:
        weight = np.exp(log_weight)
        return float(polygamma(1, at * weight) + polygamma(1, (1 - at) * weight) - logit_sd**2)

    weight = float(np.exp(brentq(above, -20.0, 40.0)))
    return Beta(at * weight, (1 - at) * weight)


def _betas(means: Sequence[float], logit_sd: float) -> Array:
    """(M, 2): a and b by method."""
    found = [beta_of(mean, logit_sd) for mean in means]
    return np.array([(one.a, one.b) for one in found]).reshape(-1, 2)


def _times_blind(method: Method, component: str) -> float:
    """The blind share of a method on a class, over its usual one."""
    technique = method.techniques.get(component)
    if technique is None or technique.unreachable is None or method.unreachable == 0:
        return 1.0
    return technique.unreachable / method.unreachable


def _log_rates(methods: Sequence[Method], refrigerants: Sequence[str], sizes: Array, celsius: float) -> Array:
    """(F, M, N): logs of g/yr or of Pa m3/s at 20 C, as saturated vapour standing."""
    rates = []
    for name in refrigerants:
        loss = loss_of_size(sizes, name, celsius)
        mass = load_properties().fluid(name).molar_mass
        gas = loss * g_per_year_to_throughput(1.0, mass, TWENTY_CELSIUS)
        rates.append([np.log(gas if method.rate == "Pa m3/s" else loss) for method in methods])
    return np.array(rates).reshape(len(refrigerants), len(methods), sizes.size)


def _shares(parts: Sequence[ComponentClass], edges: Array, least: float) -> Array:
    """(C, N): share of each class's leaks in each bin at or above ``least``; the end bins take what lies beyond."""
    from scipy.stats import norm

    ends = np.log(np.concatenate([[1e-300], edges[1:-1], [1e300]]))
    ends = np.maximum(ends, np.log(least)) if least > 0 else ends
    median = np.log([part.size.median for part in parts])[:, None]
    below = norm.cdf(ends, median, np.array([part.size.log_sd for part in parts])[:, None])
    return np.asarray(np.diff(below, axis=1))

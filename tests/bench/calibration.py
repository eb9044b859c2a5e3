"""Is the learning calibrated? Fleets whose truth is drawn from the priors, lived day by day, reduced and fitted.

    python tests/bench/calibration.py            # 40 fleets, some 30 minutes on two cores of one's own
    python tests/bench/calibration.py --fleets 4 --json

Aims: of all 95 % intervals, 95 % hold the truth, and ranks look uniform, the joint log-likelihood's too.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.invented.make import invent, write
from leakinfer.fleet.invented.plan import Plan, load_invented
from leakinfer.fleet.invented.truth import draw_truth, values_of
from leakinfer.fleet.ops import numpy_ops
from leakinfer.fleet.rates.learn import Fit, fit_cells
from leakinfer.fleet.rates.likelihood import log_likelihood
from leakinfer.fleet.rates.predictive import each_draw, failed
from leakinfer.fleet.sampling import Array, Effort
from leakinfer.fleet.settings import load_settings
from tests.bench.measure import print_beside_aims, report
from tests.bench.ranks import expected_inside, shares_below, summary

CLASSES = ("brazed_joint", "cap_plastic", "drier_liquid", "fin_tube", "flare", "line_set", "return_bend", "valve_core")
AIMS = {"inside_95": "0.95", "worst_rhat": "<= 1.01", "fleets_with_failed_checks": "few"}
THIN = 4  # draws between those that are ranked, so that they hang together little


@dataclass(frozen=True)
class Fleet:
    """One invented fleet, fitted: where each truth ranks, and what the sampler and the checks said."""

    seed: int
    leaks: int
    rhat: float
    ess: float
    divergences: int
    failed_checks: tuple[str, ...]
    shares: dict[str, list[float]]


def plan_of(systems: int, classes: tuple[str, ...] = CLASSES) -> Plan:
    """A small fleet in which all that a fit supposes is so.

    What leaked when records began was drawn, a circumstance is drawn for each site, repairs hold, and a hole that is
    too small to be found does not keep its place from leaking again.
    """
    return replace(
        load_invented().plan,
        systems=systems,
        classes=classes,
        backlog="drawn",
        small_leaks_stop=False,
        together=False,
        installers=6,
        writes=0.0,
        fails=0.0,
        refrigerant_unsaid=0.0,
    )


def one_fleet(seed: int, plan: Plan, effort: Effort) -> Fleet:
    """Draw a truth, invent its fleet, reduce, fit and rank."""
    catalogue, settings = load_catalogue(), load_settings()
    rng = np.random.default_rng(seed)
    truth = draw_truth(catalogue, settings, rng, plan)
    with tempfile.TemporaryDirectory() as folder:
        write(invent(truth, plan, catalogue, rng), truth, Path(folder))
        cells = reduce_history([Path(folder)], catalogue, settings)
    fit = fit_cells(cells, catalogue, settings, seed, effort)
    told = values_of(truth, fit.priors, fit.data.installers)
    joint = log_likelihood(numpy_ops(), {**fit.model.fixed, **told}, fit.data, fit.priors)
    ranked = {name: value for name, value in told.items() if name in fit.sample.values}
    shares = shares_below(fit.sample.values, ranked, THIN)
    shares |= shares_below({"log_likelihood": _joints(fit)}, {"log_likelihood": joint}, thin=1)
    figures = fit.sample.diagnostics
    wrong = tuple(f"{check.group}: {check.what}" for check in failed(fit.checks, settings.trust.least_check_p))
    return Fleet(
        seed,
        fit.data.leaks,
        figures.rhat,
        figures.ess,
        figures.divergences,
        wrong,
        {name: share.tolist() for name, share in shares.items()},
    )


def _joints(fit: Fit) -> Array:
    """The joint log-likelihood of each thinned draw."""
    drawn = fit.sample.values
    thinned = each_draw(drawn, fit.model.fixed, len(drawn["theta"]) // THIN)
    found = [log_likelihood(numpy_ops(), values, fit.data, fit.priors) for values in thinned]
    return np.array(found, dtype=float)


def run(fleets: int, systems: int, first: int, processes: int, effort: Effort) -> list[Fleet]:
    """All fleets, each in a process of its own."""
    plan, found = plan_of(systems), []
    with ProcessPoolExecutor(processes) as pool:
        tasks = [pool.submit(one_fleet, first + number, plan, effort) for number in range(fleets)]
        for task in tasks:
            found.append(task.result())
            _say(found[-1])
    return found


def _say(fleet: Fleet) -> None:
    words = f"fleet {fleet.seed}: {fleet.leaks} leaks, R-hat {fleet.rhat:.3f}, {fleet.divergences} diverged"
    print(words, file=sys.stderr, flush=True)


def main() -> None:
    """Print the figures beside their aims."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fleets", type=int, default=40)
    parser.add_argument("--systems", type=int, default=1000)
    parser.add_argument("--first", type=int, default=1, help="seed of the first fleet")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    began = time.perf_counter()
    effort = Effort(chains=2, tune=500, draws=600, cores=1)
    fleets = run(given.fleets, given.systems, given.first, given.processes, effort)
    kinds = summary([{name: np.asarray(share) for name, share in fleet.shares.items()} for fleet in fleets])
    figures = {
        "inside_95": kinds["all"].inside / kinds["all"].count,
        "worst_rhat": max(fleet.rhat for fleet in fleets),
        "divergences": sum(fleet.divergences for fleet in fleets),
        "fleets_with_failed_checks": sum(bool(fleet.failed_checks) for fleet in fleets),
        "fleets": len(fleets),
        "leaks": sum(fleet.leaks for fleet in fleets),
        "minutes": (time.perf_counter() - began) / 60,
    }
    rows = {
        name: asdict(kind) | dict(zip(("low", "high"), expected_inside(kind.count), strict=True))
        for name, kind in kinds.items()
    }
    found = report(figures, AIMS, {"kinds": rows})
    if given.json:
        print(json.dumps(found))
        return
    print_beside_aims(found)
    print(f"{'quantity':16} {'intervals':>9} {'hold it':>8} {'99 % range':>12} {'uniform, p':>10}")
    for name, kind in rows.items():
        span = f"{kind['low']} to {kind['high']}"
        print(f"{name:16} {kind['count']:9} {kind['inside']:8} {span:>12} {kind['p']:10.3f}")


if __name__ == "__main__":
    main()

"""How fast a large history is learned from: ``python tests/bench/fleet.py [--json] [--rows N]``.

Prints each figure beside its aim. Reading is measured on a history that uses all of the format
(``fleet_cells.py``), fitting the rates on an invented fleet of as many site rows and the methods on one of a tenth,
both with PyTensor's compilation.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.invented.make import invent, load_invented, mild_truth, write
from leakinfer.fleet.methods.model import fit_methods
from leakinfer.fleet.rates.data import condensed
from leakinfer.fleet.rates.learn import fit_cells
from leakinfer.fleet.settings import load_settings
from tests.bench.fleet_cells import bench_cells, peak_mb
from tests.bench.measure import report

AIMS = {"cells_rows_per_s": ">= 100,000", "fit_s": "<= 90 with compilation", "peak_mb": "as low as may be"}
ROWS_A_SYSTEM = 60  # of the invented fleet
SEED = 1


def make_fleet(rows: int, folder: Path) -> None:
    """Write an invented fleet of about so many rows in the table of sites."""
    catalogue = load_catalogue()
    plan = replace(load_invented().plan, systems=max(rows // ROWS_A_SYSTEM, 1))
    truth = mild_truth(catalogue, SEED, plan)
    write(invent(truth, plan, catalogue, np.random.default_rng([SEED, 2])), truth, folder)


def measure_rates(folder: Path) -> dict[str, float]:
    """Seconds from the cells to the learned rates, in this process."""
    catalogue, settings = load_catalogue(), load_settings()
    cells = reduce_history([folder], catalogue, settings)
    start = time.perf_counter()
    fit = fit_cells(cells, catalogue, settings, SEED)
    figures = fit.sample.diagnostics
    return {
        "fit_s": time.perf_counter() - start,
        "fit_peak_mb": peak_mb(),
        "all_rows": cells.counts.rows,
        "leaks": fit.data.leaks,
        "risk_rows": condensed(fit.data).amount.size,
        "rhat": figures.rhat,
        "ess": figures.ess,
        "divergences": figures.divergences,
    }


def measure_methods(folder: Path) -> dict[str, float]:
    """Seconds from the cells to what is learned of the methods, in this process."""
    catalogue, settings = load_catalogue(), load_settings()
    cells = reduce_history([folder], catalogue, settings)
    start = time.perf_counter()
    fit = fit_methods(cells, catalogue, settings, SEED)
    assert fit is not None
    return {"fit_methods_s": time.perf_counter() - start, "methods_ess": fit.sample.diagnostics.ess}


MEASURES = {"rates": measure_rates, "methods": measure_methods}


def measured(what: str, rows: int) -> dict[str, float]:
    """One of the measures on a fleet of so many site rows, in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        make_fleet(rows, Path(folder))
        command = [sys.executable, __file__, "--measure", what, folder]
        told = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()[-1]
    figures: dict[str, float] = json.loads(told)
    return figures


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.add_argument("--measure", nargs=2, metavar=("WHAT", "FOLDER"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.measure:
        print(json.dumps(MEASURES[given.measure[0]](Path(given.measure[1]))))
        return
    read = bench_cells(given.rows)
    figures = {**read, **measured("rates", given.rows), **measured("methods", given.rows // 10)}
    figures["peak_mb"] = max(read["peak_mb"], figures["fit_peak_mb"])
    answer = report(figures, AIMS, {})
    if given.json:
        print(json.dumps(answer))
    else:
        print("\n".join(f"{name}: {value['figure']:,} {value['aim']}" for name, value in answer["beside_aims"].items()))


if __name__ == "__main__":
    main()

"""How fast a history becomes cells: a large invented one, as Parquet and as CSV, each run in a process of its own."""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.settings import load_settings

ROWS_A_SYSTEM = 25
VISITS_A_SYSTEM = 8
SEED = 20
CHOICES = {
    "component": ["valve_core", "cap_plastic", "brazed_joint", "flare", "return_bend", "fin_tube", "drier_liquid"],
    "present": ["", "", "", "cap_missing", "vibration", "cap_missing;coastal_air"],
    "absent": ["", "wet_suction_line", "leaf_litter;recent_service"],
    "unknown": ["", "", "outdoor_steel", "tube_rubbing;wire_rubbing"],
}
Columns = dict[str, Any]


def make_history(rows: int) -> dict[str, Columns]:
    """An invented history of about ``rows`` rows in the table of sites, by table and column."""
    rng = np.random.default_rng(SEED)
    systems = max(rows // ROWS_A_SYSTEM, 1)
    names = _named("system ", np.arange(systems))
    built = rng.integers(12_000, 16_000, systems)
    late = rng.random(systems) < 0.4
    tables = {
        "systems": {
            "system": names,
            "type": rng.choice(["ducted_split", "heat_pump", "walk_in_cooler"], systems),
            "commissioned": _dates(built),
            "installer": _named("crew ", rng.integers(0, 40, systems)),
            "refrigerant": rng.choice(["R-410A", "R-32", "R-134a"], systems),
            "followed_from": np.where(late, _dates(built + 900), ""),
            "tight_then": rng.choice(["", "yes", "no"], systems),
        }
    }
    tables["sites"] = _sites(rng, names, built)
    tables["visits"] = _visits(rng, names, built)
    tables["leaks"] = _at_sites(rng, tables, rows // 30, {"site": 0.7, "component": 0.5})
    tables["leaks"]["loss_g_per_year"] = _texts(np.round(rng.lognormal(4, 1.5, rows // 30), 1))
    tables["leaks"]["there_before"] = rng.choice(["", "yes", "no"], rows // 30)
    tables["findings"] = _at_sites(rng, tables, rows // 3, {"site": 1.0})
    tables["findings"]["method"] = rng.choice(["probe_point", "tracer_point"], rows // 3)
    tables["findings"]["outcome"] = rng.choice(["silent", "silent", "response"], rows // 3)
    tables["repairs"] = _at_sites(rng, tables, rows // 50, {"site": 1.0})
    tables["repairs"]["held"] = rng.choice(["", "yes", "no"], rows // 50)
    tables["exposures"] = _at_sites(rng, tables, rows // 50, {"site": 1.0})
    tables["exposures"]["exposure"] = rng.choice(["cap_missing", "vibration"], rows // 50)
    tables["exposures"]["since"] = _dates(rng.integers(15_000, 19_000, rows // 50))
    return tables


def _sites(rng: np.random.Generator, names: NDArray[Any], built: NDArray[Any]) -> Columns:
    system = np.repeat(np.arange(names.size), ROWS_A_SYSTEM)
    order = rng.permutation(system.size)  # the rows of a system are anywhere
    size = system.size
    fitted = np.where(rng.random(size) < 0.03, _dates(built[system] + 1000), "")
    sites = {"system": names[system], "site": _named("part ", np.tile(np.arange(ROWS_A_SYSTEM), names.size))}
    sites |= {name: rng.choice(words, size) for name, words in CHOICES.items()}
    sites |= {"count": rng.choice(["", "1", "2", "36"], size), "fitted": fitted}
    return {name: column[order] for name, column in sites.items()}


def _visits(rng: np.random.Generator, names: NDArray[Any], built: NDArray[Any]) -> Columns:
    system = np.repeat(np.arange(names.size), VISITS_A_SYSTEM)
    day = built[system] + 900 + rng.integers(0, 2500, system.size)
    visit = _named("visit ", np.tile(np.arange(VISITS_A_SYSTEM), names.size))
    searched = rng.choice(["yes", "yes", "", "no"], system.size)
    return {"system": names[system], "visit": visit, "date": _dates(day), "searched": searched}


def _at_sites(rng: np.random.Generator, tables: dict[str, Columns], rows: int, share: dict[str, float]) -> Columns:
    """Rows at any sites and visits; of the columns that name the site, the given shares are filled."""
    sites = tables["sites"]
    where = rng.integers(0, sites["system"].size, rows)
    chosen = {name: np.where(rng.random(rows) < part, sites[name][where], "") for name, part in share.items()}
    visit = _named("visit ", rng.integers(0, VISITS_A_SYSTEM, rows))
    return {"system": sites["system"][where], "visit": visit, **chosen}


def _dates(days: NDArray[Any]) -> NDArray[Any]:
    return days.astype("datetime64[D]").astype(str)


def _texts(numbers: NDArray[Any]) -> NDArray[Any]:
    return numbers.astype(str)


def _named(head: str, numbers: NDArray[Any]) -> NDArray[Any]:
    return np.char.add(head, numbers.astype(str))


def write_history(tables: dict[str, Columns], folder: Path, form: str) -> None:
    """Write the tables as ``parquet`` or ``csv``."""
    import pyarrow as pa
    import pyarrow.csv
    import pyarrow.parquet

    folder.mkdir()
    for name, columns in tables.items():
        table = pa.table(
            {
                column: pa.array(values)
                for column, values in columns.items()
                if not (column == "visit" and name == "exposures")
            }
        )
        if form == "parquet":
            pa.parquet.write_table(table, folder / f"{name}.parquet")
        else:
            pa.csv.write_csv(table, folder / f"{name}.csv")


def measure_here(folder: Path, processes: int, times: int) -> dict[str, float]:
    """Seconds (median) and peak memory of the reduction in this process, without its children."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        cells = reduce_history([folder], load_catalogue(), load_settings(), processes=processes)
        taken.append(time.perf_counter() - start)
    return {"seconds": statistics.median(taken), "peak_mb": peak_mb(), "risk_rows": len(cells.tables["risk"])}


def peak_mb() -> float:
    """Peak memory of this process since its program began; what getrusage tells includes its parent's before that."""
    status = Path("/proc/self/status")
    if status.exists():
        return next(int(line.split()[1]) for line in status.open() if line.startswith("VmHWM")) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def bench_cells(rows: int = 1_000_000, times: int = 3) -> dict[str, Any]:
    """Rows of sites a second and peak memory (MB), of Parquet with one process and with two, and of CSV."""
    with tempfile.TemporaryDirectory() as folder:
        tables = make_history(rows)
        for form in ("parquet", "csv"):
            write_history(tables, Path(folder, form), form)
        made = len(tables["sites"]["system"])
        parquet, two, csv = (
            _in_process(Path(folder, form), processes, times)
            for form, processes in (("parquet", 1), ("parquet", 2), ("csv", 1))
        )
    return {
        "cells_rows": made,
        "cells_rows_per_s": made / parquet["seconds"],
        "cells_rows_per_s_two_processes": made / two["seconds"],
        "cells_rows_per_s_csv": made / csv["seconds"],
        "peak_mb": max(parquet["peak_mb"], csv["peak_mb"]),
        "risk_rows": parquet["risk_rows"],
    }


def _in_process(folder: Path, processes: int, times: int) -> dict[str, float]:
    command = [sys.executable, __file__, "--measure", str(folder), str(processes), str(times)]
    told: dict[str, float] = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return told


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.add_argument("--measure", nargs=3, metavar=("FOLDER", "PROCESSES", "TIMES"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.measure:
        folder, processes, times = given.measure
        print(json.dumps(measure_here(Path(folder), int(processes), int(times))))
        return
    figures = bench_cells(given.rows)
    lines = [f"{name}: {value:,.0f}" for name, value in figures.items()]
    print(json.dumps(figures) if given.json else "\n".join(lines))


if __name__ == "__main__":
    main()

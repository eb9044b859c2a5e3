"""What is it worth when the world is not as the program believes? The same search in every truth of priors/study.toml.

    python tests/bench/truths.py                    # 60 jobs of a ductless split in each of nine truths, two processes
    python tests/bench/truths.py --jobs 200 --systems ductless_split walk_in_cooler --json
    python tests/bench/truths.py --out FOLDER       # kept there; the same command goes on where it was stopped

Figures of the default way of searching, and their change from the world that is as believed with the ends that hold it
95 times in 100. ``ece``: calibration error of the site chances told, beside the most that chance alone makes of it 95
times in 100.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
import tempfile
from contextlib import nullcontext
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from leakinfer.study.measures import BASE, DEFAULT, Results, results
from leakinfer.study.running import Plan, read, run
from leakinfer.study.running.executors import processes
from leakinfer.study.world.truths import load_truths
from tests.bench.measure import as_json, ends

CHECKLIST = "checklist"


def plan_of(jobs: int, systems: tuple[str, ...], seed: int) -> Plan:
    """The default and a checklist in all truths."""
    return Plan(
        name="truths",
        seed=seed,
        jobs=jobs,
        systems=systems,
        truths=tuple(dict.fromkeys((BASE, *load_truths()))),
        policies=(DEFAULT, CHECKLIST),
        most_tests=80,
        most_minutes=600.0,
        block_jobs=2,
    )


def rows_of(found: Results) -> dict[str, dict[str, Any]]:
    """By truth, the measures and how they moved; all systems together."""
    moved = {(one.truth, one.policy): one for one in found.sufferings if one.system == found.whole}
    told = {
        one.truth: one
        for one in found.calibrations
        if (one.system, one.policy, one.moment) == (found.whole, DEFAULT, "all")
    }
    rows: dict[str, dict[str, Any]] = {}
    for arm in found.arms:
        if (arm.system, arm.policy) != (found.whole, DEFAULT):
            continue
        change, chances = moved.get((arm.truth, DEFAULT)), told.get(arm.truth)
        other = next(
            one for one in found.arms if (one.system, one.truth, one.policy) == (arm.system, arm.truth, CHECKLIST)
        )
        rows[arm.truth] = {
            "cost": ends(arm.cost),
            "cost_change": change and ends(change.cost),
            "checklist_cost": ends(other.cost),
            "missed": ends(arm.missed),
            "missed_change": change and ends(change.missed),
            "wrong_per_100": ends(arm.wrong),
            "wrong_change": change and ends(change.wrong),
            "never_all_confirmed": ends(arm.never),
            "ece": chances and [round(chances.ece, 4), round(chances.ece_most, 4)],
            "slope": chances and ends(chances.slope),
        }
    return rows


def main() -> None:
    """Print one row for each truth."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=60, help="in each truth and system")
    parser.add_argument("--systems", nargs="+", default=["ductless_split"])
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=20261127)
    parser.add_argument("--out", type=Path, help="keep the study here")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    plan = plan_of(given.jobs, tuple(given.systems), given.seed)
    with tempfile.TemporaryDirectory() if given.out is None else nullcontext(given.out) as folder:
        with processes(given.processes) as executor:
            run(plan, Path(folder) / "study", executor)
        rows = rows_of(results(read(Path(folder) / "study")))
    if given.json:
        print(as_json(rows))
        return
    print(f"{'truth':22} {'cost':>7} {'change':>24} {'missed':>7} {'in vain':>8} {'ece':>7} {'by chance':>9}")
    for truth, row in rows.items():
        change = "" if row["cost_change"] is None else "{:+.0f} ({:+.0f} .. {:+.0f})".format(*row["cost_change"])
        ece, most = row["ece"] or (float("nan"), float("nan"))
        print(
            f"{truth:22} {row['cost'][0]:7.0f} {change:>24} {row['missed'][0]:7.1%} {row['wrong_per_100'][0]:8.1f} "
            f"{ece:7.4f} {most:9.4f}"
        )


if __name__ == "__main__":
    main()

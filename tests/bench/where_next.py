"""How long "where next" takes: ``python tests/bench/where_next.py [--json]``.

Prints each figure beside its aim, the ratio to an independent exact engine in the same run, and what the time is
spent on. Figures are medians on the machine at hand; compare ratios, not milliseconds.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import cProfile
import json
import pstats
import subprocess
import sys
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from leakinfer.inference import AmountTest, Item, LevelTest, Model, Observation, Table, solve, split_amounts
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan
from tests.bench.jobs import demo, house, store
from tests.bench.measure import median_ms, print_beside_aims, report

AIMS = {
    "posterior60_ms": "<= 5",
    "next60_ms": "<= 50",
    "next_cold_ms": "<= 600",
    "next_demo_ms": "<= 100",
    "next_demo_all_conditions_ms": "<= 100",
    "next_demo_told_all_conditions_ms": "<= 100",
    "next2000_ms": "<= 500",
    "growth_exponent": "<= 1.1",
    "peak_mb_2000": "<= 400",
    "peer_ratio": "more is better",
}
GROWTH = (500, 1000, 2000)
ROOMS = ("inference/", "physics/", "circuit/", "catalogue/", "job/", "planner/", "numpy")


def posterior(belief: Belief) -> None:
    """Solve a job's model and read every site's marginal."""
    found = solve(belief.model, [unit for unit in belief.units.values() if len(unit) > 1])
    for item in belief.model.items:
        found.marginal(item.name)


def next_tests(job: Job) -> int:
    """From a job to the whole ranking."""
    return len(make_plan(Belief(job)).next)


def row_of_forty() -> Model:
    """40 sites of 5 states, 6 overlapping responses, a loss on 16 cells; invented."""
    rng = np.random.default_rng(3)
    items = []
    for number in range(40):
        leaks = 0.06 * rng.random() * rng.dirichlet(np.ones(4))
        items.append(Item(f"site{number}", np.concatenate([[1 - leaks.sum()], leaks])))
    seen = np.array([0.0, 0.1, 0.5, 0.8, 0.95])
    table = Table(np.stack([1 - seen, seen], axis=1))
    spread = Table(split_amounts(np.array([0.0, 0.3, 1.4, 3.3, 7.2]), 1.0, 16))
    reading = np.exp(-0.5 * ((np.arange(16) - 6.0) / 2.0) ** 2)[:, None]
    told = [Observation(AmountTest({item.name: spread for item in items}, reading), 0)]
    for first, last in ((0, 10), (6, 16), (9, 19), (20, 30), (25, 35), (28, 38)):
        test = LevelTest(np.array([0.95, 0.05]), {f"site{n}": table for n in range(first, last)})
        told.append(Observation(test, 1))
    return Model(tuple(items), (), tuple(told))


def peer_ratio() -> dict[str, float]:
    """Time of the independent exact engine (network already built) over ours, layout included, same posterior."""
    from tests.inference.peer_agrum import Peer

    model = row_of_forty()
    peer = Peer(model)

    def theirs() -> None:
        peer.engine.eraseAllEvidence()
        peer.engine.setEvidence(peer.evidence)
        peer.engine.makeInference()
        for item in model.items:
            peer.marginal(item.name)

    def ours() -> None:
        found = solve(model)
        for item in model.items:
            found.marginal(item.name)

    worst = max(float(np.abs(peer.marginal(i.name) - solve(model).marginal(i.name)).max()) for i in model.items)
    slow, fast = median_ms(theirs, 7), median_ms(ours, 15)
    return {"peer_ms": slow, "ours_ms": fast, "peer_ratio": slow / fast, "worst_difference": worst}


def peak_mb() -> float:
    """Peak memory of a fresh process that answers "where next" for 2,000 sites.

    By the kernel's high-water mark, since the process' own count would begin with this one's size.
    """
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]);"
        "from tests.bench.where_next import next_tests, store; next_tests(store(2000, 200));"
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
    )
    root = str(Path(__file__).resolve().parents[2])
    done = subprocess.run([sys.executable, "-c", code, root], capture_output=True, text=True, check=True)
    return float(done.stdout) / 1024


def cold_ms() -> float:
    """``leakinfer next`` on a new job, from a cold shell: a process of its own each time."""
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "bench.job"
        ask = [sys.executable, "-m", "leakinfer", "next", str(job)]
        begin = [*ask[:3], "new", str(job), "--system", "ducted_split", "--age", "11 years", "--loss", "0.5 kg"]
        run = partial(subprocess.run, capture_output=True, check=True)
        run([*begin, "--over", "18 months"])
        return median_ms(partial(run, ask), 9)


def spent(job: Job) -> dict[str, float]:
    """Share of the time by room of the house, by the profiler's own times (its overhead included)."""
    profile = cProfile.Profile()
    profile.runcall(next_tests, job)
    shares: dict[str, float] = {}
    for (file, _, _), row in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        room = next((name for name in ROOMS if name in file), "other")
        shares[room] = shares.get(room, 0.0) + row[2]
    total = sum(shares.values())
    return {room: round(value / total, 3) for room, value in sorted(shares.items(), key=lambda pair: -pair[1])}


def measured() -> dict[str, Any]:
    """All figures."""
    small = house()
    belief = Belief(small)
    growth = {sites: median_ms(partial(next_tests, store(sites, sites // 10)), 3) for sites in GROWTH}
    slope = np.polyfit(np.log(list(growth)), np.log(list(growth.values())), 1)[0]
    peer = peer_ratio()
    figures = {
        "posterior60_ms": median_ms(lambda: posterior(belief), 25),
        "next60_ms": median_ms(lambda: next_tests(small), 9),
        "next_cold_ms": cold_ms(),
        "next_demo_ms": median_ms(partial(next_tests, demo(False, "standard")), 9),
        "next_demo_all_conditions_ms": median_ms(partial(next_tests, demo(told=False)), 9),
        "next_demo_told_all_conditions_ms": median_ms(partial(next_tests, demo(told=True)), 9),
        "next2000_ms": growth[2000],
        "growth_exponent": float(slope),
        "peak_mb_2000": peak_mb(),
        "peer_ratio": peer["peer_ratio"],
    }
    more = {
        "sites60": len(small.sites),
        "tests_ranked60": next_tests(small),
        "tests_ranked2000": next_tests(store(2000, 200)),
        "growth_ms": {str(k): round(v, 1) for k, v in growth.items()},
        "peer": {k: round(v, 12) for k, v in peer.items()},
        "time_spent60": spent(small),
        "time_spent2000": spent(store(2000, 200)),
    }
    return report(figures, AIMS, more)


def main() -> None:
    """Print the figures, as JSON or as lines."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    found = measured()
    if parser.parse_args().json:
        print(json.dumps(found, indent=1))
        return
    print_beside_aims(found)
    for name in (
        "sites60",
        "tests_ranked60",
        "tests_ranked2000",
        "growth_ms",
        "peer",
        "time_spent60",
        "time_spent2000",
    ):
        print(f"{name}: {found[name]}")


if __name__ == "__main__":
    main()

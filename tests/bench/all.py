"""Every benchmark, one after the other, each in a process of its own; figures beside their aims.

python tests/bench/all.py --json          # the long ones at a size for half an hour on two cores, and says so
python tests/bench/all.py --full --json   # all as they stand by themselves: many hours
python tests/bench/all.py --only serve planning
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
# By name, what makes it short.
SHORT: dict[str, tuple[str, ...]] = {
    "where_next": (),
    "planning": (),
    "serve": (),
    "fleet": (),
    "calibration": ("--fleets", "4"),
    "strategy": (),
}


def measured(name: str, options: Sequence[str]) -> dict[str, Any]:
    """What a benchmark tells, or why it tells nothing: ``figures`` by name with aims, and the seconds."""
    start = time.perf_counter()
    command = [sys.executable, str(HERE / f"{name}.py"), *options, "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    told = {"command": f"python tests/bench/{name}.py {' '.join(options)}".strip(), "seconds": _since(start)}
    if done.returncode:
        return told | {"failed": done.stderr.strip().splitlines()[-1:] or [f"exit code {done.returncode}"]}
    return told | {"figures": json.loads(done.stdout)["beside_aims"]}


def machine() -> dict[str, Any]:
    """What the figures were taken on."""
    return {"python": platform.python_version(), "cores": os.cpu_count(), "load": round(os.getloadavg()[0], 1)}


def lines(name: str, told: dict[str, Any]) -> list[str]:
    """A benchmark as text."""
    head = f"\n{name}  ({told['command']}, {told['seconds']:.0f} s)"
    if "failed" in told:
        return [head, f"  failed: {told['failed'][0]}"]
    rows = [(figure, row["figure"], row["aim"] or "-") for figure, row in told["figures"].items()]
    return [head, *(f"  {figure:34} {_number(value):>14}   aim {aim}" for figure, value, aim in rows)]


def _number(value: float | None) -> str:
    return "unknown" if value is None else f"{value:,.4g}" if abs(value) < 1000 else f"{value:,.0f}"


def _since(start: float) -> float:
    return round(time.perf_counter() - start, 1)


def main() -> int:
    """Print all figures; the exit code is 1 where a benchmark failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true", help="the long ones at their own size")
    parser.add_argument("--only", nargs="+", choices=SHORT, default=list(SHORT), metavar="NAME")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    found: dict[str, Any] = {}
    for name in given.only:
        found[name] = measured(name, () if given.full else SHORT[name])
        if not given.json:
            print(*lines(name, found[name]), sep="\n", flush=True)
    if given.json:
        print(json.dumps({"machine": machine(), "short": not given.full, "benchmarks": found}, indent=1))
    return int(any("failed" in told for told in found.values()))


if __name__ == "__main__":
    sys.exit(main())

"""Timing for the benchmarks: medians after a warm-up, one thread of linear algebra; figures beside their aims."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import msgspec

if TYPE_CHECKING:  # pandas would count in the memory of those who measure it
    from leakinfer.study.measures import Interval


def median_ms(run: Callable[[], object], times: int) -> float:
    """Median wall time of a call in ms."""
    run()
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        taken.append((time.perf_counter() - start) * 1000)
    return statistics.median(taken)


def report(figures: dict[str, float], aims: dict[str, str], more: dict[str, Any]) -> dict[str, Any]:
    """Figures with their aims beside them."""
    named = {name: {"figure": round(value, 4), "aim": aims.get(name, "")} for name, value in figures.items()}
    return {**{name: round(value, 4) for name, value in figures.items()}, "beside_aims": named, **more}


def print_beside_aims(found: dict[str, Any], places: int = 3) -> None:
    """A line for each figure."""
    for name, row in found["beside_aims"].items():
        print(f"{name:32} {row['figure']:12,.{places}f}   aim {row['aim'] or '-'}")


def ends(found: Interval) -> list[float]:
    """Value, lower and upper end."""
    return [round(number, 4) for number in (found.value, found.low, found.high)]


def as_json(value: Any) -> str:
    """What is not known, or has no end, is null."""
    return msgspec.json.format(msgspec.json.encode(value, enc_hook=float), indent=1).decode()

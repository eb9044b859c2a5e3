"""What it costs when the world is not as the belief assumes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from leakinfer.study.measures.arms import HUNDRED, misses
from leakinfer.study.measures.frames import Array, Frame, counts_of, cuts, minutes_to_confirm, numbers
from leakinfer.study.measures.resampling import Counts, apart, divided, interval
from leakinfer.study.measures.values import BASE, Interval, Suffering

Parts = tuple[Array, Array]  # (jobs,) what is summed, and what it is divided by


def sufferings(jobs: Frame, policies: Sequence[str]) -> Iterator[Suffering]:
    """By system (and all together), truth that differs from the base, and policy; nothing without the base.

    The jobs of two truths are drawn each on their own.
    """
    tables = {(system, *key): rows for system, key, rows in cuts(jobs, "truth", "policy")}
    for (system, truth, policy), rows in tables.items():
        base = tables.get((system, BASE, policy))
        if truth != BASE and policy in policies and base is not None:
            yield suffering((system, truth, policy), rows, base)


def suffering(of: tuple[str, str, str], rows: Frame, base: Frame) -> Suffering:
    """One policy in one truth against the base."""
    counts = counts_of(rows, seed=1), counts_of(base, seed=2)

    def change(parts: Callable[[Frame], Parts]) -> Interval:
        (first, over), (second, under) = parts(rows), parts(base)
        return apart(first, second, counts, (over, under))

    return Suffering(
        *of,
        cost=change(lambda table: _each(numbers(table, "cost"))),
        cost_ratio=_ratio(numbers(rows, "cost"), numbers(base, "cost"), counts),
        missed=change(lambda table: _each(misses(table))),
        wrong=change(lambda table: _each(HUNDRED * numbers(table, "wrong"))),
        never=change(_never),
    )


def _each(values: Array) -> Parts:
    return values, np.ones(len(values))


def _never(table: Frame) -> Parts:
    reached = minutes_to_confirm(table)
    return np.isinf(reached).astype(np.float64), (~np.isnan(reached)).astype(np.float64)


def _ratio(first: Array, second: Array, counts: tuple[Counts, Counts]) -> Interval:
    """Mean over mean."""
    drawn = [divided(count @ values, count.sum(axis=1)) for count, values in zip(counts, (first, second), strict=True)]
    seen = divided(np.array(first.mean()), np.array(second.mean()))
    return interval(float(seen), divided(*drawn))

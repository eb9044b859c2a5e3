"""The tables of a study cut into jobs that are told together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.study.measures.resampling import Counts, drawn_counts, strata_of
from leakinfer.study.measures.values import EVERY

Frame: TypeAlias = Any  # pandas.DataFrame, which carries no types here
Array = NDArray[np.float64]


class Tables(Protocol):
    """Data frames with the columns of ``JobRow``, ``StepRow``, ``ChanceRow``; what the study was made from."""

    @property
    def jobs(self) -> Frame:
        """Jobs as they were played."""

    @property
    def steps(self) -> Frame:
        """Their tests."""

    @property
    def chances(self) -> Frame:
        """Their site probabilities."""

    @property
    def plan(self) -> Any:
        """What was to be played."""

    @property
    def truths(self) -> Sequence[Any]:
        """The truths as they were played, each with ``id`` and ``name``."""

    @property
    def provenance(self) -> Any:
        """With which program and numbers."""


def cuts(frame: Frame, *by: str) -> Iterator[tuple[str, tuple[str, ...], Frame]]:
    """System, the keys of ``by``, rows in order of system and job: each system on its own, then all together.

    Keys stand in the order in which they first occur.
    """
    systems = [str(name) for name in frame["system"].unique()]
    for system in [*systems, *([EVERY] if len(systems) > 1 else [])]:
        here = frame if system == EVERY else frame[frame["system"] == system]
        for key, rows in here.groupby(list(by), sort=False, observed=True):
            yield system, tuple(key), rows.sort_values(["system", "job"], kind="stable")


def counts_of(jobs: Frame, seed: int = 1) -> Counts:
    """(draws, jobs) how often each job comes up; ``jobs`` stand in order of their system, one row each."""
    return drawn_counts(strata_of(list(jobs["system"])), seed=seed)


def minutes_to_confirm(jobs: Frame) -> Array:
    """(jobs,) minutes until every leak that matters was confirmed: infinite if never, NaN where none matters."""
    reached = numbers(jobs, "all_confirmed")
    return np.where(numbers(jobs, "leaks") > 0, np.where(np.isnan(reached), np.inf, reached), np.nan)


def minutes_to_find(jobs: Frame) -> Array:
    """(jobs,) the same, or those of the whole search where every leak that matters was repaired at its end."""
    reached = minutes_to_confirm(jobs)
    repaired = np.isinf(reached) & (numbers(jobs, "missed") == 0)
    return np.where(repaired, numbers(jobs, "minutes"), reached)


def numbers(frame: Frame, column: str) -> Array:
    """(rows,) a column as floats."""
    return np.asarray(frame[column], dtype=np.float64)


def job_numbers(frame: Frame) -> tuple[NDArray[np.intp], Frame]:
    """(rows,) which job each row is of, from 0; and one row for each of these jobs, in order of system and job."""
    jobs = frame[["system", "job"]].drop_duplicates()
    jobs = jobs.sort_values(["system", "job"], kind="stable").reset_index(drop=True)
    numbered = jobs.assign(at=np.arange(len(jobs)))
    at = frame[["system", "job"]].merge(numbered, on=["system", "job"], how="left")["at"]
    return np.asarray(at, dtype=np.intp), jobs

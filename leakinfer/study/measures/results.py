"""All that a study found, as one value: for the page, and for JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
from msgspec import Struct

from leakinfer.study.measures.arms import arms, curves
from leakinfer.study.measures.calibration import calibration, calibrations, information, stopping
from leakinfer.study.measures.frames import Frame, Tables
from leakinfer.study.measures.pairs import pairs
from leakinfer.study.measures.suffering import sufferings
from leakinfer.study.measures.values import (
    BASE,
    DEFAULT,
    EVERY,
    Arm,
    Calibration,
    Curve,
    Information,
    Pair,
    Stopping,
    Suffering,
)
from leakinfer.study.small import Regret


class Results(Struct, frozen=True):
    """What a study found. ``policy``: the one that it asks about; ``truth``: the one that is told in full.

    ``calibrations``: of the policy in every truth, and of every policy in ``truth`` over all systems and moments.
    ``stopping``, ``information``: of every policy that told them. ``truths``: names by id. ``plan``, ``provenance``: as
    the study has them.
    """

    policy: str
    truth: str
    systems: tuple[str, ...]
    truths: dict[str, str]
    policies: tuple[str, ...]
    jobs: int
    chances: int
    arms: tuple[Arm, ...]
    pairs: tuple[Pair, ...]
    curves: tuple[Curve, ...]
    calibrations: tuple[Calibration, ...]
    stopping: tuple[Stopping, ...]
    information: tuple[Information, ...]
    sufferings: tuple[Suffering, ...]
    regrets: tuple[Regret, ...]
    plan: dict[str, Any]
    provenance: dict[str, Any]

    @property
    def whole(self) -> str:
        """In place of a system's id: all of them together, or the only one."""
        return whole_of(self.systems)


def results(tables: Tables, regrets: Sequence[Regret] = (), policy: str | None = None) -> Results:
    """Work out everything. ``policy``: the one to ask about; the program's own if it was played, else the first.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import read_study, study_results
        >>> found = study_results(read_study(Path("lists")))  # played as run_study shows
        >>> found.policy, found.jobs, [arm.policy for arm in found.arms]
        ('checklist', 2, ['checklist', 'coil_first'])
    """
    jobs, steps, chances = tables.jobs, tables.steps, tables.chances
    systems, truths, policies = (tuple(jobs[name].unique()) for name in ("system", "truth", "policy"))
    asked = policy or _preferred(DEFAULT, policies)
    truth = _preferred(BASE, truths)
    return Results(
        asked,
        truth,
        systems,
        {one.id: one.name for one in tables.truths if one.id in truths},
        policies,
        jobs=len(jobs[["system", "truth", "job"]].drop_duplicates()),
        chances=len(chances),
        arms=arms(jobs),
        pairs=pairs(jobs, asked, [name for name in policies if name != asked]),
        curves=curves(jobs[jobs["truth"] == truth]),
        calibrations=tuple(_calibrations(chances, asked, truth, whole_of(systems))),
        stopping=tuple(stopping(jobs)),
        information=tuple(information(steps)),
        sufferings=tuple(sufferings(jobs, policies)),
        regrets=tuple(regrets),
        plan=_plain(tables.plan),
        provenance=_plain(tables.provenance),
    )


def _preferred(wanted: str, there: Sequence[str]) -> str:
    return wanted if wanted in there else there[0]


def _calibrations(chances: Frame, policy: str, truth: str, whole: str) -> Iterator[Calibration]:
    """All of the policy's; of each other one's only that of everything together, in one truth."""
    yield from calibrations(chances[chances["policy"] == policy])
    others = chances[(chances["policy"] != policy) & (chances["truth"] == truth)]
    for (name,), rows in others.groupby(["policy"], sort=False):
        yield calibration((whole, truth, str(name), EVERY), rows, "chance", "leaks")


def whole_of(systems: Sequence[str]) -> str:
    """In place of a system's id: all of them together, or the only one."""
    return EVERY if len(systems) > 1 else systems[0]


def _plain(value: Any) -> dict[str, Any]:
    found: dict[str, Any] = msgspec.to_builtins(value, str_keys=True)
    return found


def summary(tables: Tables) -> tuple[Arm, ...]:
    """The table for the screen after a run: every policy in every truth, all systems together."""
    jobs = tables.jobs
    whole = whole_of(list(jobs["system"].unique()))
    return tuple(one for one in arms(jobs) if one.system == whole)

"""Trials as index arrays: what the likelihood of the methods looks at.

Trials that the likelihood cannot tell apart share their parts: one *factor* for each way in which one method answered
(so many responses in so many tests, with one refrigerant, on a class with one share of blind spots), one *group* for
each set of factors of one class.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.cells.model import NO_SIZE, Cells

if TYPE_CHECKING:
    from leakinfer.fleet.methods.priors import PerformancePriors

Array = NDArray[np.float64]
Index = NDArray[np.intp]
TRUTHS = ("", "tight", "leak")


@dataclass(frozen=True, eq=False)
class Rows:
    """(R,) distinct trials: group, place of the truth in ``TRUTHS``, whether a test responded (0 or 1), how often.

    ``bin``: place of the measured size among the bins, of leaks whose loss was measured; else zero.
    """

    group: Index
    truth: Index
    responded: Index
    bin: Index
    times: Array


@dataclass(frozen=True, eq=False)
class TrialData:
    """Trials over the methods (M,), classes (C,), refrigerants and size bins (N,) of their priors.

    A curve (V,) is a method with a refrigerant; a factor (K,) a curve with ``hits`` responses in ``tests`` tests and a
    multiple ``blind`` of the method's blind share. A group (G,) is the product of two halves, each once: ``halves``
    (A, P) and (B, Q) their factors, filled up with K, and ``left``, ``right`` the halves of a group.
    """

    curve_method: Index
    curve_refrigerant: Index
    factor_curve: Index
    hits: Array
    tests: Array
    blind: Array
    halves: tuple[Index, Index]
    left: Index
    right: Index
    component: Index  # (G,)
    rows: Rows  # all but leaks that were measured
    measured: Rows
    trials: Mapping[str, int]  # by method

    @property
    def written(self) -> bool:
        """Whether the truth of any trial is known."""
        return bool(self.measured.times.size or self.rows.truth.any())


def names_in(cells: Cells) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Methods, component classes and refrigerants that the trials speak of, sorted."""
    table = cells.tables["trials"]
    methods = {part.partition(":")[0] for text in set(table["tests"]) for part in text.split(";") if part}
    return tuple(sorted(methods)), tuple(sorted(set(table["component"]))), tuple(sorted(set(table["refrigerant"])))


def trial_data(cells: Cells, priors: PerformancePriors) -> TrialData:
    """The cells' trials as arrays; those with another class, refrigerant or method than the priors' are left out."""
    table = cells.tables["trials"]
    known = table["component"].isin(list(priors.classes)) & table["refrigerant"].isin(list(priors.refrigerants))
    answers = {text: _answers(text, priors.methods) for text in sorted(set(table["tests"]))}
    table = table[known & table["tests"].map(lambda text: bool(answers[text]))]
    component = _places(table["component"], priors.classes)
    fluid = _places(table["refrigerant"], priors.refrigerants)
    sets, kind, blind = _Sets(), np.zeros(len(table), np.intp), priors.blind
    for row, text in enumerate(table["tests"]):
        kind[row] = sets.group(component[row], fluid[row], answers[text], blind)
    responded = np.array([any(hits for _, hits, _ in answers[text]) for text in table["tests"]], dtype=np.intp)
    times = table["times"].to_numpy(float)
    truth = _places(table["truth"], TRUTHS)
    bins = table["size_bin"].to_numpy(np.intp)
    sized = (truth == TRUTHS.index("leak")) & (bins != NO_SIZE)
    place = np.where(sized, np.clip(bins - priors.first_bin, 0, priors.shares.shape[1] - 1), 0)
    keys = np.stack([kind, truth, responded, place], axis=1)
    return TrialData(
        **sets.arrays(),
        rows=_rows(keys[~sized], times[~sized]),
        measured=_rows(keys[sized], times[sized]),
        trials=_trials(table["tests"], times, answers, priors.methods),
    )


def _answers(text: str, methods: Sequence[str]) -> tuple[tuple[int, int, int], ...]:
    """Of each method: its place, responses and tests, from ``bubbles:0/1;probe_point:2/3``."""
    said = []
    for part in text.split(";"):
        name, _, counts = part.partition(":")
        if name in methods:
            hits, _, tests = counts.partition("/")
            said.append((methods.index(name), int(hits), int(tests)))
    return tuple(said)


class _Sets:
    """Curves, factors and groups as they are met, each once."""

    def __init__(self) -> None:
        self.curves: dict[tuple[int, int], int] = {}
        self.factors: dict[tuple[int, int, int, float], int] = {}
        self.groups: dict[tuple[int, tuple[int, ...]], int] = {}

    def group(self, component: int, fluid: int, answers: Sequence[tuple[int, int, int]], blind: Array) -> int:
        """The number of the group of a class with these answers."""
        factors = []
        for method, hits, tests in answers:
            curve = self.curves.setdefault((method, fluid), len(self.curves))
            key = (curve, hits, tests, float(blind[component, method]))
            factors.append(self.factors.setdefault(key, len(self.factors)))
        return self.groups.setdefault((component, tuple(factors)), len(self.groups))

    def arrays(self) -> dict[str, Any]:
        """The parts of a :class:`TrialData` by name."""
        most = max((len(factors) for _, factors in self.groups), default=1)
        nothing = len(self.factors)
        curves = np.array(list(self.curves), dtype=np.intp).reshape(-1, 2)
        factors = np.array(list(self.factors), dtype=float).reshape(-1, 4)
        filled = [[*held, *[nothing] * (most - len(held))] for _, held in self.groups]
        of_group = np.array(filled, dtype=np.intp).reshape(-1, most)
        half = (most + 1) // 2
        first, left = np.unique(of_group[:, :half], axis=0, return_inverse=True)
        second, right = np.unique(of_group[:, half:], axis=0, return_inverse=True)
        return {
            "curve_method": curves[:, 0],
            "curve_refrigerant": curves[:, 1],
            "factor_curve": factors[:, 0].astype(np.intp),
            "hits": factors[:, 1],
            "tests": factors[:, 2],
            "blind": factors[:, 3],
            "halves": (first, second),
            "left": left.reshape(-1),
            "right": right.reshape(-1),
            "component": np.array([component for component, _ in self.groups], dtype=np.intp),
        }


def _rows(keys: Index, times: Array) -> Rows:
    """Equal trials added; ``keys`` (n, 4)."""
    distinct, which = np.unique(keys, axis=0, return_inverse=True)
    added = np.bincount(which.reshape(-1), weights=times, minlength=len(distinct)).astype(float)
    group, truth, responded, bins = distinct.T
    return Rows(group, truth, responded, bins, added)


def _trials(
    texts: Sequence[str],
    times: Array,
    answers: Mapping[str, Sequence[tuple[int, int, int]]],
    methods: Sequence[str],
) -> dict[str, int]:
    """How many trials each method took part in."""
    counted = dict.fromkeys(methods, 0)
    for text, count in zip(texts, times, strict=True):
        for method, _, _ in answers[text]:
            counted[methods[method]] += int(count)
    return counted


def _places(names: Sequence[str], order: Sequence[str]) -> Index:
    """(n,) where each name stands in ``order``."""
    place = {name: number for number, name in enumerate(order)}
    return np.array([place[name] for name in names], dtype=np.intp)

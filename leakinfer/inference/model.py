"""The probabilistic model as plain values: items with hidden states, switches they share, tests and observations.

Domain-free: an *item* is anything that is in one of ``K`` states (state 0 is the quiet one), ``count`` equal
independent copies of it count as one item. A *switch* is a hidden choice that changes the tables of one or more
items. Three kinds of test look at items:

* :class:`LevelTest` - every copy of every item in scope emits a level 0..L-1 that depends on its state, so does the
  background, and the *highest* level is seen (a noisy-OR for L = 2, a noisy-MAX beyond);
* :class:`AmountTest` - every copy in scope adds a random whole number of cells to a running sum, the last cell holds
  all that is beyond, and an outcome depends on the sum;
* :class:`SwitchTest` - an outcome depends on one switch.

A test with one item of count 1 in scope is a *local* test; ``local_test`` builds it from a likelihood table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array: TypeAlias = NDArray[np.float64]
SUMS_TO_ONE = 1e-9  # rounding of long sums stays far below


class ModelError(ValueError):
    """The model's parts do not fit together; the message says which and why."""


class ImpossibleEvidence(ValueError):
    """The observations together have probability zero under the model."""


@dataclass(frozen=True, eq=False)
class Switch:
    """A hidden choice. ``prior``: shape (values,), sums to 1."""

    name: str
    prior: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "prior", _distribution(self.prior, f"prior of switch {self.name}"))


@dataclass(frozen=True, eq=False)
class Table:
    """Numbers for every state of an item, for every value of the switches it depends on.

    ``values``: shape (*sizes of ``switches`` in order, states, columns), not negative.
    """

    values: Array
    switches: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        values = np.asarray(self.values, dtype=float)
        if values.ndim != len(self.switches) + 2:
            raise ModelError(f"a table over {len(self.switches)} switches needs {len(self.switches) + 2} axes")
        if values.size == 0 or not (values.min() >= 0 and values.max() < np.inf):
            raise ModelError("a table holds a negative or non-finite number")
        object.__setattr__(self, "values", values)

    @cached_property
    def is_distribution(self) -> bool:
        """Whether each row sums to 1."""
        return bool(np.abs(self.values.sum(-1) - 1).max() <= SUMS_TO_ONE)


@dataclass(frozen=True, eq=False)
class Item:
    """``count`` equal, independent copies of something with hidden states.

    ``prior``: shape (*sizes of ``switches``, states), each row sums to 1; the copies share their switches.
    """

    name: str
    prior: Array
    switches: tuple[str, ...] = ()
    count: int = 1

    def __post_init__(self) -> None:
        object.__setattr__(self, "prior", _distribution(self.prior, f"prior of item {self.name}"))
        if self.prior.ndim != len(self.switches) + 1:
            raise ModelError(f"prior of item {self.name} needs {len(self.switches) + 1} axes")
        if self.count < 1:
            raise ModelError(f"item {self.name} has count {self.count}")

    @property
    def states(self) -> int:
        """Number of states of one copy."""
        return int(self.prior.shape[-1])


@dataclass(frozen=True, eq=False)
class LevelTest:
    """The highest level among all copies in scope and the background is seen.

    ``background``: shape (levels,), sums to 1. ``emit``: by item name, a table with ``levels`` columns, rows sum to 1.
    ``hidden``: by item name, the chance that all its copies together stay at level 0, whatever their states.
    """

    background: Array
    emit: Mapping[str, Table]
    hidden: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "background", _distribution(self.background, "background"))
        object.__setattr__(self, "emit", MappingProxyType(dict(self.emit)))
        for name, table in self.emit.items():
            if table.values.shape[-1] != self.background.size:
                raise ModelError(f"levels of {name} do not fit the background's {self.background.size}")
            _rows_sum(table, f"levels of {name}")
        object.__setattr__(self, "hidden", MappingProxyType({n: h for n, h in self.hidden.items() if h > 0}))
        if not all(name in self.emit and h <= 1 for name, h in self.hidden.items()):
            raise ModelError("a chance of being hidden is above 1 or for an item out of scope")

    @property
    def outcomes(self) -> int:
        """Number of outcomes."""
        return int(self.background.size)

    @property
    def scope(self) -> tuple[str, ...]:
        """Names of the items that the test looks at."""
        return tuple(self.emit)


@dataclass(frozen=True, eq=False)
class AmountTest:
    """An outcome that depends on a sum over all copies in scope.

    ``spread``: by item name, a table with ``cells`` columns, rows sum to 1: the chance that one copy adds that many
    cells. Sums beyond the last cell stay in it. ``likelihood``: shape (cells, outcomes), not negative; for a test that
    is still to be made each row sums to 1, for a reading it may be any likelihood (use one column). Tests with the same
    ``sum_name`` look at one and the same sum, and need the same ``spread``; without a name each has amounts of its own.
    """

    spread: Mapping[str, Table]
    likelihood: Array
    sum_name: str = ""

    def __post_init__(self) -> None:
        likelihood = np.asarray(self.likelihood, dtype=float)
        if likelihood.ndim != 2 or not np.all(np.isfinite(likelihood)) or np.any(likelihood < 0):
            raise ModelError("the likelihood of an amount needs axes (cells, outcomes), finite and not negative")
        object.__setattr__(self, "likelihood", likelihood)
        object.__setattr__(self, "spread", MappingProxyType(dict(self.spread)))
        for name, table in self.spread.items():
            if table.values.shape[-1] != self.cells:
                raise ModelError(f"cells of {name} do not fit the likelihood's {self.cells}")
            _rows_sum(table, f"cells of {name}")

    @property
    def cells(self) -> int:
        """Number of cells of the running sum."""
        return int(self.likelihood.shape[0])

    @property
    def outcomes(self) -> int:
        """Number of outcomes."""
        return int(self.likelihood.shape[1])

    @property
    def scope(self) -> tuple[str, ...]:
        """Names of the items that the test looks at."""
        return tuple(self.spread)


@dataclass(frozen=True, eq=False)
class SwitchTest:
    """An outcome that depends on one switch. ``likelihood``: shape (values, outcomes)."""

    switch: str
    likelihood: Array

    def __post_init__(self) -> None:
        likelihood = np.asarray(self.likelihood, dtype=float)
        if likelihood.ndim != 2 or not np.all(np.isfinite(likelihood)) or np.any(likelihood < 0):
            raise ModelError("the likelihood of a switch needs axes (values, outcomes), finite and not negative")
        object.__setattr__(self, "likelihood", likelihood)

    @property
    def outcomes(self) -> int:
        """Number of outcomes."""
        return int(self.likelihood.shape[1])


Test: TypeAlias = LevelTest | AmountTest | SwitchTest


@dataclass(frozen=True, eq=False)
class Observation:
    """A test with the outcome that was seen (index into its outcomes)."""

    test: Test
    outcome: int

    def __post_init__(self) -> None:
        if not 0 <= self.outcome < self.test.outcomes:
            raise ModelError(f"outcome {self.outcome} of a test with {self.test.outcomes} outcomes")


@dataclass(frozen=True, eq=False)
class Model:
    """Items, switches and observations that fit together.

    Raises:
        ModelError: a name is used twice or is unknown, or an axis has the wrong size.
    """

    items: tuple[Item, ...]
    switches: tuple[Switch, ...] = ()
    observations: tuple[Observation, ...] = ()
    index: Mapping[str, int] = field(init=False, repr=False)
    sizes: Mapping[str, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "index", {item.name: place for place, item in enumerate(self.items)})
        object.__setattr__(self, "sizes", {switch.name: switch.prior.size for switch in self.switches})
        if len(self.index) != len(self.items) or len(self.sizes) != len(self.switches):
            raise ModelError("a name is used twice")
        for item in self.items:
            self._fits(item.prior.shape[:-1], item.switches, f"prior of item {item.name}")
        for observation in self.observations:
            self.check(observation.test)
        self._same_sums([o.test for o in self.observations if isinstance(o.test, AmountTest) and o.test.sum_name])

    def check(self, test: Test) -> None:
        """Raise :class:`ModelError` unless ``test`` fits this model."""
        if isinstance(test, AmountTest) and test.sum_name:
            seen = [o.test for o in self.observations if isinstance(o.test, AmountTest)]
            self._same_sums([*(other for other in seen if other.sum_name == test.sum_name), test])
        if isinstance(test, SwitchTest):
            self._fits((test.likelihood.shape[0],), (test.switch,), "a switch test")
            return
        for name, table in (test.emit if isinstance(test, LevelTest) else test.spread).items():
            if name not in self.index:
                raise ModelError(f"unknown item {name}")
            states = self.items[self.index[name]].states
            if table.values.shape[-2] != states:
                raise ModelError(f"a table for {name} has {table.values.shape[-2]} states, the item {states}")
            self._fits(table.values.shape[:-2], table.switches, f"a table for {name}")

    def _same_sums(self, tests: Sequence[AmountTest]) -> None:
        first: dict[str, AmountTest] = {}
        for test in tests:
            other = first.setdefault(test.sum_name, test).spread
            if other.keys() != test.spread.keys() or any(other[i] is not t for i, t in test.spread.items()):
                raise ModelError(f"sum {test.sum_name} has two different spreads")

    def observing(self, *observations: Observation) -> Model:
        """This model with more observations."""
        return Model(self.items, self.switches, self.observations + observations)

    def _fits(self, shape: tuple[int, ...], switches: tuple[str, ...], what: str) -> None:
        for size, name in zip(shape, switches, strict=True):
            if name not in self.sizes:
                raise ModelError(f"{what}: unknown switch {name}")
            if size != self.sizes[name]:
                raise ModelError(f"{what}: {size} values for switch {name}, it has {self.sizes[name]}")


def local_test(item: str, likelihood: ArrayLike, switches: tuple[str, ...] = ()) -> LevelTest:
    """A test of one item of count 1. ``likelihood``: shape (*switch sizes, states, outcomes), rows sum to 1."""
    table = Table(np.asarray(likelihood, dtype=float), switches)
    quiet = np.zeros(table.values.shape[-1])
    quiet[0] = 1.0
    return LevelTest(quiet, {item: table})


def split_amounts(amounts: ArrayLike, step: float, cells: int) -> Array:
    """Amounts as cells, keeping their mean: shape (..., cells) from amounts of shape (...), ``step`` a cell.

    An amount between two cells goes to both in proportion; beyond the last cell it goes to the last.
    """
    position = np.minimum(np.asarray(amounts, dtype=float) / step, cells - 1)
    low = np.minimum(position.astype(int), cells - 2) if cells > 1 else np.zeros(position.shape, int)
    share = position - low
    rows = np.zeros((*position.shape, cells))
    np.put_along_axis(rows, low[..., None], (1 - share)[..., None], -1)
    if cells > 1:
        np.put_along_axis(rows, low[..., None] + 1, share[..., None], -1)
    else:
        rows[...] = 1.0
    return rows


def _rows_sum(table: Table, what: str) -> None:
    if not table.is_distribution:
        raise ModelError(f"{what} does not sum to 1")


def _distribution(values: ArrayLike, what: str) -> Array:
    array = np.asarray(values, dtype=float)
    if array.ndim == 0 or array.size == 0 or not array.min() >= 0:  # not (NaN >= 0)
        raise ModelError(f"{what} holds a negative or non-finite number")
    if not np.abs(array.sum(-1) - 1).max() <= SUMS_TO_ONE:
        raise ModelError(f"{what} does not sum to 1")
    return array

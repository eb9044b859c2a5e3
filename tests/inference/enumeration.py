"""Brute force: every answer about a small model as a sum over all its worlds.

A *world* is one value for every switch and one state for every copy of every item. Axes: ``W`` worlds.
Meant to be plainly right, not fast: models of up to a few hundred thousand worlds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference import AmountTest, LevelTest, Model, Observation, SwitchTest, Table

Array = NDArray[np.float64]
States = NDArray[np.intp]
Mask = NDArray[np.bool_]
Test = LevelTest | AmountTest | SwitchTest


@dataclass(frozen=True, eq=False)
class Worlds:
    """All worlds of a model. ``switches``: by name, (W,); ``states``: by item, (W, copies); ``prior``: (W,)."""

    switches: Mapping[str, States]
    states: Mapping[str, States]
    prior: Array

    @classmethod
    def of(cls, model: Model) -> Worlds:
        """Every combination of switch values and states, with its prior probability."""
        sizes = [switch.prior.size for switch in model.switches]
        sizes += [item.states for item in model.items for _ in range(item.count)]
        axes = np.indices(sizes).reshape(len(sizes), -1)
        switches = {switch.name: axes[place] for place, switch in enumerate(model.switches)}
        states, place = {}, len(model.switches)
        for item in model.items:
            states[item.name] = axes[place : place + item.count].T
            place += item.count
        prior = np.ones(axes.shape[1])
        for switch in model.switches:
            prior = prior * switch.prior[switches[switch.name]]
        for item in model.items:
            shared = tuple(switches[name] for name in item.switches)
            for copy in range(item.count):
                prior = prior * item.prior[(*shared, states[item.name][:, copy])]
        return cls(switches, states, prior)

    def rows(self, name: str, table: Table, copy: int) -> Array:
        """The table's row for one copy of an item in every world: (W, columns)."""
        shared = tuple(self.switches[switch] for switch in table.switches)
        rows: Array = table.values[(*shared, self.states[name][:, copy])]
        return rows

    def any_copy(self, masks: Mapping[str, Mask]) -> Mask:
        """Worlds in which some copy of some named item is in a masked state: (W,)."""
        hit = np.zeros(self.prior.size, bool)
        for name, mask in masks.items():
            hit |= np.asarray(mask)[self.states[name]].any(axis=1)
        return hit


def outcome_probabilities(worlds: Worlds, test: Test) -> Array:
    """P(outcome | world), or the likelihood of a reading: (W, outcomes)."""
    if isinstance(test, SwitchTest):
        return np.asarray(test.likelihood[worlds.switches[test.switch]])
    if isinstance(test, LevelTest):
        start = np.tile(test.background, (worlds.prior.size, 1))
        return _fold(worlds, test.emit, start, max)
    last = test.cells - 1
    empty = np.zeros((worlds.prior.size, test.cells))
    empty[:, 0] = 1.0
    return _fold(worlds, test.spread, empty, lambda one, other: min(one + other, last)) @ test.likelihood


def _fold(worlds: Worlds, tables: Mapping[str, Table], start: Array, join: Callable[[int, int], int]) -> Array:
    """Distribution of the joined levels (or cells) of all copies, one copy after the other: (W, columns)."""
    have = start
    for name, table in tables.items():
        for copy in range(worlds.states[name].shape[1]):
            add, then = worlds.rows(name, table, copy), np.zeros_like(have)
            for one in range(have.shape[1]):
                for other in range(add.shape[1]):
                    then[:, join(one, other)] += have[:, one] * add[:, other]
            have = then
    return have


@dataclass(frozen=True, eq=False)
class Answer:
    """The worlds of a model, weighted by its observations. ``weight``: (W,), sums to ``evidence``."""

    model: Model
    worlds: Worlds
    weight: Array

    @property
    def evidence(self) -> float:
        """Probability (likelihood) of all observations."""
        return float(self.weight.sum())

    @property
    def posterior(self) -> Array:
        """P(world | observations): (W,)."""
        return np.asarray(self.weight / self.weight.sum())

    def marginal(self, item: str, copy: int = 0) -> Array:
        """P(state | observations) of one copy: (states,)."""
        states = self.model.items[self.model.index[item]].states
        return _totals(self.worlds.states[item][:, copy], self.posterior, states)

    def switch(self, name: str) -> Array:
        """P(value | observations): (values,)."""
        return _totals(self.worlds.switches[name], self.posterior, self.model.sizes[name])

    def probability_none(self, masks: Mapping[str, Mask]) -> float:
        """P(no copy of a named item is in a masked state | observations)."""
        return float(self.posterior[~self.worlds.any_copy(masks)].sum())

    def joint(self) -> tuple[States, Array]:
        """All copies' states, items in order, (distinct, copies), and P(states | observations), (distinct,)."""
        every = np.concatenate([self.worlds.states[item.name] for item in self.model.items], axis=1)
        distinct, place = np.unique(every, axis=0, return_inverse=True)
        return distinct, _totals(place.ravel(), self.posterior, len(distinct))

    def outcomes(self, test: Test) -> Array:
        """P(outcome | observations): (outcomes,)."""
        return np.asarray(self.posterior @ outcome_probabilities(self.worlds, test))

    def target(self, groups: Sequence[Mapping[str, Mask]], max_leaking: int) -> States:
        """Which set of groups is on, as a number, or -1 for more than ``max_leaking``: (W,)."""
        on = np.array([self.worlds.any_copy(group) for group in groups])
        number = (on * 2 ** np.arange(len(groups))[:, None]).sum(axis=0)
        return np.where(on.sum(axis=0) > max_leaking, -1, number)

    def information(self, test: Test, groups: Sequence[Mapping[str, Mask]], max_leaking: int) -> float:
        """Mutual information of the target and the outcome, in bits."""
        seen = outcome_probabilities(self.worlds, test)
        return mutual_information(self.target(groups, max_leaking), self.posterior[:, None] * seen)


def solve_by_enumeration(model: Model) -> Answer:
    """Weigh every world of ``model`` by prior times likelihood of its observations."""
    worlds = Worlds.of(model)
    weight = worlds.prior
    for observation in model.observations:
        weight = weight * outcome_probabilities(worlds, observation.test)[:, observation.outcome]
    return Answer(model, worlds, weight)


def solve_ungridded(model: Model, amounts: Mapping[str, Array], likelihood: Callable[[Array], Array]) -> Answer:
    """As :func:`solve_by_enumeration`, with one more reading of a sum that is kept as an exact float.

    ``amounts``: by item, (states,), what one copy adds; ``likelihood``: of the sum, (W,) to (W,).
    """
    answer = solve_by_enumeration(model)
    total = sum((amounts[name][answer.worlds.states[name]].sum(axis=1) for name in amounts), np.zeros(1))
    return Answer(model, answer.worlds, answer.weight * likelihood(np.asarray(total)))


def _totals(labels: States, weights: Array, size: int) -> Array:
    """Sum of the weights by label: (size,)."""
    return np.asarray(np.bincount(labels, weights, size), dtype=float)


def mutual_information(target: States, joint: Array) -> float:
    """I(target; outcome) in bits. ``target``: (W,) labels; ``joint``: (W, outcomes) P(world, outcome)."""
    values, label = np.unique(target, return_inverse=True)
    table = np.array([_totals(label.ravel(), column, values.size) for column in joint.T]).T
    apart = table.sum(axis=1, keepdims=True) * table.sum(axis=0, keepdims=True)
    some = table > 0
    return float((table[some] * np.log2(table[some] / apart[some])).sum())


def observed(model: Model, pairs: Sequence[tuple[Test, int]]) -> Model:
    """``model`` with the outcomes of some tests."""
    return model.observing(*(Observation(test, outcome) for test, outcome in pairs))

"""How observations enter the scan: folded into an item's weights at once, or as something open along a stretch."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from leakinfer.inference.model import (
    AmountTest,
    Array,
    ImpossibleEvidence,
    LevelTest,
    Model,
    Observation,
    Switch,
    SwitchTest,
    Table,
)

SWITCH, RESPONSE, SUM = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Axis:
    """Something open along a stretch of the scan: ``opening`` enters at the first item, ``closing`` sums at the last.

    ``rank`` orders axes: switches, then responses, then sums. ``closing``: (size,), or (size, outcomes) for
    a sum that is held open to the end.
    """

    name: str
    rank: tuple[int, int]
    opening: Array
    closing: Array


@dataclass(frozen=True)
class Response:
    """A seen level above the quiet one: by item, what keeps a copy below it and what puts it just there."""

    below: Mapping[str, Table]
    at: Mapping[str, Table]


@dataclass(frozen=True)
class OwnResponse:
    """A seen level that one item of several copies alone can explain: what keeps a copy below it, what puts it just
    there, and the chances (*sizes of ``switches``) that the background is below it or just there."""

    below: Table
    at: Table
    ground: tuple[Array, Array]
    switches: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Findings:
    """The observations of a model, sorted by how they enter the scan."""

    folded: Mapping[str, Sequence[Table]]  # one-column tables that multiply an item's weights
    responses: Mapping[str, Response]
    own: Mapping[str, Sequence[OwnResponse]]  # by item of several copies
    sums: Mapping[str, Mapping[str, Table]]
    axes: Mapping[str, Axis]
    log_factor: float
    named_sums: Mapping[str, str]  # by a sum's own name, the name of its axis


def revealed(model: Model) -> Model:
    """The same model with every item that may be hidden from a test depending on a switch that says so."""
    switches, observations = list(model.switches), list[Observation]()
    for number, seen in enumerate(model.observations):
        test = seen.test
        if isinstance(test, LevelTest) and test.hidden:
            emit = dict(test.emit)
            for item, chance in test.hidden.items():
                name = f"hidden {number} {item}"
                switches.append(Switch(name, np.array([1 - chance, chance])))
                quiet = np.zeros_like(emit[item].values)
                quiet[..., 0] = 1.0
                values = np.stack([emit[item].values, quiet])
                emit[item] = Table(values, (name, *emit[item].switches))
            seen = Observation(LevelTest(test.background, emit), seen.outcome)
        observations.append(seen)
    return Model(model.items, tuple(switches), tuple(observations))


def sort_findings(model: Model, *, inside: bool = True) -> Findings:
    """How each observation enters the scan: folded into weights, inside an item, or as an open axis.

    ``inside``: responses that one item of several copies alone can explain stay inside it.
    """
    sorting = _Sorting(model, inside)
    for number, seen in enumerate(model.observations):
        sorting.add(number, seen)
    return sorting.findings()


class _Sorting:
    """Findings as they are sorted, one observation after the other."""

    def __init__(self, model: Model, inside: bool) -> None:
        self.model, self.inside = model, inside
        self.priors = {switch.name: switch.prior for switch in model.switches}
        self.folded: dict[str, list[Table]] = defaultdict(list)
        self.responses: dict[str, Response] = {}
        self.own: dict[str, list[OwnResponse]] = defaultdict(list)
        self.sums: dict[str, Mapping[str, Table]] = {}
        self.axes: dict[str, Axis] = {}
        self.log_factor = 0.0
        self.same: dict[str, str] = {}

    def findings(self) -> Findings:
        """All that was added, and the switches."""
        for rank, switch in enumerate(self.model.switches):
            opening = self.priors[switch.name]
            self.axes[switch.name] = Axis(switch.name, (SWITCH, rank), opening, np.ones(switch.prior.size))
        return Findings(self.folded, self.responses, self.own, self.sums, self.axes, self.log_factor, self.same)

    def add(self, number: int, seen: Observation) -> None:
        """Enter one observation."""
        test, outcome = seen.test, seen.outcome
        if isinstance(test, SwitchTest):
            self.priors[test.switch], log_scale = scaled(self.priors[test.switch] * test.likelihood[:, outcome])
            self.log_factor += log_scale
        elif isinstance(test, LevelTest):
            self._level(test, outcome, number)
        else:
            self._amount(test, outcome, number)

    def _level(self, test: LevelTest, outcome: int, number: int) -> None:
        ground = float(test.background[:outcome].sum()), float(test.background[outcome])
        tables = {id(table): table for table in test.emit.values()}  # items that answer alike go on sharing one table
        lower = {key: Table(t.values[..., :outcome].sum(-1, keepdims=True), t.switches) for key, t in tables.items()}
        equal = {key: Table(t.values[..., outcome : outcome + 1], t.switches) for key, t in tables.items()}
        below = {item: lower[id(table)] for item, table in test.emit.items()}
        at = {item: equal[id(table)] for item, table in test.emit.items()}
        if outcome == 0:
            for item, table in at.items():
                self.folded[item].append(table)
            self.log_factor += _log(ground[1])
            return
        speaking = [item for item in test.emit if at[item].values.any() or not np.all(below[item].values == 1)]
        if not speaking:
            self.log_factor += _log(ground[1])
        elif not self._alone(below, at, speaking, ground):
            name = f"response {number}"
            self.responses[name] = Response({i: below[i] for i in speaking}, {i: at[i] for i in speaking})
            self.axes[name] = Axis(name, (RESPONSE, number), np.array(ground), np.array([0.0, 1.0]))

    def _alone(
        self,
        below: Mapping[str, Table],
        at: Mapping[str, Table],
        speaking: Sequence[str],
        ground: tuple[float, float],
    ) -> bool:
        """Enter a response that the states of but one item explain, if it is one. Single items of a single state, which
        speak by their switches alone, are as good as background."""
        items = {name: self.model.items[self.model.index[name]] for name in speaking}
        told = [name for name, item in items.items() if item.count > 1 or item.states > 1] or speaking[:1]
        if len(told) > 1 or (items[told[0]].count > 1 and not self.inside):
            return False
        behind, names = _background(ground, [(below[name], at[name]) for name in speaking if name != told[0]])
        item, low, here = items[told[0]], below[told[0]], at[told[0]]
        if item.count > 1:
            self.own[item.name].append(OwnResponse(low, here, behind, names))
            return True
        every = (*names, *(name for name in here.switches if name not in names))
        first, second = (_over(part, names, every)[..., None, None] for part in behind)
        low_values, values = _over(low.values, here.switches, every), _over(here.values, here.switches, every)
        self.folded[item.name].append(Table(first * values + second * (low_values + values), every))
        return True

    def _amount(self, test: AmountTest, outcome: int, number: int) -> None:
        """Enter one reading of a sum; readings of one named sum share an axis."""
        name = self.same.setdefault(test.sum_name, f"sum {number}") if test.sum_name else f"sum {number}"
        opening = np.zeros(test.cells)
        opening[0] = 1.0
        old = self.axes.get(name)
        before = np.ones(test.cells) if old is None else old.closing
        closing, log_scale = scaled(before * test.likelihood[:, outcome])
        self.axes[name] = Axis(name, (SUM, number if old is None else old.rank[1]), opening, closing)
        self.sums[name] = test.spread
        self.log_factor += log_scale


def _background(
    ground: tuple[float, float], more: Sequence[tuple[Table, Table]]
) -> tuple[tuple[Array, Array], tuple[str, ...]]:
    """Chances (*sizes of switches) that the background is below a level or just there, with what single items of one
    state add to it, and the names of the switches. ``more``: their tables below and at."""
    names = tuple(dict.fromkeys(name for _, table in more for name in table.switches))
    below, at = np.array(ground[0]), np.array(ground[1])
    for low, here in more:
        lower, equal = (_over(table.values[..., 0, 0], table.switches, names) for table in (low, here))
        below, at = below * lower, below * equal + at * (lower + equal)
    return (below, at), names


def _over(values: Array, switches: Sequence[str], every: Sequence[str]) -> Array:
    """(*sizes of switches, ...) with an axis for each of ``every``, of size 1 where it does not depend on it."""
    own = [name for name in every if name in switches]
    moved = np.moveaxis(values, [switches.index(name) for name in own], range(len(own)))
    return np.expand_dims(moved, [place for place, name in enumerate(every) if name not in switches])


def scaled(values: Array) -> tuple[Array, float]:
    """Values divided by their maximum, and its logarithm: products of many small likelihoods must not underflow."""
    top = float(values.max())
    return values / (top if top > 0 else 1.0), _log(top)


def _log(factor: float) -> float:
    if not factor > 0:
        raise ImpossibleEvidence("an observation has probability zero")
    return math.log(factor)

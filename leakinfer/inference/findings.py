"""How observations enter the scan: folded into an item's weights at once, or as something open along a stretch."""

from __future__ import annotations

import math
from collections.abc import Mapping
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


@dataclass(frozen=True, eq=False)
class Findings:
    """The observations of a model, sorted by how they enter the scan."""

    folded: Mapping[str, tuple[Table, ...]]  # one-column tables that multiply an item's weights
    responses: Mapping[str, Response]
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


def sort_findings(model: Model) -> Findings:
    """How each observation enters the scan: folded into weights, or as an open axis."""
    priors = {switch.name: switch.prior for switch in model.switches}
    folded: dict[str, list[Table]] = {}
    responses: dict[str, Response] = {}
    sums: dict[str, Mapping[str, Table]] = {}
    axes: dict[str, Axis] = {}
    log_factor = 0.0
    same: dict[str, str] = {}
    for number, seen in enumerate(model.observations):
        test, outcome = seen.test, seen.outcome
        if isinstance(test, SwitchTest):
            priors[test.switch], log_scale = scaled(priors[test.switch] * test.likelihood[:, outcome])
            log_factor += log_scale
        elif isinstance(test, LevelTest):
            log_factor += _level(test, outcome, f"response {number}", number, model, folded, responses, axes)
        else:
            log_factor += _amount(test, outcome, number, sums, axes, same)
    for rank, switch in enumerate(model.switches):
        axes[switch.name] = Axis(switch.name, (SWITCH, rank), priors[switch.name], np.ones(switch.prior.size))
    return Findings({k: tuple(v) for k, v in folded.items()}, responses, sums, axes, log_factor, same)


def _level(
    test: LevelTest,
    outcome: int,
    name: str,
    number: int,
    model: Model,
    folded: dict[str, list[Table]],
    responses: dict[str, Response],
    axes: dict[str, Axis],
) -> float:
    """Enter one level observation; returns the log factor that it gives to the evidence at once."""
    ground_below = float(test.background[:outcome].sum())
    ground_at = float(test.background[outcome])
    tables = {id(table): table for table in test.emit.values()}  # items that answer alike go on sharing one table
    lower = {key: Table(t.values[..., :outcome].sum(-1, keepdims=True), t.switches) for key, t in tables.items()}
    equal = {key: Table(t.values[..., outcome : outcome + 1], t.switches) for key, t in tables.items()}
    below = {item: lower[id(table)] for item, table in test.emit.items()}
    at = {item: equal[id(table)] for item, table in test.emit.items()}
    if outcome == 0:
        for item, table in at.items():
            folded.setdefault(item, []).append(table)
        return _log(ground_at)
    speaking = [item for item in test.emit if at[item].values.any() or not np.all(below[item].values == 1)]
    if not speaking:
        return _log(ground_at)
    if len(speaking) == 1 and model.items[model.index[speaking[0]]].count == 1:
        item = speaking[0]
        low, here = below[item], at[item]
        values = ground_below * here.values + ground_at * (low.values + here.values)
        folded.setdefault(item, []).append(Table(values, here.switches))
        return 0.0
    responses[name] = Response({i: below[i] for i in speaking}, {i: at[i] for i in speaking})
    axes[name] = Axis(name, (RESPONSE, number), np.array([ground_below, ground_at]), np.array([0.0, 1.0]))
    return 0.0


def _amount(
    test: AmountTest,
    outcome: int,
    number: int,
    sums: dict[str, Mapping[str, Table]],
    axes: dict[str, Axis],
    same: dict[str, str],
) -> float:
    """Enter one reading of a sum, returning its log scale; readings of one named sum share an axis."""
    name = same.setdefault(test.sum_name, f"sum {number}") if test.sum_name else f"sum {number}"
    opening = np.zeros(test.cells)
    opening[0] = 1.0
    old = axes.get(name)
    before = np.ones(test.cells) if old is None else old.closing
    closing, log_scale = scaled(before * test.likelihood[:, outcome])
    axes[name] = Axis(name, (SUM, number if old is None else old.rank[1]), opening, closing)
    sums[name] = test.spread
    return log_scale


def scaled(values: Array) -> tuple[Array, float]:
    """Values divided by their maximum, and its logarithm: products of many small likelihoods must not underflow."""
    top = float(values.max())
    return values / (top if top > 0 else 1.0), _log(top)


def _log(factor: float) -> float:
    if not factor > 0:
        raise ImpossibleEvidence("an observation has probability zero")
    return math.log(factor)

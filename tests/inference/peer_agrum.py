"""A second exact engine: the model as a Bayesian network for pyAgrum (junction tree, ``LazyPropagation``).

Every test becomes a hand-made chain of nodes, so that no ready-made noisy-OR is relied on: pyAgrum's
``addNoisyOR`` folds the leak into the weights, which would double-count a background. A chain node's parents are
the node before it, one copy of an item and the switches of its table; it holds the highest level (or the sum) so far.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial
from itertools import product
from typing import Any

import numpy as np
import pyagrum as gum
from numpy.typing import NDArray

from leakinfer.inference import AmountTest, LevelTest, Model, Observation, SwitchTest, Table

Array = NDArray[np.float64]


def _at(prior: Array, values: tuple[int, ...]) -> Array:
    """The row of a prior at the values of its switches: (states,)."""
    return np.asarray(prior[values])


class Peer:
    """Marginals and log evidence of a model, from pyAgrum."""

    def __init__(self, model: Model) -> None:
        self.net = gum.BayesNet()
        self.evidence: dict[str, int] = {}
        self.log_scale = 0.0
        self.counts = {item.name: item.count for item in model.items}
        for switch in model.switches:
            self._node(switch.name, switch.prior.size, [], partial(_at, switch.prior))
        for item in model.items:
            for copy in range(item.count):
                self._node(f"{item.name}.{copy}", item.states, list(item.switches), partial(_at, item.prior))
        for place, observation in enumerate(model.observations):
            self._observe(f"test{place}", observation)
        self.engine = gum.LazyPropagation(self.net)
        self.engine.setEvidence(self.evidence)
        self.engine.makeInference()
        self.log_evidence = math.log(self.engine.evidenceProbability()) + self.log_scale

    def marginal(self, item: str) -> Array:
        """P(state | observations) of one copy: (states,)."""
        return np.asarray(self.engine.posterior(f"{item}.0").toarray(), dtype=float)

    def switch(self, name: str) -> Array:
        """P(value | observations): (values,)."""
        return np.asarray(self.engine.posterior(name).toarray(), dtype=float)

    def _node(self, name: str, size: int, parents: list[str], row: Callable[[tuple[int, ...]], Any]) -> None:
        """A node whose distribution, at parent values in the given order, is ``row(values)``: (size,)."""
        self.net.add(gum.LabelizedVariable(name, name, size))
        for parent in parents:
            self.net.addArc(parent, name)
        sizes = [self.net.variable(parent).domainSize() for parent in parents]
        for values in product(*map(range, sizes)):
            entries = [float(entry) for entry in row(values)]
            if parents:
                self.net.cpt(name)[dict(zip(parents, values, strict=True))] = entries
            else:
                self.net.cpt(name).fillWith(entries)

    def _observe(self, name: str, observation: Observation) -> None:
        test, outcome = observation.test, observation.outcome
        if isinstance(test, LevelTest):
            self.evidence[self._chain(name, test.background, test.emit, max)] = outcome
        elif isinstance(test, AmountTest):
            last = test.cells - 1
            empty = np.eye(test.cells)[0]
            total = self._chain(name, empty, test.spread, lambda one, other: min(one + other, last))
            self._weigh(name, total, test.likelihood[:, outcome])
        elif isinstance(test, SwitchTest):
            self._weigh(name, test.switch, test.likelihood[:, outcome])

    def _weigh(self, name: str, parent: str, likelihood: Array) -> None:
        """Hard evidence on a yes/no child whose P(yes) is proportional to ``likelihood`` of the parent's value."""
        scale = float(likelihood.max())
        share = likelihood / scale
        self._node(f"{name}.seen", 2, [parent], lambda at: (1 - share[at[0]], share[at[0]]))
        self.evidence[f"{name}.seen"] = 1
        self.log_scale += math.log(scale)

    def _chain(self, name: str, start: Array, tables: Mapping[str, Table], join: Callable[[int, int], int]) -> str:
        """Nodes that join one copy after the other to what came before; returns the last one's name."""
        before = f"{name}.start"
        self._node(before, start.size, [], lambda _: start)
        copies = [(item, copy) for item in tables for copy in range(self.counts[item])]
        for item, copy in copies:
            link, table = f"{name}.{item}.{copy}", tables[item]

            def row(at: tuple[int, ...], table: Table = table) -> Array:
                have, state, shared = at[0], at[1], at[2:]
                then = np.zeros(start.size)
                for other, chance in enumerate(table.values[(*shared, state)]):
                    then[join(have, other)] += chance
                return then

            self._node(link, start.size, [before, f"{item}.{copy}", *table.switches], row)
            before = link
        return before

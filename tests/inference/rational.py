"""Exact rational arithmetic: evidence and marginals of a small model of yes/no items, free of any rounding."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import product

from leakinfer.inference import LevelTest, Model


def solve_in_fractions(model: Model) -> tuple[Fraction, list[list[Fraction]]]:
    """Evidence, and P(state | observations) of every item (count 1, no switches, any-of observations only)."""
    priors = [[Fraction(float(chance)) for chance in item.prior] for item in model.items]
    names = [item.name for item in model.items]
    readings = [(_entries(observation.test, names), observation.outcome) for observation in model.observations]
    weights = [[Fraction(0)] * len(prior) for prior in priors]
    evidence = Fraction(0)
    for states in product(*(range(len(prior)) for prior in priors)):
        weight = Fraction(1)
        for prior, state in zip(priors, states, strict=True):
            weight *= prior[state]
        for (background, emit), outcome in readings:
            rows = [background] + [table[states[place]] for place, table in emit]
            weight *= _highest(rows, outcome)
        evidence += weight
        for place, state in enumerate(states):
            weights[place][state] += weight
    return evidence, [[weight / evidence for weight in row] for row in weights]


Entries = tuple[list[Fraction], list[tuple[int, list[list[Fraction]]]]]


def _entries(test: object, names: Sequence[str]) -> Entries:
    """Background levels, and by place of the item its emission rows, as fractions."""
    assert isinstance(test, LevelTest)
    background = [Fraction(float(chance)) for chance in test.background]
    tables = [(names.index(name), table.values.tolist()) for name, table in test.emit.items()]
    return background, [(place, [[Fraction(entry) for entry in row] for row in rows]) for place, rows in tables]


def _highest(rows: Sequence[Sequence[Fraction]], outcome: int) -> Fraction:
    """P(the highest of independent levels is ``outcome``), by folding one row after the other."""
    have = list(rows[0])
    for row in rows[1:]:
        then = [Fraction(0)] * len(have)
        for one, chance in enumerate(have):
            for other, more in enumerate(row):
                then[max(one, other)] += chance * more
        have = then
    return have[outcome]

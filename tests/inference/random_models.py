"""Random small models for the property-based checks, with zeros, ones, shared switches and counted items."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference import AmountTest, Item, LevelTest, Model, Observation, Switch, SwitchTest, Table, local_test

from .enumeration import Array, Mask, Test, Worlds, outcome_probabilities

Generator = np.random.Generator

KINDS = ("local", "any-of", "graded", "amount", "switch")


@dataclass(frozen=True)
class Shape:
    """How large a random model is. ``worlds``: no more than this many; ``copies``: no more of them in all."""

    items: int = 6
    copies: int = 8
    switches: int = 2
    worlds: int = 6_000


def distributions(rng: Generator, *shape: int) -> Array:
    """Random distributions over the last axis: mostly all positive, some with a zero, some certain."""
    rows = rng.dirichlet(np.full(shape[-1], 0.7), shape[:-1])
    kind = rng.random(shape[:-1])[..., None]
    chosen = np.arange(shape[-1]) == rng.integers(shape[-1], size=shape[:-1])[..., None]
    gap = np.where(chosen, 0.0, rows + 1e-3) if shape[-1] > 1 else rows
    gap = gap / gap.sum(axis=-1, keepdims=True)
    return np.asarray(np.where(kind < 0.1, chosen, np.where(kind < 0.3, gap, rows)))


def random_model(rng: Generator, shape: Shape) -> Model:
    """A model without observations."""
    switches = tuple(Switch(f"switch{n}", distributions(rng, size)) for n, size in enumerate((2, 3)[: shape.switches]))
    names = [switch.name for switch in switches]
    sizes = {switch.name: switch.prior.size for switch in switches}
    worlds = int(np.prod([switch.prior.size for switch in switches]))
    items: list[Item] = []
    copies = 0
    for place in range(shape.items):
        states = int(rng.integers(2, 5))
        spare = shape.items - place - 1  # the items after this one need a copy each
        count = min(int(rng.choice([1, 1, 1, 2, 3])), max(1, shape.copies - copies - spare))
        while worlds * states**count * 2**spare > shape.worlds and (states > 2 or count > 1):
            states, count = (2, count) if states > 2 else (2, count - 1)
        worlds, copies = worlds * states**count, copies + count
        on = some(rng, names, 0.3)
        prior = distributions(rng, *(sizes[name] for name in on), states)
        items.append(Item(f"item{place}", prior, on, count))
    return Model(tuple(items), switches)


def some(rng: Generator, names: Sequence[str], chance: float) -> tuple[str, ...]:
    """Each name with the given chance, in random order."""
    kept = [name for name in names if rng.random() < chance]
    return tuple(kept[place] for place in rng.permutation(len(kept)))


def random_tables(rng: Generator, model: Model, scope: Sequence[str], columns: int) -> dict[str, Table]:
    """A random table with ``columns`` columns for every item in scope; often a quiet item shows (adds) nothing."""
    tables, often = {}, rng.random() < 0.7
    for name in scope:
        on = some(rng, tuple(model.sizes), 0.25)
        states = model.items[model.index[name]].states
        rows = distributions(rng, *(model.sizes[one] for one in on), states, columns)
        if often and rng.random() < 0.9:
            rows[..., 0, :] = np.eye(columns)[0]
        tables[name] = Table(rows, on)
    return tables


def random_scope(rng: Generator, model: Model) -> list[str]:
    """Items that a test looks at: a run of neighbours, or any of them in any order."""
    names = [item.name for item in model.items]
    if rng.random() < 0.5:
        first = int(rng.integers(len(names)))
        return names[first : first + int(rng.integers(1, len(names) + 1))]
    return [names[place] for place in rng.permutation(len(names))[: int(rng.integers(1, len(names) + 1))]]


def random_test(rng: Generator, model: Model, kind: str) -> Test:
    """A test that is still to be made, of one of :data:`KINDS`; ``switch`` needs a model with a switch."""
    if kind == "switch":
        name = str(rng.choice(list(model.sizes)))
        return SwitchTest(name, distributions(rng, model.sizes[name], 3))
    if kind == "amount":
        cells = int(rng.integers(1, 7))
        tables = random_tables(rng, model, random_scope(rng, model), cells)
        return AmountTest(tables, distributions(rng, cells, int(rng.integers(2, 5))))
    levels = {"local": 3, "any-of": 2, "graded": 4}[kind]
    if kind == "local":
        item = model.items[int(rng.integers(len(model.items)))].name
        table = random_tables(rng, model, [item], levels)[item]
        return local_test(item, table.values, table.switches)
    alarm = 10.0 ** rng.uniform(-6, 0)
    background = (1 - alarm) * np.eye(levels)[0] + alarm * distributions(rng, levels)
    return LevelTest(background, random_tables(rng, model, random_scope(rng, model), levels))


def random_reading(rng: Generator, model: Model) -> AmountTest:
    """An amount already read: one likelihood of any scale."""
    cells = int(rng.integers(1, 7))
    likelihood = 10.0 ** rng.uniform(-6, 2) * rng.uniform(0.05, 1, (cells, 1))
    return AmountTest(random_tables(rng, model, random_scope(rng, model), cells), likelihood)


def random_kind(rng: Generator, model: Model) -> str:
    """One of :data:`KINDS` that fits the model, any-of more often than the others."""
    kinds = [kind for kind in KINDS if kind != "switch" or model.switches]
    return str(rng.choice([*kinds, "any-of", "any-of", "graded"]))


def random_observations(rng: Generator, model: Model, count: int) -> Model:
    """``model`` with ``count`` observations that happened in one random world, so that they are possible."""
    worlds = Worlds.of(model)
    world = int(rng.choice(worlds.prior.size, p=worlds.prior / worlds.prior.sum()))
    here = Worlds(
        {name: values[world : world + 1] for name, values in worlds.switches.items()},
        {name: states[world : world + 1] for name, states in worlds.states.items()},
        worlds.prior[world : world + 1],
    )
    for _ in range(count):
        test = random_test(rng, model, random_kind(rng, model)) if rng.random() < 0.85 else random_reading(rng, model)
        chance = outcome_probabilities(here, test)[0]
        model = model.observing(Observation(test, int(rng.choice(chance.size, p=chance / chance.sum()))))
    return model


def random_masks(rng: Generator, model: Model, quiet: bool = False) -> dict[str, Mask]:
    """Masked states of some items; ``quiet`` allows state 0 among them."""
    masks: dict[str, Mask] = {}
    for item in model.items:
        if rng.random() < 0.6:
            mask: NDArray[np.bool_] = rng.random(item.states) < 0.7
            mask[0] &= quiet
            masks[item.name] = mask
    return masks


def random_groups(rng: Generator, model: Model) -> list[dict[str, Mask]]:
    """Disjoint groups of neighbouring or scattered items; some items stay outside every group."""
    count = int(rng.integers(1, min(4, len(model.items)) + 1))
    places = rng.integers(-1, count, len(model.items))
    places[rng.permutation(len(model.items))[:count]] = np.arange(count)  # no empty group
    groups: list[dict[str, Mask]] = [{} for _ in range(count)]
    for item, place in zip(model.items, places, strict=True):
        mask: NDArray[np.bool_] = np.append(False, rng.random(item.states - 1) < 0.8)
        if place >= 0:
            groups[place][item.name] = mask
    return groups

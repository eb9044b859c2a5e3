"""Operators of single items, those with the same effects made together.

An item enters here as its *states*: (V S, K), weights of what one copy may be in, for each of V variants of weights and
each of S values of the switches that it shares; its private switches are summed out, or laid along K where its effects
depend on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.algebra import AnyOperator, Banded, Operator, QuietOrOne, parts_of
from leakinfer.inference.amounts import is_large, toeplitz_of
from leakinfer.inference.model import Array, Table

SAME_PROFILE = 1e-13  # relative; rounding of products of a few factors is far below
WIDEST_BAND = 5  # cells that an item may add and still be cheaper cell by cell than by a matrix
# Models of one search follow each other and differ in an item or two: what the others do is kept from one to the next.
KEPT_EFFECTS, KEPT_OPERATORS = 256, 640  # some 0.1 MB an operator


@dataclass(frozen=True, eq=False)
class Effect:
    """What one copy does in each state. ``whole``: (1, P or 1, K, B, G..); ``flat``: (K, B cells), of ``shape``
    (B, G..). ``quiet``, ``loud``: places of the states that do nothing, and of the others. ``width``: (K,) cells of the
    one sum up to the last that may be added. ``owned``: whether the states stand for the private switches too.
    """

    whole: Array
    flat: Array
    shape: tuple[int, ...]
    quiet: NDArray[np.intp]
    loud: NDArray[np.intp]
    width: NDArray[np.intp]
    owned: bool


class Asked(NamedTuple):
    """An operator that is asked for: of an item, with states (V S, K); ``held``: whether some are ruled out."""

    place: int
    states: Array
    held: bool


def effect_of(effects: Array) -> Effect:
    """From effects (1, P or 1, K, B, G..) that no shared switch changes."""
    each = effects.reshape(-1, *effects.shape[3:])
    flat = each.reshape(len(each), -1)
    quiet = (flat[:, 0] == 1) & (flat[:, 1:] == 0).all(1)
    if each.ndim == 3:
        cells = each.shape[-1]
        width = cells - (each != 0).any(1)[:, ::-1].argmax(1)
    else:
        width = np.full(len(each), WIDEST_BAND + 1)
    places = np.flatnonzero(quiet), np.flatnonzero(~quiet)
    return Effect(effects, flat, each.shape[1:], *places, width, effects.shape[1] > 1)


@lru_cache(KEPT_EFFECTS)
def effect_on_sums(spreads: tuple[Table, ...], states: int) -> Effect:
    """Of an item under no response; ``spreads``: by sum, a table without switches."""
    result = np.ones((1, 1, states, 1))
    for number, table in enumerate(spreads):
        result = result[..., None] * table.values.reshape(1, 1, states, *(1,) * (number + 1), -1)
    return effect_of(result)


@lru_cache(KEPT_OPERATORS)
def kept_operator(effect: Effect, states: bytes, shape: tuple[int, int], switches: int) -> AnyOperator:
    """:func:`made` of one item under no response, with its states (V S, K) as bytes."""
    return made(effect, np.frombuffer(states).reshape(1, *shape), switches)[0]


def states_of(weights: Array, prior: Array, effect: Effect) -> Array:
    """(V S, K) from weights (V S, P, K) and the prior (P,) of the private switches."""
    if effect.owned:
        return (weights * prior[:, None]).reshape(len(weights), -1)
    return weights[:, 0] if len(prior) == 1 else np.asarray(prior @ weights)


def made(effect: Effect, states: Array, switches: int) -> list[AnyOperator]:
    """Operators of n items with one effect; ``states``: (n, V S, K), ``switches``: S."""
    width = _width(effect, states)
    if width <= WIDEST_BAND:
        return _banded(effect, states, width)
    shares, loud = None, states[..., effect.loud]
    if switches > 1:
        shares = one_profile(loud, switches)
        if shares is not None:
            shares = shares[0], shares[1] @ effect.flat[effect.loud]
        elif effect.owned:  # states may differ where what they do together does not
            shares = one_profile(loud @ effect.flat[effect.loud], switches)
    kernels = states @ effect.flat if shares is None else shares[1]
    kernels = kernels.reshape(*kernels.shape[:2], *effect.shape)
    parts = parts_of(kernels.reshape(-1, *effect.shape))
    parts = parts.reshape(*kernels.shape[:2], *parts.shape[1:])
    if is_large(parts[0]):
        whole = [Operator(kernel, parts=part) for kernel, part in zip(kernels, parts, strict=True)]
    else:
        matrix = toeplitz_of(parts.reshape(-1, *parts.shape[2:]))
        matrix = matrix.reshape(*kernels.shape[:2], *matrix.shape[1:])
        whole = [Operator(kernel, matrix=part) for kernel, part in zip(kernels, matrix, strict=True)]
    if shares is None:
        return list(whole)
    quiet = states[..., effect.quiet].sum(-1)
    return [QuietOrOne(*each) for each in zip(quiet, shares[0], whole, strict=True)]


def _width(effect: Effect, states: Array) -> int:
    """Cells that the items may add, one more; too many where a band cannot serve."""
    bits, *grid = effect.shape
    if len(grid) != 1 or bits > 1 or grid[0] <= WIDEST_BAND:
        return WIDEST_BAND + 1
    return int(effect.width[states.any((0, 1))].max(initial=1))


def _banded(effect: Effect, states: Array, width: int) -> list[AnyOperator]:
    kernels = (states @ effect.flat[:, :width])[:, :, None]
    return [Banded(kernel) for kernel in kernels]


def one_profile(loud: Array, switches: int) -> tuple[Array, Array] | None:
    """How likely an item acts, (n, V S), and by what, (n, V, K), whatever the switches; None if they change that.

    ``loud``: (n, V S, K), weights of the states that act, or of what they do; ``switches``: S.
    """
    split = loud.reshape(loud.shape[0], loud.shape[1] // switches, switches, loud.shape[2])
    active = split.sum(-1)  # (n, V, S)
    best = np.take_along_axis(split, active.argmax(-1)[..., None, None], axis=2)[:, :, 0]
    total = best.sum(-1, keepdims=True)
    profile = best / np.where(total > 0, total, 1.0)
    if np.any(np.abs(split - active[..., None] * profile[:, :, None]) > SAME_PROFILE * split):
        return None
    return active.reshape(loud.shape[:2]), profile

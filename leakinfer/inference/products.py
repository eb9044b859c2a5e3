"""A scan in coordinates in which items act by plain products, for scoring tests: what is open joins by union or by
adding, and both are diagonal there.

A set of explained responses is told by its sums over subsets: a union is then a product. A running sum is told by
values of its generating function, sum over x of m(x) z^x: adding is then a product. One point is z = 1, which counts
all that is in the last cell or beyond; the others lie on a circle of radius r < 1, and their inverse transform gives
the cells below the last, where what is beyond would alias comes in r^points less. Backward messages take the
coordinates in which the contraction with a forward one stays the same.

Both errors are absolute and bounded as one goes (:data:`MOST_DOUBT`); the plain scan stands in where they are large.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache, lru_cache
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.algebra import AnyOperator
from leakinfer.inference.chain import WIDEST_KERNEL, Chain, Wanted
from leakinfer.inference.findings import RESPONSE, SUM, Axis
from leakinfer.inference.link import Link, side_by_side
from leakinfer.inference.making import KEPT_EFFECTS, Asked
from leakinfer.inference.model import Array, Table

FEW_CELLS = 12
POINTS_PER_CELL = (2, 8)  # on the whole circle; the more, where a sum has few cells: with more points less cancels
DIGITS = 17.0  # that damping shares out between what aliases and what cancels; rounding seldom comes near its bound
ROUNDING = 1e-16
MOST_DOUBT = 1e-5  # of the evidence, bound of what aliases and of rounding; beyond, the plain scan stands in
LEAST_NOISE = 1e-13
TOGETHER = 4_000_000  # bytes of kernels of one copy taken at once
LARGE = 1_000_000  # bytes of a kernel from which it is made when it acts and not kept

Products: TypeAlias = NDArray[Any]  # complex where a sum is open
Circle: TypeAlias = tuple[int, bool, float]  # cells of a sum; whether the whole circle is taken; digits of damping
Sums: TypeAlias = tuple[Circle, ...]


class Coordinates(NamedTuple):
    """Of one axis: (size, new size) matrices for forward and backward messages along it."""

    forward: Products
    backward: Products


@cache
def of_response() -> Coordinates:
    """(unexplained, either), and its dual."""
    return Coordinates(np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([[1.0, 0.0], [-1.0, 1.0]]))


@cache
def of_sum(cells: int, whole: bool, digits: float) -> Coordinates:
    """Values of the generating function, at z = 1 first. ``whole``: on the whole circle; else on its half, which is
    enough along one axis, since the real part of the contraction counts. ``digits``: see :func:`damping`."""
    points = cells * _points(cells)
    count = points if whole else points // 2 + 1
    circle = 10 ** (-digits / points) * np.exp(-2j * np.pi * np.arange(count) / points)
    forward = np.concatenate([[1.0], circle]) ** np.arange(cells)[:, None]
    share = np.full(count, 1 / points)
    if not whole:
        share[1:-1] *= 2
    backward = np.zeros_like(forward)
    backward[:-1, 1:] = share * circle ** -np.arange(cells - 1)[:, None]
    backward[-1, 1:] = -backward[:-1, 1:].sum(0)
    backward[-1, 0] = 1
    return Coordinates(forward, backward)


def _points(cells: int) -> int:
    return POINTS_PER_CELL[cells <= FEW_CELLS]


def damping(cells: Iterable[int]) -> float:
    """Digits that what aliases is damped by: as many as cancelling leaves of sums side by side, whose roundings
    multiply."""
    return DIGITS / (1 + sum(1 / _points(size) for size in cells))


def along(values: Array, matrices: Mapping[int, Products]) -> Products:
    """Values with some axes changed by (size, new size) matrices."""
    for axis, matrix in matrices.items():
        values = np.moveaxis(_times(np.moveaxis(values, axis, -1), matrix), -1, axis)
    return values


def on_half(link: Link) -> Sums:
    """The sums of one link on its own: the last one on half of the circle."""
    last, digits = len(link.sums) - 1, damping(link.cells)
    return tuple((size, place < last, digits) for place, size in enumerate(link.cells))


def effects_of(link: Link, sums: Sums) -> Products:
    """(S, P, K, B, C..): :meth:`Link.effects` in these coordinates."""
    pairs = [np.stack([below, below + at], axis=-1) for below, at in zip(link.below, link.at, strict=True)]
    spreads = [_times(each, of_sum(*size).forward) for each, size in zip(link.spreads, sums, strict=True)]
    return side_by_side(link.item.states, pairs, spreads)


@lru_cache(KEPT_EFFECTS)
def _of_tables(tables: tuple[Table, ...], states: int, sums: Sums) -> Products:
    """:func:`effects_of` of an item under no response, from one job of a search to the next."""
    spreads = [
        _times(table.values[None, None], of_sum(*size).forward) for table, size in zip(tables, sums, strict=True)
    ]
    return side_by_side(states, [], spreads)


def of_cavity(seen: Array, sums: Sums) -> Products:
    """What all else says of kernels (S, B, G..), so that the real part of the contraction with factors stays the
    same."""
    matrices: dict[int, Products] = {2 + place: of_sum(*size).backward for place, size in enumerate(sums)}
    bits = int(seen.shape[1]).bit_length() - 1
    return along(seen, {1: _of_responses(bits), **matrices} if bits else matrices)


@cache
def _of_responses(bits: int) -> Array:
    """(2^r, 2^r) for backward messages along the sets of r responses."""
    matrix: Products = np.ones((1, 1))
    for _ in range(bits):
        matrix = np.kron(matrix, of_response().backward)
    return matrix


class Product:
    """An item that acts by factors (S, B, C..)."""

    def __init__(self, factors: Products) -> None:
        self.factors = factors[None, :, None]

    def push(self, message: Array) -> Products:
        """The message (rows, S, U, B, C..) after the item."""
        return np.asarray(message * self.factors)

    pull = push


class LargeProduct:
    """The same, its factors made anew from states (S, K) and what they do, (K, B C), of ``shape`` (B, C..)."""

    def __init__(self, states: Array, acts: Products, shape: tuple[int, ...]) -> None:
        self.states, self.acts, self.shape = states, acts, shape

    def push(self, message: Array) -> Products:
        """The message (rows, S, U, B, C..) after the item."""
        return np.asarray(message * _times(self.states, self.acts).reshape(len(self.states), 1, *self.shape))

    pull = push


class ProductScan(Chain):
    """The same scan as another one, with messages and operators in these coordinates.

    ``alias``: share of what is beyond the grids that comes back into them. ``noise``: what is less than this share of
    the evidence is none.
    """

    def __init__(self, plain: Chain, axes: Mapping[str, Coordinates], sums: Mapping[str, Circle]) -> None:
        vars(self).update(vars(plain))
        swap = {
            axis.name: _changed(axis, axes[axis.name])
            for segment in plain.segments
            for axis in segment.axes
            if axis.name in axes
        }
        self._axes, self._sums, self._sources = axes, sums, plain.home
        self.alias = max((10**-digits for _, _, digits in sums.values()), default=0.0)
        self.noise = max(self.alias, LEAST_NOISE)
        self.segments = [segment.with_axes(swap) for segment in plain.segments]
        self.home = [segment for segment in self.segments for _ in segment.links]
        self._crossings, self._factors = {}, dict[Hashable, Products]()
        self._befores, self._afters = dict[int, Products](), dict[int, Products]()

    def before(self, place: int) -> Products:
        """The forward message before an item."""
        if place not in self._befores:
            source = self._sources[place]
            self._befores[place] = self._carried(source.before[place - source.first], place, "forward")
        return self._befores[place]

    def after(self, place: int) -> Products:
        """The backward message after an item."""
        if place not in self._afters:
            source = self._sources[place]
            self._afters[place] = self._carried(source.after[place - source.first + 1], place, "backward")
        return self._afters[place]

    def _carried(self, message: Array, place: int, way: str) -> Products:
        source = self._sources[place]
        matrices = {
            number + 1: getattr(self._axes[axis.name], way)
            for number, axis in enumerate(source.axes)
            if axis.name in self._axes
        }
        return self.home[place].fold(along(source.unfold(message), matrices)) if matrices else message

    def doubt(self, before: Products, after: Products, place: int) -> float:
        """Bound of the error of two messages (rows, S, U, B, C..) joined at an item, over the evidence; those of the
        plain scan are at most 1."""
        sizes = np.abs(before)
        beyond = sizes[(slice(None),) * 4 + (0,) * (sizes.ndim - 4)]  # at z = 1: all there is
        joined = sizes.reshape(len(sizes), -1) @ np.abs(after).reshape(len(after), -1).T
        worst = ROUNDING * joined.max() + self.alias * beyond.reshape(len(sizes), -1).sum(1).max()
        return float(worst / self.home[place].total)

    def together(self, asked: Sequence[Asked]) -> list[AnyOperator]:
        """Operators of single items, in order; those with the same effects are made together."""
        alike: dict[Hashable, list[int]] = {}
        found: dict[int, AnyOperator] = {}
        for number, ask in enumerate(asked):
            alike.setdefault((id(self._effects_of(ask.place)), ask.states.shape), []).append(number)
        for numbers in alike.values():
            effects = self._effects_of(asked[numbers[0]].place)
            shape = effects.shape[3:]
            acts = effects.reshape(-1, math.prod(shape))
            if len(asked[numbers[0]].states) * acts[0].nbytes > LARGE:
                found |= {number: LargeProduct(asked[number].states, acts, shape) for number in numbers}
                continue
            states = np.stack([asked[number].states for number in numbers])
            factors = _times(states, acts).reshape(*states.shape[:2], *shape)
            found |= {number: Product(each) for number, each in zip(numbers, factors, strict=True)}
        return [found[number] for number in range(len(asked))]

    def operators(self, wanted: Sequence[Wanted]) -> list[AnyOperator]:
        """Operators of items with the given weights."""
        return [Product(self._factors_of(ask)) for ask in wanted]

    def _factors_of(self, ask: Wanted) -> Products:
        """(V S, B, C..) of all copies; where an item may be hidden, a mixture of two."""
        link, effects = self.links[ask.place], self._effects_of(ask.place)
        own = factors_of(link, ask.weights, effects)
        if ask.aside is None:
            return own
        chance = ask.aside[0].reshape(-1, *(1,) * (own.ndim - 1))
        return np.asarray((1 - chance) * own + chance * factors_of(link, ask.aside[1], effects))

    def _effects_of(self, place: int) -> Products:
        """(S, P, K, B, C..), one array for all items that act alike."""
        link = self.links[place]
        key = place if link.effects_key is None else link.effects_key
        if key not in self._factors:
            sums = tuple(self._sums[name] for name in link.sums)
            alone = None if link.tables is None else _of_tables(link.tables, link.item.states, sums)
            self._factors[key] = effects_of(link, sums) if alone is None else alone
        return self._factors[key]


def in_products(chain: Chain) -> Chain:
    """The scan in these coordinates; itself where nothing is open but switches, or an item is under too many
    responses."""
    if isinstance(chain, ProductScan):
        return chain
    if chain.in_products is None:
        chain.in_products = _in_products(chain)
    return chain.in_products or chain


def _in_products(chain: Chain) -> ProductScan | None:
    opened = {axis.name: axis for segment in chain.segments for axis in segment.axes if axis.rank[0] in (RESPONSE, SUM)}
    if not opened or any(len(link.responses) > WIDEST_KERNEL for link in chain.links):
        return None
    cells = {name: axis.opening.size for name, axis in opened.items() if axis.rank[0] == SUM}
    longest = max(cells, key=cells.__getitem__, default=None)
    digits = min(damping(cells[axis.name] for axis in part.axes if axis.name in cells) for part in chain.segments)
    sums = {name: (size, name != longest, digits) for name, size in cells.items()}
    axes = {name: of_sum(*sums[name]) if name in sums else of_response() for name in opened}
    return ProductScan(chain, axes, sums)


def factors_of(link: Link, weights: Array, effects: Products) -> Products:
    """(V S, B, C..) of all copies of an item, from weights (V S, P, K) and effects (S, P, K, B, C..); the private
    switches are summed out."""
    terms = link.terms.count if link.terms else 1
    each = weights[0].size // link.item.states * effects[0, 0, 0].nbytes * terms
    step = max(TOGETHER // (each * len(link.weights)), 1) * len(link.weights)  # whole variants of weights
    parts = [
        np.moveaxis(_by_switch(link, weights[i : i + step], effects), 1, -1) @ link.private_prior
        for i in range(0, len(weights), step)
    ]
    return np.concatenate(parts) if len(parts) > 1 else np.asarray(parts[0])


def doubt(factors: Products, seen_by: Products, seen: Array, sums: Sums) -> float:
    """Bound of the error of factors (variants, S, B, C..) joined with what all else says, (S, B, C..) and, as cells,
    (S, B, G..)."""
    sizes = np.abs(factors)
    beyond = sizes[(slice(None),) * 3 + (0,) * len(sums)]  # at z = 1: all there is
    alias = max((10**-digits for _, _, digits in sums), default=0.0)
    joined = np.tensordot(sizes, np.abs(seen_by), axes=seen.ndim).max()
    return float(ROUNDING * joined + alias * beyond.sum((1, 2)).max() * np.abs(seen).max())


def _by_switch(link: Link, weights: Array, effects: Products) -> Products:
    """(V S, P, B, C..) of all copies, by private switch."""
    if link.terms is None:
        return _power(_sum_states(weights, effects), link.item.count)
    if effects.shape[1] > 1:
        effects = np.repeat(effects, link.terms.count, axis=1)
    return link.terms.summed(_power(_sum_states(link.terms.spread(weights), effects), link.item.count))


def _sum_states(weights: Array, effects: Products) -> Products:
    """sum_k weights[s, p, k] effects[s, p, k, ...]."""
    flat = effects.reshape(*effects.shape[:3], -1)
    if flat.shape[:2] == (1, 1):
        summed = _times(weights, flat[0, 0])
    else:
        if 1 < flat.shape[0] < weights.shape[0]:  # several variants of weights take the effects in turn
            flat = np.concatenate([flat] * (weights.shape[0] // flat.shape[0]))
        summed = _times(weights[:, :, None, :], flat)[:, :, 0]
    return np.asarray(summed.reshape(*weights.shape[:2], *effects.shape[3:]))


def _power(factors: Products, count: int) -> Products:
    """Factors to the power of a whole number, by repeated squaring: many times faster than by logarithms."""
    result, square = None, factors
    while True:
        if count & 1:
            result = square if result is None else result * square
        count >>= 1
        if not count:
            assert result is not None
            return result
        square = square * square


def _times(real: Array, matrix: Products) -> Products:
    """(..., n) by a matrix (..., n, m) that may be complex, without making real values complex."""
    if np.iscomplexobj(real) or not np.iscomplexobj(matrix):
        return np.asarray(real @ matrix)
    return np.asarray((real @ np.ascontiguousarray(matrix).view(float)).view(complex))


def _changed(axis: Axis, coordinates: Coordinates) -> Axis:
    opening, closing = axis.opening @ coordinates.forward, coordinates.backward.T @ axis.closing
    return replace(axis, opening=opening, closing=closing)

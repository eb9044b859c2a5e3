"""A scan in coordinates in which items act by plain products, for scoring tests: what is open joins by union or by
adding, and both are diagonal there.

A set of explained responses is told by its sums over subsets: a union is then a product. A running sum is told by
values of its generating function, sum over x of m(x) z^x: adding is then a product. One point is z = 1, which counts
all that is in the last cell or beyond; the others lie on a circle of radius r < 1, and their inverse transform gives
the cells below the last, where what is beyond would alias comes in r^points less. Backward messages take the
coordinates in which the contraction with a forward one stays the same.

Both errors are absolute and bounded as one goes (:data:`LARGEST_ERROR`); the plain scan stands in where they are large.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import replace
from functools import cache, lru_cache
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.algebra import AnyOperator, times
from leakinfer.inference.chain import Chain, Wanted
from leakinfer.inference.findings import RESPONSE, SUM, Axis
from leakinfer.inference.link import Link, side_by_side
from leakinfer.inference.making import KEPT_EFFECTS, Asked
from leakinfer.inference.model import Array, Table

# Points on the whole circle for each cell; more points cancel less. Of one sum, of several side by side, of a short one
ALONE, BESIDE, FEW = 3, 2, 8
FEW_CELLS = 12  # so short a sum costs next to nothing
MANY_CELLS = 2000  # of three sums side by side or more; then a short one multiplies much
DIGITS = 17.0  # that damping shares out between what aliases and what cancels; rounding seldom comes near its bound
ROUNDING = 1e-16
LARGEST_ERROR = 1e-5  # bound of what aliases and of rounding, over the evidence; beyond, the plain scan stands in
LARGE = 1_000_000  # bytes of a kernel from which it is made when it acts and not kept

Transformed: TypeAlias = NDArray[Any]  # complex where a sum is open


class Coordinates(NamedTuple):
    """Of one axis: (size, new size) matrices for forward and backward messages along it."""

    forward: Transformed
    backward: Transformed


class Circle(NamedTuple):
    """Where the generating function of a sum is told, by its ``cells``: at so many points of the ``whole`` circle, or
    of its half, which is enough along one axis since the real part of a contraction counts; ``digits`` of damping."""

    cells: int
    points: int
    whole: bool
    digits: float


Sums: TypeAlias = tuple[Circle, ...]


@cache
def of_response() -> Coordinates:
    """(unexplained, either), and its dual."""
    return Coordinates(np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([[1.0, 0.0], [-1.0, 1.0]]))


@cache
def of_sum(circle: Circle) -> Coordinates:
    """Values of the generating function, at z = 1 first."""
    cells, points, whole, digits = circle
    count = points if whole else points // 2 + 1
    places = 10 ** (-digits / points) * np.exp(-2j * np.pi * np.arange(count) / points)
    forward = np.concatenate([[1.0], places]) ** np.arange(cells)[:, None]
    share = np.full(count, 1 / points)
    if not whole:
        share[1:-1] *= 2
    backward = np.zeros_like(forward)
    backward[:-1, 1:] = share * places ** -np.arange(cells - 1)[:, None]
    backward[-1, 1:] = -backward[:-1, 1:].sum(0)
    backward[-1, 0] = 1
    return Coordinates(forward, backward)


def circles(cells: Sequence[int], half: int, groups: Sequence[Collection[int]]) -> Sums:
    """Those of some sums, the ``half`` th on half a circle. ``groups``: which are open side by side, whose roundings
    multiply: as many digits are damped by as cancelling leaves."""
    crowded = any(len(group) > 2 and math.prod(cells[i] for i in group) > MANY_CELLS for group in groups)
    most, few = (BESIDE if max(map(len, groups)) > 1 else ALONE), (ALONE if crowded else FEW)
    each = [few if size <= FEW_CELLS else most for size in cells]
    digits = min(DIGITS / (1 + sum(1 / each[i] for i in group)) for group in groups)
    return tuple(
        Circle(size, size * per_cell + size * per_cell % 2, i != half, digits)
        for i, (size, per_cell) in enumerate(zip(cells, each, strict=True))
    )


def along(values: Array, matrices: Mapping[int, Transformed]) -> Transformed:
    """Values with some axes changed by (size, new size) matrices."""
    for axis, matrix in matrices.items():
        values = np.moveaxis(times(np.moveaxis(values, axis, -1), matrix), -1, axis)
    return values


def circles_of(link: Link) -> Sums:
    """Those of one link on its own."""
    every = range(len(link.cells))
    return circles(link.cells, len(every) - 1, [every])


def effects_of(link: Link, sums: Sums) -> Transformed:
    """(S, P, K, B, C..): :meth:`Link.effects` in these coordinates."""
    pairs = [np.stack([below, below + at], axis=-1) for below, at in zip(link.below, link.at, strict=True)]
    if link.tables is not None:
        spreads = [_told_of(*each) for each in zip(link.tables, sums, strict=True)]
    else:
        spreads = [times(each, of_sum(circle).forward) for each, circle in zip(link.spreads, sums, strict=True)]
    return side_by_side(link.item.states, pairs, spreads)


@lru_cache(KEPT_EFFECTS)
def _told_of(table: Table, circle: Circle) -> Transformed:
    """(1, 1, K, C): a table of amounts; kept from one job of a search to the next."""
    return times(table.values[None, None], of_sum(circle).forward)


def of_cavity(seen: Array, sums: Sums) -> Transformed:
    """What all else says of kernels (S, B, G..), so that the real part of the contraction with factors stays the
    same."""
    matrices: dict[int, Transformed] = {2 + i: of_sum(circle).backward for i, circle in enumerate(sums)}
    bits = int(seen.shape[1]).bit_length() - 1
    return along(seen, {1: _of_responses(bits), **matrices} if bits else matrices)


@cache
def _of_responses(bits: int) -> Array:
    """(2^r, 2^r) for backward messages along the sets of r responses."""
    matrix: Transformed = np.ones((1, 1))
    for _ in range(bits):
        matrix = np.kron(matrix, of_response().backward)
    return matrix


class Product:
    """An item that acts by factors (S, B, C..)."""

    def __init__(self, factors: Transformed) -> None:
        self.factors = factors[None, :, None]

    def push(self, message: Array) -> Transformed:
        """The message (rows, S, U, B, C..) after the item."""
        return np.asarray(message * self.factors)

    pull = push


class LargeProduct:
    """The same, its factors made anew from states (S, K) and what they do, (K, B C), of ``shape`` (B, C..)."""

    def __init__(self, states: Array, acts: Transformed, shape: tuple[int, ...]) -> None:
        self.states, self.acts, self.shape = states, acts, shape

    def push(self, message: Array) -> Transformed:
        """The message (rows, S, U, B, C..) after the item."""
        return np.asarray(message * times(self.states, self.acts).reshape(len(self.states), 1, *self.shape))

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
        self.alias, rounding = _left_over(sums.values())
        self.noise = max(self.alias, rounding)
        self.segments = [segment.with_axes(swap) for segment in plain.segments]
        self.home = [segment for segment in self.segments for _ in segment.links]
        self._crossings, self._factors = {}, dict[Hashable, Transformed]()
        self._befores, self._afters = dict[int, Transformed](), dict[int, Transformed]()

    def before(self, place: int) -> Transformed:
        """The forward message before an item."""
        if place not in self._befores:
            source = self._sources[place]
            self._befores[place] = self._carried(source.before[place - source.first], place, "forward")
        return self._befores[place]

    def after(self, place: int) -> Transformed:
        """The backward message after an item."""
        if place not in self._afters:
            source = self._sources[place]
            self._afters[place] = self._carried(source.after[place - source.first + 1], place, "backward")
        return self._afters[place]

    def _carried(self, message: Array, place: int, way: str) -> Transformed:
        source = self._sources[place]
        matrices = {
            number + 1: getattr(self._axes[axis.name], way)
            for number, axis in enumerate(source.axes)
            if axis.name in self._axes
        }
        return self.home[place].fold(along(source.unfold(message), matrices)) if matrices else message

    def error_bound(self, before: Transformed, after: Transformed, place: int) -> float:
        """Of two messages (rows, S, U, B, C..) joined at an item, over the evidence; those of the
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
            factors = times(states, acts).reshape(*states.shape[:2], *shape)
            found |= {number: Product(each) for number, each in zip(numbers, factors, strict=True)}
        return [found[number] for number in range(len(asked))]

    def operators(self, wanted: Sequence[Wanted]) -> list[AnyOperator]:
        """Operators of items with the given weights."""
        return [Product(self._kernel(ask)) for ask in wanted]

    def _of_copies(self, place: int, weights: Array) -> Transformed:
        return self.links[place].kernel(weights, self._effects_of(place), factors=True)

    def _effects_of(self, place: int) -> Transformed:
        """(S, P, K, B, C..), one array for all items that act alike."""
        link = self.links[place]
        key = place if link.effects_key is None else link.effects_key
        if key not in self._factors:
            self._factors[key] = effects_of(link, tuple(self._sums[name] for name in link.sums))
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
    if not opened or any(link.wide for link in chain.links):
        return None
    names = [name for name, axis in opened.items() if axis.rank[0] == SUM]
    cells = [opened[name].opening.size for name in names]
    groups = [[names.index(axis.name) for axis in part.axes if axis.name in names] for part in chain.segments]
    longest = cells.index(max(cells)) if cells else 0
    sums = dict(zip(names, circles(cells, longest, groups), strict=True))
    axes = {name: of_sum(sums[name]) if name in sums else of_response() for name in opened}
    return ProductScan(chain, axes, sums)


def _left_over(sums: Collection[Circle]) -> tuple[float, float]:
    """What aliases and what rounding leaves, as shares of all there is."""
    digits = min((circle.digits for circle in sums), default=DIGITS)
    return 10**-digits, ROUNDING * 10 ** (DIGITS - digits)


def error_bound(factors: Transformed, seen_by: Transformed, seen: Array, sums: Sums) -> float:
    """Of factors (variants, S, B, C..) joined with what all else says, (S, B, C..) and, as cells,
    (S, B, G..)."""
    sizes = np.abs(factors)
    beyond = sizes[(slice(None),) * 3 + (0,) * len(sums)]  # at z = 1: all there is
    alias, _ = _left_over(sums)
    joined = np.tensordot(sizes, np.abs(seen_by), axes=seen.ndim).max()
    return float(ROUNDING * joined + alias * beyond.sum((1, 2)).max() * np.abs(seen).max())


def _changed(axis: Axis, coordinates: Coordinates) -> Axis:
    opening, closing = axis.opening @ coordinates.forward, coordinates.backward.T @ axis.closing
    return replace(axis, opening=opening, closing=closing)

"""Messages over open level bits and running sums, and the operators that items apply to them.

A *message* is an array (rows, S, U, B, G1, ..., Gt): S values of the switches the item depends on, U everything open
that it does not touch, B = 2^r bits ("this response is already explained"), one axis for each running sum. An item
acts by a *kernel* (S, B, G1, ..., Gt): the chance that it newly explains a set of responses and adds some cells. Sets
join by union, sums add and stay in the last cell, so kernels commute and every term is non-negative: nothing cancels.

Union over one bit is three products: out0 = m0 k0, out1 = m0 k1 + m1 (k0 + k1). r bits take 3^r.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from leakinfer.inference.model import Array

ROWS_IN_CACHE = 1024  # rows of which three tables of some 60 cells stay close to the processor
ROWS_TOGETHER = 4  # rows over two sums from which one product for each cell is faster than one for each cell added


class Triples(NamedTuple):
    """The 3^r products of a union over r bits, as index and summing tables."""

    message: NDArray[np.intp]  # (3^r,) which message bit set
    kernel: Array  # (3^r, 2^r) which kernel bit sets are summed
    out: NDArray[np.intp]  # (3^r,) which bit set results
    gather: Array  # (2^r, 3^r) sums products into bit sets
    spread: Array  # (2^r, 3^r) sums products into message bit sets


@cache
def triples(bits: int) -> Triples:
    """The products for ``bits`` bits; bit j of an index is response j, in the order of reshaping (first is highest)."""
    message, out = np.zeros(1, int), np.zeros(1, int)
    kernel = np.ones((1, 1))
    for _ in range(bits):
        message = (message[:, None] * 2 + np.array([0, 0, 1])).ravel()
        out = (out[:, None] * 2 + np.array([0, 1, 1])).ravel()
        kernel = np.kron(kernel, np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]]))
    every = np.arange(2**bits)[:, None]
    return Triples(message, kernel, out, (out == every).astype(float), (message == every).astype(float))


@cache
def diagonal(bits: int) -> Triples:
    """The products in the summed form, in which an entry of a set of bits holds the sum over its subsets: one a set."""
    sets = np.arange(2**bits)
    subset = (sets[:, None] & sets[None, :]) == sets[None, :]
    eye = np.eye(2**bits)
    return Triples(sets, subset.astype(float), sets, eye, eye)


@cache
def _hankel_index(cells: int) -> NDArray[np.intp]:
    """The cell reached from a cell by adding some: min(from + added, last)."""
    return np.minimum(np.add.outer(np.arange(cells), np.arange(cells)), cells - 1)


def toeplitz(kernel: Array) -> Array:
    """(..., G) as the matrix (..., G, G) that adds to a running sum, the last cell keeping what is beyond."""
    cells = kernel.shape[-1]
    if cells == 1:
        return kernel[..., None]
    padded = np.zeros((*kernel.shape[:-1], 2 * cells - 1))
    padded[..., cells - 1 :] = kernel
    step = padded.strides[-1]  # windows: the row of a cell begins one place before that of the cell in front of it
    rows = as_strided(padded[..., cells - 1 :], (*kernel.shape, cells), (*padded.strides[:-1], -step, step))
    matrix = rows.copy()
    matrix[..., -1] = np.cumsum(kernel[..., ::-1], axis=-1)
    return matrix


class Operator:
    """A kernel (S, B, G..) made ready to act on messages; ``matrix`` as :func:`matrices` makes it.

    ``summed``: for messages in the summed form (see :func:`diagonal`), which takes fewer products but can cancel.
    """

    def __init__(self, kernel: Array, matrix: Array | None = None, *, summed: bool = False) -> None:
        self.sums = kernel.ndim - 2
        self.bits = int(kernel.shape[1]).bit_length() - 1
        self.table = diagonal(self.bits) if summed else triples(self.bits)
        self.joins = self.bits > 0 and not summed
        self.matrix = matrices(kernel, summed=summed) if matrix is None else matrix  # (S, L, [G1 .. Gt-1], G, G)

    def push(self, message: Array) -> Array:
        """The message after the item: (rows, S, U, B, G..) -> same."""
        return self._act(message, self.table.message, self.table.gather, self.matrix, back=False)

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`: what a message after the item means before it."""
        return self._act(message, self.table.out, self.table.spread, self.matrix.swapaxes(-1, -2), back=True)

    def _act(self, message: Array, take: NDArray[np.intp], join: Array, matrix: Array, *, back: bool) -> Array:
        shape = message.shape
        if self.sums == 1 and not self.joins:  # most steps: no reordering needed
            return np.asarray((message.swapaxes(2, 3) @ matrix).swapaxes(2, 3))
        rows, switches, others = shape[:3]
        grid = shape[4:] if self.sums else (1,)
        body = message.reshape(rows, switches, others, shape[3], -1)
        if self.joins:
            body = body[:, :, :, take]
        # (rows, S, U, L, cells) -> (S, L, rows U, cells)
        body = body.transpose(1, 3, 0, 2, 4).reshape(switches, -1, rows * others, *grid)
        result = _convolve(body, matrix, len(grid) - 1, back=back).reshape(
            switches, -1, rows, others, int(np.prod(grid))
        )
        if self.joins:
            result = np.tensordot(join, result, axes=(1, 1)).transpose(2, 1, 3, 0, 4)
        else:
            result = result.transpose(2, 0, 3, 1, 4)
        return result.reshape(shape)


class QuietOrOne:
    """An item that for each value of the switches does nothing or acts by one common kernel, in its own shares.

    ``quiet``, ``active``: (S,). ``common``: the operator of kernels (V, B, G..), each serving S / V values in turn.
    Most items are like that: the switches change how likely a state is that does anything, not what it does.
    """

    def __init__(self, quiet: Array, active: Array, common: Operator) -> None:
        self.quiet, self.active, self.common = quiet, active, common

    def push(self, message: Array) -> Array:
        """The message after the item."""
        return self._mixed(message, self.common.push)

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`."""
        return self._mixed(message, self.common.pull)

    def _mixed(self, message: Array, act: Callable[[Array], Array]) -> Array:
        rows, switches, others = message.shape[:3]
        kernels = self.common.matrix.shape[0]
        moved = act(message.reshape(rows, kernels, switches // kernels * others, *message.shape[3:]))
        lead = (switches, *(1,) * (message.ndim - 2))
        moved = moved.reshape(message.shape) * self.active.reshape(lead)
        moved += message * self.quiet.reshape(lead)
        return moved


class Banded:
    """An item that adds but few cells to one running sum, whose bits, if any, are in the summed form.

    ``kernel``: (S, B, W), chances of adding 0 .. W - 1 cells, W at most the cells of the sum.
    """

    def __init__(self, kernel: Array) -> None:
        self.parts = [kernel[:, None, :, added, None] for added in range(kernel.shape[2])]

    def push(self, message: Array) -> Array:
        """The message after the item."""
        result = np.asarray(message * self.parts[0])
        for added, part in enumerate(self.parts[1:], start=1):
            moved = message * part
            result[..., added:] += moved[..., :-added]
            result[..., -1] += moved[..., -1] if added == 1 else moved[..., -added:].sum(-1)
        return result

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`."""
        result = np.asarray(message * self.parts[0])
        for added, part in enumerate(self.parts[1:], start=1):
            moved = message * part
            result[..., :-added] += moved[..., added:]
            result[..., -added:] += moved[..., -1:]
        return result


def matrices(kernels: Array, *, summed: bool = False) -> Array:
    """(S, B, G..) as (S, L, .., G, G), L = 3^r products or 2^r summed ones; several items lie along the first axis."""
    bits = int(kernels.shape[1]).bit_length() - 1
    table = diagonal(bits) if summed else triples(bits)
    return toeplitz_of(kernels if bits == 0 else np.tensordot(table.kernel, kernels, axes=(1, 1)).swapaxes(0, 1))


def toeplitz_of(parts: Array) -> Array:
    """(S, L, G..) as (S, L, .., G, G), also without a sum."""
    return toeplitz(parts if parts.ndim > 2 else parts[..., None])


def off_supersets(seen: Array, axis: int) -> Array:
    """What :func:`over_subsets` asks of that which is multiplied with kernels, so that products stay the same."""
    bits = int(seen.shape[axis]).bit_length() - 1
    return np.moveaxis(np.tensordot(_taken_apart(bits), seen, axes=(1, axis)), 0, axis) if bits else seen


@cache
def _taken_apart(bits: int) -> Array:
    """(2^r, 2^r): by set, its supersets with the sign of what they have more."""
    matrix = np.ones((1, 1))
    for _ in range(bits):
        matrix = np.kron(matrix, np.array([[1.0, -1.0], [0.0, 1.0]]))
    return matrix


def over_subsets(kernels: Array, axis: int) -> Array:
    """Kernels in the summed form, their bits along an axis."""
    bits = int(kernels.shape[axis]).bit_length() - 1
    return np.moveaxis(np.tensordot(diagonal(bits).kernel, kernels, axes=(1, axis)), 0, axis) if bits else kernels


def _convolve(body: Array, matrix: Array, outer: int, *, back: bool) -> Array:
    """Add along all sums: ``body`` (S, L, X, G..), ``matrix`` (S, L, G.., G, G); ``outer`` sums before the last."""
    if outer == 0:
        return np.asarray(body @ matrix)
    if outer == 1 and not back and body.shape[2] >= ROWS_TOGETHER:
        return _along_two(body, matrix)
    cells = matrix.shape[2]
    result = np.zeros_like(body)
    for added in range(cells):
        part = matrix[:, :, added]
        if not (part[..., 0] if back else part[..., 0, :]).any():  # the kernel itself
            continue
        left = cells - added
        if back:
            source = body[:, :, :, added:]
        else:
            source = body[:, :, :, :left].copy()
            source[:, :, :, -1] += body[:, :, :, left:].sum(3)  # what ends in the last cell goes as one
        flat = source.reshape(*body.shape[:2], -1, *body.shape[4:])
        step = _convolve(flat, part, outer - 1, back=back).reshape(source.shape)
        if back:
            result[:, :, :, :left] += step
            result[:, :, :, left:] += step[:, :, :, -1:]
        else:
            result[:, :, :, added:] += step
    return result


def _along_two(body: Array, matrix: Array) -> Array:
    """:func:`_convolve` over two sums, forward: for each cell of the first that is reached one product."""
    *lead, cells, inner = body.shape
    backward = np.ascontiguousarray(body[:, :, :, ::-1])
    flat, stacked = backward.reshape(*lead, -1), matrix.reshape(*matrix.shape[:2], -1, inner)
    result = np.empty_like(body)
    for cell in range(cells - 1):
        reached = flat[..., (cells - 1 - cell) * inner :] @ stacked[:, :, : (cell + 1) * inner]
        result[:, :, :, cell] = reached
    result[:, :, :, -1] = np.cumsum(backward, axis=3).reshape(*lead, -1) @ stacked
    return result


def cavity(before: Array, after: Array) -> Array:
    """What all else says about one item's kernel: (S, B, G..) from messages (rows, S, U, B, G..) before and after it.

    The contraction of a kernel with it equals pushing ``before`` through the kernel and summing against ``after``.
    """
    bits = int(before.shape[3]).bit_length() - 1
    table = triples(bits)
    rows, switches, others = before.shape[:3]
    grid = before.shape[4:]
    cells = int(np.prod(grid)) if grid else 1
    flat = before.reshape(rows, switches, others, -1, cells)[:, :, :, table.message]
    joined = _correlated(flat, after.reshape(rows, switches, others, -1, *grid)[:, :, :, table.out], len(grid))
    if bits:
        joined = np.tensordot(table.kernel, joined, axes=(0, 1)).swapaxes(0, 1)
    return joined.reshape(switches, 2**bits, *grid)


def _correlated(before: Array, after: Array, sums: int) -> Array:
    """(S, L, cells): over rows and others, sum_g before[g] after[g + added], the last cell keeping what is beyond.

    ``before``: (rows, S, U, L, cells), ``after``: (rows, S, U, L, G..).
    """
    if sums == 2:
        return _correlated_over_two(before.reshape(after.shape), after)
    if sums != 1:
        return np.asarray(np.einsum("rsulg,rsulgx->slx", before, _reach(after, sums)))
    cells, (rows, switches, others, products) = after.shape[-1], before.shape[:4]
    padded = np.concatenate([after, np.repeat(after[..., -1:], cells - 1, axis=-1)], axis=-1)
    if rows * others == 1:
        step = padded.strides[-1]  # windows without a copy: [.., g, added] is the value at g + added
        windows = as_strided(padded, (*after.shape, cells), (*padded.strides, step), writeable=False)
        return np.asarray(np.matmul(before[..., None, :], windows)[0, :, 0, :, 0])
    left = before.transpose(1, 3, 4, 0, 2).reshape(switches, products, cells, -1)
    right = padded.transpose(1, 3, 0, 2, 4).reshape(switches, products, -1, 2 * cells - 1)
    return _along_diagonals(left @ right)


def _along_diagonals(pairs: Array) -> Array:
    """(S, L, added) sums over g of pairs (S, L, g, reached) of g and g + added."""
    cells, (by_row, step) = pairs.shape[2], pairs.strides[-2:]
    windows = as_strided(pairs, (*pairs.shape[:2], cells, cells), (*pairs.strides[:2], by_row + step, step))
    return np.asarray(windows.sum(-2))


def _correlated_over_two(before: Array, after: Array) -> Array:
    """:func:`_correlated` over two sums, both (rows, S, U, L, G1, G2): by cells of the first one product."""
    switches, products, *grid = after.shape[1], *after.shape[3:]
    ahead = after.transpose(1, 3, 4, 0, 2, 5).reshape(switches, products, grid[0], -1, grid[1])
    reached = np.pad(ahead, ((0, 0), (0, 0), (0, grid[0] - 1), (0, 0), (0, grid[1] - 1)), mode="edge")
    left = before.transpose(1, 3, 5, 4, 0, 2).reshape(switches, products, grid[1], -1)
    result = np.empty((switches, products, *grid))
    for added in range(grid[0]):
        right = reached[:, :, added : added + grid[0]].reshape(switches, products, -1, 2 * grid[1] - 1)
        result[:, :, added] = _along_diagonals(left @ right)
    return result.reshape(switches, products, -1)


def _reach(after: Array, sums: int) -> Array:
    """(..., G1, .., Gt) as (..., cells, cells): the value where one gets from a cell by adding another."""
    if sums == 0:
        return after[..., None, None]
    grid = after.shape[-sums:]
    index = np.zeros((1, 1), int)
    for cells in grid:
        step = _hankel_index(cells)
        index = (index[:, None, :, None] * cells + step[None, :, None, :]).reshape(index.shape[0] * cells, -1)
    return np.take(after.reshape(*after.shape[:-sums], -1), index, axis=-1)


def power(kernel: Array, count: int) -> Array:
    """The kernel of ``count`` equal independent items, by repeated squaring: (S, B, G..) -> same."""
    result, square = None, kernel
    while True:
        if count & 1:
            result = square if result is None else join(result, square)
        count >>= 1
        if not count:
            assert result is not None
            return result
        square = join(square, square)


def join(first: Array, second: Array) -> Array:
    """The kernel of two independent items together."""
    if first.ndim != 3:
        return Operator(second).push(first[None, :, None])[0, :, 0]
    table = triples(int(first.shape[1]).bit_length() - 1)
    left = first[:, table.message]
    right = second if first.shape[1] == 1 else np.tensordot(table.kernel, second, axes=(1, 1)).swapaxes(0, 1)
    result = _convolved(left.reshape(-1, left.shape[-1]), right.reshape(-1, left.shape[-1])).reshape(left.shape)
    return result if first.shape[1] == 1 else np.tensordot(table.gather, result, axes=(1, 1)).swapaxes(0, 1)


def _convolved(first: Array, second: Array) -> Array:
    """(X, G): row by row, the last cell keeping what is beyond. By cells of all rows at once: no matrix is made."""
    result = np.empty_like(first)
    for start in range(0, len(first), ROWS_IN_CACHE):
        rows = slice(start, start + ROWS_IN_CACHE)
        left, right = np.ascontiguousarray(first[rows].T), np.ascontiguousarray(second[rows].T)
        cells, spare = len(left), np.empty_like(left)
        made, reaching = left * right[0], left[-1].copy()  # reaching: what the cells so far lead to the last one
        for added in range(1, cells):
            left_over = cells - 1 - added
            made[added:-1] += np.multiply(left[:left_over], right[added], out=spare[:left_over])
            reaching += left[left_over]
            made[-1] += reaching * right[added]
        result[rows] = made.T
    return result

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
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.amounts import along_cells, convolve, convolved, correlated, is_large, toeplitz_of
from leakinfer.inference.model import Array


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


class AnyOperator(Protocol):
    """How an item acts on messages."""

    def push(self, message: Array) -> Array:
        """The message after the item: (rows, S, U, B, G..) -> same."""

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`: what a message after the item means before it."""


class Operator:
    """A kernel (S, B, G..) made ready to act on messages.

    ``parts``: (S, L, G..) the kernel as :func:`parts_of` makes it; ``matrix``: (S, L, .., G, G) as :func:`toeplitz_of`
    makes it of them. A matrix that would be large is not made: the cells of one sum are then added one after the other.
    """

    def __init__(self, kernel: Array, *, parts: Array | None = None, matrix: Array | None = None) -> None:
        self.switches, self.sums = len(kernel), kernel.ndim - 2
        self.bits = int(kernel.shape[1]).bit_length() - 1
        self.table = triples(self.bits)
        self.parts, self.matrix = None, matrix
        if matrix is None:
            parts = parts_of(kernel) if parts is None else parts
            if self.sums == 1 and is_large(parts):
                self.parts = parts
            else:
                self.matrix = toeplitz_of(parts)

    def push(self, message: Array) -> Array:
        """The message after the item: (rows, S, U, B, G..) -> same."""
        return self._act(message, self.table.message, self.table.gather, back=False)

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`: what a message after the item means before it."""
        return self._act(message, self.table.out, self.table.spread, back=True)

    def _act(self, message: Array, take: NDArray[np.intp], join: Array, *, back: bool) -> Array:
        shape, matrix = message.shape, self.matrix
        if matrix is not None and back:
            matrix = matrix.swapaxes(-1, -2)
        if matrix is not None and self.sums == 1 and self.bits == 0:  # most steps: no reordering needed
            return np.asarray((message.swapaxes(2, 3) @ matrix).swapaxes(2, 3))
        rows, switches, others = shape[:3]
        grid = shape[4:] if self.sums else (1,)
        body = message.reshape(rows, switches, others, shape[3], -1)
        if self.bits:
            body = body[:, :, :, take]
        # (rows, S, U, L, cells) -> (S, L, rows U, cells)
        body = body.transpose(1, 3, 0, 2, 4).reshape(switches, -1, rows * others, *grid)
        if matrix is not None:
            result = convolve(body, matrix, len(grid) - 1, back=back)
        else:
            assert self.parts is not None
            result = along_cells(body, self.parts, back=back)
        result = result.reshape(switches, -1, rows, others, int(np.prod(grid)))
        if self.bits:
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
        kernels = self.common.switches
        moved = act(message.reshape(rows, kernels, switches // kernels * others, *message.shape[3:]))
        lead = (switches, *(1,) * (message.ndim - 2))
        moved = moved.reshape(message.shape) * self.active.reshape(lead)
        moved += message * self.quiet.reshape(lead)
        return moved


class Banded:
    """An item under no response that adds but few cells to one running sum.

    ``kernel``: (S, 1, W), chances of adding 0 .. W - 1 cells, W at most the cells of the sum.
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


def parts_of(kernels: Array) -> Array:
    """(S, B, G..) as (S, L, G..), L = 3^r products; several items lie along the first axis."""
    bits = int(kernels.shape[1]).bit_length() - 1
    return kernels if bits == 0 else np.tensordot(triples(bits).kernel, kernels, axes=(1, 1)).swapaxes(0, 1)


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
    joined = correlated(flat, after.reshape(rows, switches, others, -1, *grid)[:, :, :, table.out], len(grid))
    if bits:
        joined = np.tensordot(table.kernel, joined, axes=(0, 1)).swapaxes(0, 1)
    return joined.reshape(switches, 2**bits, *grid)


def power(kernel: Array, count: int, together: Callable[[Array, Array], Array] | None = None) -> Array:
    """The kernel of ``count`` equal independent items, by repeated squaring: (S, B, G..) -> same.

    ``together``: how two kernels become one, if not by :func:`join`.
    """
    together = join if together is None else together
    result, square = None, kernel
    while True:
        if count & 1:
            result = square if result is None else together(result, square)
        count >>= 1
        if not count:
            assert result is not None
            return result
        square = together(square, square)


def times(real: Array, matrix: Array) -> Array:
    """(..., n) by a matrix (..., n, m) that may be complex, without making real values complex."""
    if np.iscomplexobj(real) or not np.iscomplexobj(matrix):
        return np.asarray(real @ matrix)
    return np.asarray((real @ np.ascontiguousarray(matrix).view(float)).view(complex))


def join(first: Array, second: Array) -> Array:
    """The kernel of two independent items together."""
    if first.ndim != 3:
        return Operator(second).push(first[None, :, None])[0, :, 0]
    table = triples(int(first.shape[1]).bit_length() - 1)
    left, right = first[:, table.message], parts_of(second)
    result = convolved(left.reshape(-1, left.shape[-1]), right.reshape(-1, left.shape[-1])).reshape(left.shape)
    return result if first.shape[1] == 1 else np.tensordot(table.gather, result, axes=(1, 1)).swapaxes(0, 1)

"""Adding amounts along running sums whose last cell keeps what is beyond, and the adjoint: by matrix or by cells."""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import as_strided

from leakinfer.inference.model import Array

ROWS_IN_CACHE = 1024  # rows of which three tables of some 60 cells stay close to the processor
LARGEST_MATRIX = 16_000_000  # bytes; beyond, making it takes longer than adding cell by cell
ROWS_TOGETHER = 4  # rows over two sums from which one product for each cell is faster than one for each cell added


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


def toeplitz_of(parts: Array) -> Array:
    """(S, L, G..) as (S, L, .., G, G), also without a sum."""
    return toeplitz(parts if parts.ndim > 2 else parts[..., None])


def is_large(parts: Array) -> bool:
    """Whether the matrix of these parts would be large."""
    return bool(parts.nbytes * parts.shape[-1] > LARGEST_MATRIX)


def convolve(body: Array, matrix: Array, outer: int, *, back: bool) -> Array:
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
        step = convolve(flat, part, outer - 1, back=back).reshape(source.shape)
        if back:
            result[:, :, :, :left] += step
            result[:, :, :, left:] += step[:, :, :, -1:]
        else:
            result[:, :, :, added:] += step
    return result


def _along_two(body: Array, matrix: Array) -> Array:
    """:func:`convolve` over two sums, forward: for each cell of the first that is reached one product."""
    *lead, cells, inner = body.shape
    backward = np.ascontiguousarray(body[:, :, :, ::-1])
    flat, stacked = backward.reshape(*lead, -1), matrix.reshape(*matrix.shape[:2], -1, inner)
    result = np.empty_like(body)
    for cell in range(cells - 1):
        reached = flat[..., (cells - 1 - cell) * inner :] @ stacked[:, :, : (cell + 1) * inner]
        result[:, :, :, cell] = reached
    result[:, :, :, -1] = np.cumsum(backward, axis=3).reshape(*lead, -1) @ stacked
    return result


def convolved(first: Array, second: Array) -> Array:
    """(X, G): row by row, the last cell keeping what is beyond. By cells of all rows at once: no matrix is made."""
    result = np.empty_like(first)
    for start in range(0, len(first), ROWS_IN_CACHE):
        rows = slice(start, start + ROWS_IN_CACHE)
        result[rows] = _columns(np.ascontiguousarray(first[rows].T), np.ascontiguousarray(second[rows].T)).T
    return result


def along_cells(body: Array, parts: Array, *, back: bool) -> Array:
    """Add along one sum without a matrix: ``body`` (S, L, X, G), ``parts`` (S, L, G)."""
    others, cells = body.shape[2:]
    flat, kernels = body.reshape(-1, others, cells), parts.reshape(-1, cells)
    act, together = (_columns_back if back else _columns), max(ROWS_IN_CACHE // others, 1)
    result = np.empty_like(flat)
    for start in range(0, len(flat), together):
        here = slice(start, start + together)
        left = np.ascontiguousarray(flat[here].reshape(-1, cells).T)
        made = act(left, np.repeat(kernels[here].T, others, axis=1))
        result[here] = made.T.reshape(-1, others, cells)
    return result.reshape(body.shape)


def _columns(left: Array, right: Array) -> Array:
    """(G, X): column by column, the sum of two amounts, the last cell keeping what is beyond."""
    cells, spare = len(left), np.empty_like(left)
    made, reaching = left * right[0], left[-1].copy()  # reaching: what the cells so far lead to the last one
    for added in range(1, cells):
        left_over = cells - 1 - added
        made[added:-1] += np.multiply(left[:left_over], right[added], out=spare[:left_over])
        reaching += left[left_over]
        made[-1] += reaching * right[added]
    return np.asarray(made)


def _columns_back(left: Array, right: Array) -> Array:
    """The adjoint of :func:`_columns` with ``right`` added."""
    cells, spare = len(left), np.empty_like(left)
    made, beyond = left * right[0], np.zeros_like(right[0])  # beyond: what leads from a cell past the last one
    for added in range(1, cells):
        made[:-added] += np.multiply(left[added:], right[added], out=spare[added:])
        beyond += right[cells - added]
        made[added] += beyond * left[-1]
    return np.asarray(made)


def correlated(before: Array, after: Array, sums: int) -> Array:
    """(S, L, cells): over rows and others, sum_g before[g] after[g + added], the last cell keeping what is beyond.

    ``before``: (rows, S, U, L, cells), ``after``: (rows, S, U, L, G..).
    """
    if sums == 0:
        return np.asarray(np.einsum("rsulg,rsul->slg", before, after))
    if sums == 2:
        return _correlated_over_two(before.reshape(after.shape), after)
    if sums > 2:
        return _correlated_over_more(before.reshape(after.shape), after, sums)
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
    """:func:`correlated` over two sums, both (rows, S, U, L, G1, G2): by cells of the first one product."""
    switches, products, *grid = after.shape[1], *after.shape[3:]
    ahead = after.transpose(1, 3, 4, 0, 2, 5).reshape(switches, products, grid[0], -1, grid[1])
    reached = np.pad(ahead, ((0, 0), (0, 0), (0, grid[0] - 1), (0, 0), (0, grid[1] - 1)), mode="edge")
    left = before.transpose(1, 3, 5, 4, 0, 2).reshape(switches, products, grid[1], -1)
    result = np.empty((switches, products, *grid))
    for added in range(grid[0]):
        right = reached[:, :, added : added + grid[0]].reshape(switches, products, -1, 2 * grid[1] - 1)
        result[:, :, added] = _along_diagonals(left @ right)
    return result.reshape(switches, products, -1)


def _correlated_over_more(before: Array, after: Array, sums: int) -> Array:
    """:func:`correlated` over three sums or more, both (rows, S, U, L, G1, G2, ..): by cells of the first one over the
    others."""
    switches, products, *grid = after.shape[1], *after.shape[3:]
    first = (0, 1, 2, 4, 3, *range(5, after.ndim))
    left, ahead = before.transpose(first), after.transpose(first)
    reached = np.concatenate([ahead, np.repeat(ahead[:, :, :, -1:], grid[0] - 1, axis=3)], axis=3)
    lead = len(after), switches, after.shape[2] * grid[0], products
    flat, result = left.reshape(*lead, -1), np.empty((switches, products, grid[0], math.prod(grid[1:])))
    for added in range(grid[0]):
        here = reached[:, :, :, added : added + grid[0]].reshape(*lead, *grid[1:])
        result[:, :, added] = correlated(flat, here, sums - 1)
    return result.reshape(switches, products, -1)

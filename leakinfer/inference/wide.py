"""An item under many open responses at once: one state at a time, one bit at a time, instead of a full kernel."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from leakinfer.inference.amounts import toeplitz
from leakinfer.inference.link import Link
from leakinfer.inference.model import Array


class WideOperator:
    """Acts on messages (rows, S, U, B, G..) like :class:`algebra.Operator`, at cost states x bits x cells; of an item
    of one copy."""

    def __init__(self, link: Link, weights: Array) -> None:
        self.link, self.weights = link, weights

    def push(self, message: Array) -> Array:
        """The message after the item."""
        return self._over_switches(message, back=False)

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`."""
        return self._over_switches(message, back=True)

    def _over_switches(self, message: Array, *, back: bool) -> Array:
        total = np.zeros_like(message)
        for p, chance in enumerate(self.link.private_prior):
            total += chance * self.one_copy(message, p, back=back)
        return total

    def one_copy(self, message: Array, p: int, *, back: bool) -> Array:
        """The effect of one copy, given the value ``p`` of the private switches."""
        total = np.zeros_like(message)
        for k, part in self._by_state(message, p, back=back):
            total += _column(self.weights, p, k, message.ndim) * part
        return total

    def _by_state(self, message: Array, p: int, *, back: bool) -> Iterator[tuple[int, Array]]:
        """For each state of a copy the message that it makes."""
        for k in range(self.weights.shape[2]):
            yield k, self._state(message, p, k, back=back)

    def _state(self, message: Array, p: int, k: int, *, back: bool) -> Array:
        link, shape = self.link, message.shape
        result = message.copy()
        for place in range(len(link.responses)):
            below, at = (_column(table[place], p, k, 5, shape[1]) for table in (link.below, link.at))
            view = result.reshape(*shape[:3], 2**place, 2, -1)
            low, high = view[..., 0, :].copy(), view[..., 1, :].copy()
            if back:
                view[..., 0, :], view[..., 1, :] = below * low + at * high, (below + at) * high
            else:
                view[..., 0, :], view[..., 1, :] = below * low, at * low + (below + at) * high
        for place in range(len(link.sums)):
            result = _add_cells(result, link.spreads[place], p, k, 4 + place, back=back)
        return result

    def copy_likelihood(self, before: Array, after: Array) -> Array:
        """(S, P, K): what all else says about the item's state."""
        link = self.link
        result = np.zeros((before.shape[1], link.private_prior.size, link.item.states))
        for p in range(link.private_prior.size):
            for k, part in self._by_state(after, p, back=True):
                result[:, p, k] = (before * part).sum((0, *range(2, before.ndim)))
        return np.maximum(result, 0.0)


class Mixture:
    """One of two operators, ``chance`` (S,) for the second."""

    def __init__(self, chance: Array, first: WideOperator, second: WideOperator) -> None:
        self.chance, self.first, self.second = chance, first, second

    def push(self, message: Array) -> Array:
        """The message after the item."""
        chance = self.chance.reshape(-1, *(1,) * (message.ndim - 2))
        return (1 - chance) * self.first.push(message) + chance * self.second.push(message)

    def pull(self, message: Array) -> Array:
        """The adjoint of :meth:`push`."""
        chance = self.chance.reshape(-1, *(1,) * (message.ndim - 2))
        return (1 - chance) * self.first.pull(message) + chance * self.second.pull(message)


def _column(table: Array, p: int, k: int, ndim: int, switches: int = 1) -> Array:
    """table[s, p, k] shaped to multiply messages, axes of size 1 standing for all values."""
    column = table[:, min(p, table.shape[1] - 1), k]
    if 1 < column.size < switches:  # several variants of weights along the switches
        column = np.tile(column, switches // column.size)
    return column.reshape(1, -1, *(1,) * (ndim - 2))


def _add_cells(message: Array, spread: Array, p: int, k: int, axis: int, *, back: bool) -> Array:
    """Add a copy's cells in state k to the running sum on ``axis``."""
    matrix = toeplitz(spread[:, min(p, spread.shape[1] - 1), k])  # (S or 1, G, G)
    if 1 < matrix.shape[0] < message.shape[1]:
        matrix = np.concatenate([matrix] * (message.shape[1] // matrix.shape[0]))
    moved = np.moveaxis(message, axis, -1)
    shape = moved.shape
    flat = moved.reshape(shape[0], shape[1], -1, shape[-1]) @ (matrix.swapaxes(-1, -2) if back else matrix)
    return np.moveaxis(flat.reshape(shape), -1, axis)

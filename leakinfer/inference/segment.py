"""A run of items in the scan that the same open findings touch, and what opens and closes at its ends."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.findings import Axis
from leakinfer.inference.link import Link
from leakinfer.inference.model import Array, ImpossibleEvidence


@dataclass(eq=False)
class Segment:
    """Messages inside have axes (rows, S, U, B, G..): S values of the open switches that the items touch, U of all
    open axes that they do not touch, B bits and the sums that they touch. Between segments a message has axes
    (rows, open axes in rank order).

    ``before[i]`` and ``after[i]``: the forward and backward messages before link i; both have one entry more than there
    are links. ``total``: their product, the evidence in this segment's scale. ``order``: places of ``axes`` as messages
    inside have them, ``shape``: (S, U, B, G..).
    """

    first: int
    links: list[Link]
    axes: list[Axis]
    opens: list[Axis]
    closes: list[Axis]
    touched: frozenset[str]
    before: list[Array] = field(default_factory=list)
    after: list[Array] = field(default_factory=list)
    scale_in: float = 1.0
    scale_out: float = 1.0
    total: float = 1.0

    def __post_init__(self) -> None:
        parts: list[list[int]] = [[], [], [], []]
        for place, axis in enumerate(self.axes):
            parts[(0, 2, 3)[axis.rank[0]] if axis.name in self.touched else 1].append(place)
        sizes = [axis.opening.size for axis in self.axes]
        self.order: list[int] = [i for part in parts for i in part]
        self._inverse = [int(i) for i in np.argsort(self.order)]
        self._sizes = [sizes[i] for i in self.order]
        joined = [math.prod(sizes[i] for i in part) for part in parts[:3]]
        self.shape: tuple[int, ...] = (*joined, *(sizes[i] for i in parts[3]))

    def with_axes(self, new: Mapping[str, Axis]) -> Segment:
        """The segment with the axes of these names replaced, without backward messages."""

        def swapped(axes: list[Axis]) -> list[Axis]:
            return [new.get(axis.name, axis) for axis in axes]

        return replace(self, axes=swapped(self.axes), opens=swapped(self.opens), closes=swapped(self.closes), after=[])

    def enter(self, message: Array, *, rescale: bool = False) -> Array:
        """From in front of the segment to before its first link; ``rescale`` sets the scale instead of using it."""
        raw = self._open(message, self.opens, "opening")
        if rescale:
            self.scale_in = scale_of(raw)
        return self.fold(raw / self.scale_in)

    def leave(self, message: Array) -> Array:
        """From after its last link to behind the segment."""
        return self._close(self.unfold(message), {axis.name: axis.closing for axis in self.closes})

    def enter_back(self, message: Array, *, rescale: bool = False) -> Array:
        """The backward message from behind the segment to after its last link."""
        raw = self._open(message, self.closes, "closing")
        if rescale:
            self.scale_out = scale_of(raw)
        return self.fold(raw / self.scale_out)

    def leave_back(self, message: Array) -> Array:
        """The backward message from before its first link to in front of the segment."""
        return self._close(self.unfold(message), {axis.name: axis.opening for axis in self.opens})

    def cells(self, positions: Mapping[str, NDArray[np.intp]], count: int) -> NDArray[np.intp]:
        """Flat cell of the inner layout for each draw, from its position on every open axis."""
        if not self.axes:
            return np.zeros(count, dtype=int)
        return np.asarray(np.ravel_multi_index([positions[self.axes[i].name] for i in self.order], self._sizes))

    def positions(self, cells: NDArray[np.intp]) -> dict[str, NDArray[np.intp]]:
        """The inverse of :meth:`cells`."""
        if not self.axes:
            return {}
        split = np.unravel_index(cells, self._sizes)
        return {self.axes[i].name: np.asarray(split[place]) for place, i in enumerate(self.order)}

    def opening_table(self) -> Array:
        """(kept axes in rank order, opened ones flattened in the order of ``opens``): how likely they open so."""
        message = self.unfold(self.after[0])[0]
        kept = [place for place, axis in enumerate(self.axes) if axis not in self.opens]
        moved = message.transpose(*kept, *(self.axes.index(axis) for axis in self.opens))
        prior = np.ones(())
        for axis in self.opens:
            prior = np.multiply.outer(prior, axis.opening)
        return np.asarray((moved * prior).reshape(*moved.shape[: len(kept)], -1))

    def fold(self, message: Array) -> Array:
        """From (rows, open axes in rank order) to the layout inside."""
        moved = message.transpose(0, *(i + 1 for i in self.order))
        return moved.reshape(message.shape[0], *self.shape)

    def unfold(self, message: Array) -> Array:
        """The inverse of :meth:`fold`."""
        spread = message.reshape(message.shape[0], *self._sizes)
        return spread.transpose(0, *(i + 1 for i in self._inverse))

    def _open(self, message: Array, added: list[Axis], end: str) -> Array:
        """Multiply in the axes of ``added`` and put all into rank order; a closing by outcomes makes one row each."""
        present = [axis for axis in self.axes if axis not in added]
        for axis in added:
            vector: Array = getattr(axis, end)
            if vector.ndim == 2:
                message = message * np.ones((vector.shape[1], *(1,) * (message.ndim - 1)))
                vector = vector.T.reshape(vector.shape[1], *(1,) * (message.ndim - 1), -1)
            message = message[..., None] * vector
            present.append(axis)
        return message.transpose(0, *(present.index(axis) + 1 for axis in self.axes))

    def _close(self, message: Array, vectors: Mapping[str, Array]) -> Array:
        for place in reversed(range(len(self.axes))):
            vector = vectors.get(self.axes[place].name)
            if vector is not None:
                message = np.tensordot(message, vector, axes=(place + 1, 0))
        return message


def scale_of(message: Array) -> float:
    """The largest entry, by which a message is divided so that long scans do not underflow.

    Raises:
        ImpossibleEvidence: nothing is left.
    """
    top = float(message.max())
    if not top > 0:
        raise ImpossibleEvidence("the observations together have probability zero")
    return top

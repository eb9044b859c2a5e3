"""The way of a message from one segment of the scan into the next: one sum, one product, one reordering."""

from __future__ import annotations

import numpy as np

from leakinfer.inference.findings import Axis
from leakinfer.inference.model import Array
from leakinfer.inference.segment import Segment


class Crossing:
    """From segment ``here`` to its neighbour ``there``; ``back``: for backward messages, to the one in front.

    What :meth:`Segment.leave` and :meth:`Segment.enter` do one after the other, with all that does not depend on the
    message made ready. ``scale``: what messages are divided by on the way.
    """

    def __init__(self, here: Segment, there: Segment, *, back: bool, scale: float) -> None:
        ends, begins = (here.opens, there.closes) if back else (here.closes, there.opens)
        old, new = [[segment.axes[i] for i in segment.order] for segment in (here, there)]
        kept = [axis for axis in new if axis in old]
        opened = [axis for axis in new if axis not in old]
        self._spread = [axis.opening.size for axis in old]
        self._kept_last = (0, *(old.index(axis) + 1 for axis in [*kept, *ends]))
        self._closing = _together(ends, "opening" if back else "closing")
        self._opening = _together(opened, "closing" if back else "opening")
        if begins:
            self._opening = self._opening / scale
        elif ends:
            self._closing = self._closing / scale
        self._scale = 1.0 if begins or ends else scale
        self._moves = self._kept_last != tuple(range(len(old) + 1))
        self._ends, self._begins = bool(ends), bool(begins)
        self._sizes = [axis.opening.size for axis in [*kept, *opened]]
        laid = [*kept, *opened]
        self._order = (0, *(laid.index(axis) + 1 for axis in new))
        self._shape = there.shape

    def over(self, message: Array) -> Array:
        """(rows, S, U, B, G..) as it is before or after the neighbour's first item."""
        rows = len(message)
        if self._moves:
            message = message.reshape(rows, *self._spread).transpose(self._kept_last)
        if self._ends:
            message = message.reshape(rows, -1, self._closing.size) @ self._closing
        if self._begins:
            message = message.reshape(rows, -1, 1) * self._opening
            message = message.reshape(rows, *self._sizes).transpose(self._order)
        elif self._scale != 1.0:
            message = message / self._scale
        return message.reshape(rows, *self._shape)


def _together(axes: list[Axis], end: str) -> Array:
    """The vectors of some axes as one, flat."""
    vector = np.ones(1)
    for axis in axes:
        part: Array = getattr(axis, end)
        vector = np.multiply.outer(vector, part).reshape(-1)
    return vector

"""The scan of a model: messages forward and backward along its items, kept so that every answer is a local step."""

from __future__ import annotations

import math

import numpy as np

from leakinfer.inference.algebra import Operator, cavity
from leakinfer.inference.link import Link
from leakinfer.inference.model import Array, ImpossibleEvidence
from leakinfer.inference.segment import Segment
from leakinfer.inference.wide import WideOperator

# Responses on one item beyond which states are scanned one by one: 3^r products against r times the states.
WIDEST_KERNEL = 5


class Chain:
    """Segments with both messages at every item.

    Raises:
        ImpossibleEvidence: the observations have probability zero.
    """

    def __init__(self, segments: list[Segment], log_factor: float) -> None:
        self.segments = segments
        self.links: list[Link] = [link for segment in segments for link in segment.links]
        self.home: list[Segment] = [segment for segment in segments for _ in segment.links]
        self.place: dict[str, int] = {link.item.name: place for place, link in enumerate(self.links)}
        self._operators: dict[int, Operator | WideOperator] = {}
        self._effects: dict[int, Array] = {}
        self.log_evidence = log_factor + self._scan()
        self._scan_back()

    def __len__(self) -> int:
        return len(self.links)

    def operator(self, place: int, weights: Array | None = None) -> Operator | WideOperator:
        """How an item acts on messages; with other ``weights`` (S, P, K) than its own a fresh operator."""
        if weights is None and place in self._operators:
            return self._operators[place]
        link = self.links[place]
        used = link.weights if weights is None else weights
        if len(link.responses) > WIDEST_KERNEL:
            made: Operator | WideOperator = WideOperator(link, used)
        else:
            made = Operator(link.kernel(used, self.effects(place)))
        if weights is None:
            self._operators[place] = made
        return made

    def effects(self, place: int) -> Array:
        """What one copy of an item in each state does to bits and sums: (S, P, K, B, G..)."""
        if place not in self._effects:
            self._effects[place] = self.links[place].effects()
        return self._effects[place]

    def before(self, place: int) -> Array:
        """The forward message before an item."""
        segment = self.home[place]
        return segment.before[place - segment.first]

    def after(self, place: int) -> Array:
        """The backward message after an item."""
        segment = self.home[place]
        return segment.after[place - segment.first + 1]

    def step(self, message: Array, place: int) -> Array:
        """A forward message from after item ``place`` to before the next."""
        here, there = self.home[place], self.home[place + 1]
        return message if here is there else there.enter(here.leave(message))

    def step_back(self, message: Array, place: int) -> Array:
        """A backward message from before item ``place`` to after the one in front of it."""
        here, there = self.home[place], self.home[place - 1]
        return message if here is there else there.enter_back(here.leave_back(message))

    def joined(self, before: Array, after: Array, place: int) -> Array:
        """(rows of before, rows of after): the two sides joined at item ``place``, over the evidence."""
        flat = before.reshape(before.shape[0], -1) @ after.reshape(after.shape[0], -1).T
        return np.asarray(flat / self.home[place].total)

    def copy_likelihood(self, place: int, before: Array, after: Array) -> Array:
        """(S, P, K): what the two sides and the item's other copies say about one copy, over the evidence."""
        link = self.links[place]
        if len(link.responses) > WIDEST_KERNEL:
            raw = WideOperator(link, link.weights).copy_likelihood(before, after)
        else:
            raw = link.copy_likelihood(cavity(before, after), link.weights, self.effects(place))
        return np.asarray(raw / self.home[place].total)

    def _scan(self) -> float:
        log_scale, message = 0.0, np.ones((1,))
        for segment in self.segments:
            inner = segment.enter(message, rescale=True)
            log_scale += math.log(segment.scale_in)
            segment.before = [inner]
            for offset in range(len(segment.links)):
                inner = self.operator(segment.first + offset).push(inner)
                segment.before.append(inner)
            message = segment.leave(inner)
        total = float(message.sum())
        if not total > 0:
            raise ImpossibleEvidence("the observations together have probability zero")
        return log_scale + math.log(total)

    def _scan_back(self) -> None:
        message = np.ones((1,))
        for segment in reversed(self.segments):
            inner = segment.enter_back(message, rescale=True)
            messages = [inner]
            for offset in reversed(range(len(segment.links))):
                inner = self.operator(segment.first + offset).pull(inner)
                messages.append(inner)
            segment.after = messages[::-1]
            segment.total = float(np.sum(segment.before[0] * segment.after[0]))
            message = segment.leave_back(inner)

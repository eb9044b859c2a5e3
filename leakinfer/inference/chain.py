"""The scan of a model: messages forward and backward along its items, kept so that every answer is a local step."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from copy import copy
from dataclasses import replace
from functools import cached_property
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.algebra import AnyOperator, Operator, cavity
from leakinfer.inference.crossing import Crossing
from leakinfer.inference.link import Link
from leakinfer.inference.making import (
    Asked,
    Effect,
    effect_of,
    effect_on_sums,
    kept_operator,
    made,
    states_of,
)
from leakinfer.inference.marginal import own_states
from leakinfer.inference.model import Array, ImpossibleEvidence
from leakinfer.inference.segment import Segment, scale_of
from leakinfer.inference.wide import Mixture, WideOperator

TOGETHER = 32  # neighbours whose likelihoods are made at once: few calls, little memory

Mask: TypeAlias = NDArray[np.bool_]


class Wanted(NamedTuple):
    """An operator that is asked for: of an item, with weights (V S, P, K). ``aside``: chances (V S,) that other weights
    hold instead, for all copies together. ``held``: whether states are ruled out."""

    place: int
    weights: Array
    aside: tuple[Array, Array] | None = None
    held: bool = False


class Chain:
    """Segments with both messages at every item.

    Raises:
        ImpossibleEvidence: the observations have probability zero.
    """

    def __init__(self, segments: list[Segment], log_factor: float, named_sums: Mapping[str, str]) -> None:
        self.segments, self.named_sums = segments, named_sums
        self.links: list[Link] = [link for segment in segments for link in segment.links]
        self.home: list[Segment] = [segment for segment in segments for _ in segment.links]
        self.place: dict[str, int] = {link.item.name: place for place, link in enumerate(self.links)}
        self.in_products: Chain | None = None  # kept by what makes it
        self._operators: dict[tuple[int, bytes | None], AnyOperator] = {}
        self._known: dict[Hashable, AnyOperator] = {}
        self._effects: dict[int, Array] = {}
        self._shared_effects: dict[Hashable, Array] = {}
        self._flat: dict[int, Effect] = {}
        self._crossings: dict[tuple[int, bool], Crossing] = {}
        self._likelihood: dict[int, Array] = {}
        self._cavity: dict[int, Array] = {}
        self._states: dict[int, Array] = {}
        self._rest: dict[Hashable, list[Operator]] = {}
        self.counted_kernels: dict[Hashable, Array] = {}
        self.masked(dict.fromkeys(range(len(self.links))))
        self.log_evidence = log_factor + self._scan()
        self._scan_back()

    def __len__(self) -> int:
        return len(self.links)

    def operator(self, place: int, mask: Mask | None = None) -> AnyOperator:
        """How an item acts on messages, with its masked states ruled out; kept."""
        key = (place, None if mask is None else mask.tobytes())
        if key not in self._operators:
            weights = self.links[place].weights
            held = Wanted(place, weights) if mask is None else Wanted(place, weights * ~mask, held=True)
            self._operators[key] = self.operators([held])[0]
        return self._operators[key]

    def masked(self, masks: Mapping[int, Mask | None]) -> None:
        """Make :meth:`operator` ready for many items at once."""
        keys = {place: (place, None if mask is None else mask.tobytes()) for place, mask in masks.items()}
        missing = [place for place, key in keys.items() if key not in self._operators]
        own = {place: self.links[place].weights for place in missing}
        wanted = [
            Wanted(p, own[p]) if (mask := masks[p]) is None else Wanted(p, own[p] * ~mask, held=True) for p in missing
        ]
        self._operators.update(zip((keys[place] for place in missing), self.operators(wanted), strict=True))

    def operators(self, wanted: Sequence[Wanted]) -> list[AnyOperator]:
        """Operators of items with the given weights; items alike share one, which is kept unless it has variants."""
        keys = [self._key(ask) for ask in wanted]
        fresh = {key: ask for key, ask in zip(keys, wanted, strict=True) if key not in self._known}
        singles: dict[Hashable, Asked] = {}
        found: dict[Hashable, AnyOperator] = {}
        for key, ask in fresh.items():
            if self.single(ask.place):
                singles[key] = Asked(ask.place, self.states(ask.place, ask.weights), ask.held)
            elif self.links[ask.place].wide:
                found[key] = self._wide(ask)
            else:
                found[key] = Operator(self._kernel(ask))
        found.update(zip(singles, self.together(list(singles.values())), strict=True))
        result = [found[key] if key in found else self._known[key] for key in keys]
        self._known.update((key, found[key]) for key, ask in fresh.items() if not self._varied(ask.place, ask.weights))
        return result

    def _varied(self, place: int, weights: Array) -> bool:
        """Whether several variants of weights lie side by side: large operators, few of which are asked for again."""
        return len(weights) > len(self.links[place].weights)

    def single(self, place: int) -> bool:
        """Whether an item is one copy under few responses, with effects that no shared switch changes."""
        link = self.links[place]
        return not link.wide and link.item.count == 1 and self.effects(place).shape[0] == 1

    def states(self, place: int, weights: Array) -> Array:
        """(V S, K) of a single item from weights (V S, P, K)."""
        return states_of(weights, self.links[place].private_prior, self.effect(place))

    def together(self, asked: Sequence[Asked]) -> list[AnyOperator]:
        """Operators of single items, in order; those with the same effects are made together."""
        alike: dict[Hashable, list[int]] = {}
        found: dict[int, AnyOperator] = {}
        for number, ask in enumerate(asked):
            link, effect = self.links[ask.place], self.effect(ask.place)
            switches, shape = len(link.weights), ask.states.shape
            if link.tables is not None and not self._varied(ask.place, ask.states):
                found[number] = kept_operator(effect, ask.states.tobytes(), shape, switches)
            else:
                alike.setdefault((id(effect), shape, switches, ask.held), []).append(number)
        for (_, _, switches, _), numbers in alike.items():  # type: ignore[misc]
            states = np.stack([asked[number].states for number in numbers])
            effect = self.effect(asked[numbers[0]].place)
            found.update(zip(numbers, made(effect, states, switches), strict=True))
        return [found[number] for number in range(len(asked))]

    def effect(self, place: int) -> Effect:
        """The effects of a single item, laid flat."""
        effects = self.effects(place)
        if id(effects) not in self._flat:
            self._flat[id(effects)] = effect_of(effects)
        return self._flat[id(effects)]

    def _kernel(self, ask: Wanted) -> Array:
        """(V S, B, G..) of all copies; where an item may be hidden, a mixture of two."""
        kernel = self._of_copies(ask.place, ask.weights)
        if ask.aside is None:
            return kernel
        chance = ask.aside[0].reshape(-1, *(1,) * (kernel.ndim - 1))
        return np.asarray((1 - chance) * kernel + chance * self._of_copies(ask.place, ask.aside[1]))

    def _of_copies(self, place: int, weights: Array) -> Array:
        return self.links[place].kernel(weights, self.effects(place))

    def _wide(self, ask: Wanted) -> WideOperator | Mixture:
        link = self.links[ask.place]
        here = WideOperator(link, ask.weights)
        return here if ask.aside is None else Mixture(ask.aside[0], here, WideOperator(link, ask.aside[1]))

    def _key(self, ask: Wanted) -> Hashable:
        """Items with the same key have the same operator."""
        link = self.links[ask.place]
        aside = None if ask.aside is None else tuple(part.tobytes() for part in ask.aside)
        if link.effects_key is None or link.wide:
            return (ask.place, ask.weights.shape[0], ask.weights.tobytes(), aside)
        own = (link.item.count, ask.weights.shape, link.private_prior.tobytes())
        return (link.effects_key, *own, ask.weights.tobytes(), aside)

    def effects(self, place: int) -> Array:
        """What one copy of an item in each state does to bits and sums: (S, P, K, B, G..)."""
        if place not in self._effects:
            link = self.links[place]
            if link.tables is not None:
                effect = effect_on_sums(link.tables, link.item.states)
                self._flat[id(effect.whole)] = effect
                self._effects[place] = effect.whole
            else:
                key = place if link.effects_key is None else link.effects_key
                if key not in self._shared_effects:
                    self._shared_effects[key] = link.effects()
                self._effects[place] = self._shared_effects[key]
        return self._effects[place]

    def closing_by(self, sum_name: str, likelihood: Array) -> Chain | None:
        """This scan with a named sum closing by outcomes (cells, outcomes), backward messages with a row for each;
        None where no such sum stays open to the end.
        """
        axis_name = self.named_sums.get(sum_name)
        last = self.segments[-1].closes if self.segments else []
        old = next((axis for axis in last if axis.name == axis_name), None)
        if old is None:
            return None
        new = replace(old, closing=old.closing[:, None] * likelihood)
        other = copy(self)
        other.segments = [segment.with_axes({old.name: new}) for segment in self.segments]
        other.home = [segment for segment in other.segments for _ in segment.links]
        other._likelihood, other._cavity, other._states = {}, {}, {}
        other._crossings, other.in_products = {}, None
        other._scan_back()
        return other

    def owners(self, switch: str) -> tuple[int, ...]:
        """Places of the items that depend on a switch."""
        return self._owners.get(switch, ())

    @cached_property
    def _owners(self) -> dict[str, tuple[int, ...]]:
        found: dict[str, tuple[int, ...]] = {}
        for place, link in enumerate(self.links):
            for name in (*link.shared, *link.private):
                found[name] = (*found.get(name, ()), place)
        return found

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
        return message if here is there else self._crossing(here, there, back=False).over(message)

    def step_back(self, message: Array, place: int) -> Array:
        """A backward message from before item ``place`` to after the one in front of it."""
        here, there = self.home[place], self.home[place - 1]
        return message if here is there else self._crossing(here, there, back=True).over(message)

    def _crossing(self, here: Segment, there: Segment, *, back: bool) -> Crossing:
        key = (here.first, back)
        if key not in self._crossings:
            scale = there.scale_out if back else there.scale_in
            self._crossings[key] = Crossing(here, there, back=back, scale=scale)
        return self._crossings[key]

    def joined(self, before: Array, after: Array, place: int) -> Array:
        """(rows of before, rows of after): the two sides joined at item ``place``, over the evidence."""
        flat = before.reshape(before.shape[0], -1) @ after.reshape(after.shape[0], -1).T
        return np.asarray(flat / self.home[place].total)

    def own_likelihood(self, place: int) -> Array:
        """(S, P, K): :meth:`copy_likelihood` between the scan's own messages; made for the neighbours too."""
        if place not in self._likelihood:
            segment = self.home[place]
            start = place - (place - segment.first) % TOGETHER
            end = min(start + TOGETHER, segment.first + len(segment.links))
            self._likelihoods(segment, start, end)
        return self._likelihood[place]

    def own_cavity(self, place: int) -> Array:
        """(S, B, G..): what all else says about an item's kernel, over the evidence."""
        self.own_likelihood(place)
        if place not in self._cavity:
            self._cavity[place] = cavity(self.before(place), self.after(place)) / self.home[place].total
        return self._cavity[place]

    def _likelihoods(self, segment: Segment, start: int, end: int) -> None:
        """Those of some neighbours at once: they lie along the axis of the switches."""
        if segment.links[0].wide:
            for place in range(start, end):
                self._likelihood[place] = self.copy_likelihood(place, self.before(place), self.after(place))
            return
        places = range(start, end)
        before = np.concatenate([self.before(place) for place in places], axis=1)
        after = np.concatenate([self.after(place) for place in places], axis=1)
        parts = np.split(cavity(before, after) / segment.total, len(places))
        self._cavity.update(zip(places, parts, strict=True))
        for place, part in zip(places, parts, strict=True):
            others = self._others(place)
            self._likelihood[place] = self.links[place].copy_likelihood(part, self.effects(place), others)

    def _others(self, place: int) -> Sequence[Operator]:
        """By private switch, what an item's other copies do; empty where there are none."""
        link = self.links[place]
        if link.item.count == 1:
            return ()
        key = ("others", self._key(Wanted(place, link.weights)))
        if key not in self._rest:
            kernels = link.others(link.weights, self.effects(place))
            self._rest[key] = [Operator(kernels[:, p]) for p in range(kernels.shape[1])]
        return self._rest[key]

    def copy_likelihood(self, place: int, before: Array, after: Array) -> Array:
        """(S, P, K): what the two sides and the item's other copies say about one copy, over the evidence."""
        link = self.links[place]
        if link.wide:
            raw = WideOperator(link, link.weights).copy_likelihood(before, after)
        else:
            raw = link.copy_likelihood(cavity(before, after), self.effects(place), self._others(place))
        return np.asarray(raw / self.home[place].total)

    def own_state(self, place: int) -> Array:
        """(K,): the state of one copy between the scan's own messages, all switches summed out; made for all items."""
        if not self._states:
            self._states = own_states(self)
        return self._states[place]

    def _scan(self) -> float:
        log_scale, message, before = 0.0, np.ones((1,)), None
        for segment in self.segments:
            if before is None:
                inner = segment.enter(message, rescale=True)
            else:
                inner, segment.scale_in = _crossed(before, segment, message, back=False)
            log_scale += math.log(segment.scale_in)
            segment.before = [inner]
            for offset in range(len(segment.links)):
                inner = self.operator(segment.first + offset).push(inner)
                segment.before.append(inner)
            message, before = inner, segment
        total = float((before.leave(message) if before else message).sum())
        if not total > 0:
            raise ImpossibleEvidence("the observations together have probability zero")
        return log_scale + math.log(total)

    def _scan_back(self) -> None:
        message, behind = np.ones((1,)), None
        for segment in reversed(self.segments):
            if behind is None:
                inner = segment.enter_back(message, rescale=True)
            else:
                inner, segment.scale_out = _crossed(behind, segment, message, back=True)
            messages = [inner]
            for offset in reversed(range(len(segment.links))):
                inner = self.operator(segment.first + offset).pull(inner)
                messages.append(inner)
            segment.after = messages[::-1]
            segment.total = float(np.sum(segment.before[0] * segment.after[0]))
            message, behind = inner, segment


def _crossed(here: Segment, there: Segment, message: Array, *, back: bool) -> tuple[Array, float]:
    """The message on the other side of the way between two segments, scaled, and its scale."""
    raw = Crossing(here, there, back=back, scale=1.0).over(message)
    scale = scale_of(raw)
    return raw / scale, scale

"""Expected information of a test about which groups are on, in bits, exactly.

A *group* is on when any copy of any of its items is in a masked state. The target is the set of groups that are on,
told apart as long as at most ``max_on`` are; larger sets count as one value, "more". That is a function of the full
set, so the information is never overstated; ``gap`` bounds what the lumping hides.

The scan between the first and the last item concerned carries one row for every set of groups that is let free while
all others are held off; sets of the greatest size end at once against a backward message in which the rest is off.
Exact sets follow by inclusion and exclusion over at most ``max_on`` groups.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from leakinfer.inference.chain import Chain
from leakinfer.inference.entropy import entropy_bits, mutual_information_bits
from leakinfer.inference.layout import lay_out
from leakinfer.inference.link import aligned
from leakinfer.inference.model import AmountTest, Array, LevelTest, ModelError, SwitchTest, Table, Test
from leakinfer.inference.posterior import Mask, Posterior

Group = Mapping[str, Mask]
Set = frozenset[int]


@dataclass(frozen=True, eq=False)
class Information:
    """``bits`` about the target; ``outcomes``: (outcomes,) probabilities; ``gap``: what lumping may hide, in bits."""

    bits: float
    outcomes: Array
    gap: float


def information(posterior: Posterior, test: Test, groups: Sequence[Group], max_on: int = 2) -> Information:
    """Expected information of ``test`` about which ``groups`` are on.

    Raises:
        ModelError: the test or a group does not fit the model.
    """
    posterior.model.check(test)
    return from_joint(target_table(posterior, test, groups, max_on))


def from_joint(table: Array) -> Information:
    """Information from a joint table (sets, outcomes) whose last row is "more"."""
    more = float(table[-1].sum())
    spare = float(entropy_bits(table[-1] / more)) if more > 0 else 0.0
    return Information(float(mutual_information_bits(table)), table.sum(0), more * spare)


def target_table(posterior: Posterior, test: Test, groups: Sequence[Group], max_on: int = 2) -> Array:
    """(sets, outcomes): joint probabilities of the target and the outcome, the last row for "more"."""
    if isinstance(test, AmountTest):
        chain = lay_out(posterior.model, posterior.together, held=test)
        return _Pass(chain, groups, max_on).table()
    chain = _chain_for(posterior, test)
    if isinstance(test, LevelTest):
        below = [_level_table(chain, posterior, test, groups, max_on, level) for level in range(test.outcomes)]
        joint = np.diff(np.stack(below, axis=1), axis=1, prepend=0.0)
        return np.maximum(joint, 0.0)
    values = posterior.model.sizes[test.switch]
    owner = next((i for i, link in enumerate(chain.links) if test.switch in (*link.shared, *link.private)), None)
    if owner is None:
        free = _Pass(chain, groups, max_on).table()
        return free * (posterior.switch(test.switch) @ test.likelihood)
    parts = [_Pass(chain, groups, max_on, (owner,)).table(_only(chain, posterior, test, v)) for v in range(values)]
    return np.concatenate(parts, axis=1) @ test.likelihood


def _chain_for(posterior: Posterior, test: LevelTest | SwitchTest) -> Chain:
    """The posterior's scan, or a new one if the test makes items depend on switches that they did not depend on."""
    if isinstance(test, SwitchTest):
        return posterior.chain
    extra = {item: table.switches for item, table in test.emit.items()}
    links = {item: posterior.chain.links[posterior.chain.place[item]] for item in extra}
    if all(set(names) <= {*links[item].shared, *links[item].private} for item, names in extra.items()):
        return posterior.chain
    return lay_out(posterior.model, posterior.together, extra=extra)


def _level_table(
    chain: Chain, posterior: Posterior, test: LevelTest, groups: Sequence[Group], max_on: int, level: int
) -> Array:
    """(sets,): the target joint with "the highest level is at most ``level``"."""
    factor = float(test.background[: level + 1].sum())
    folded: dict[int, Array] = {}
    for item, table in test.emit.items():
        place = chain.place[item]
        at_most = Table(table.values[..., : level + 1].sum(-1, keepdims=True), table.switches)
        if level + 1 < test.outcomes:
            folded[place] = fold(chain, posterior, place, at_most)
    scope = tuple(chain.place[item] for item in test.emit)
    return factor * _Pass(chain, groups, max_on, scope).table(folded)[:, 0]


def fold(chain: Chain, posterior: Posterior, place: int, table: Table) -> Array:
    """An item's weights times a one-column table."""
    link = chain.links[place]
    return link.weights * aligned(table, link.shared, link.private, dict(posterior.model.sizes))[..., 0]


def _only(chain: Chain, posterior: Posterior, test: SwitchTest, value: int) -> dict[int, Array]:
    """Weights that leave only one value of a switch."""
    column = np.zeros((posterior.model.sizes[test.switch], 1, 1))
    column[value] = 1.0
    folded = {}
    for place, link in enumerate(chain.links):
        if test.switch in (*link.shared, *link.private):
            rows = np.repeat(column, link.item.states, axis=1)
            folded[place] = fold(chain, posterior, place, Table(rows, (test.switch,)))
    return folded


class _Pass:
    """One scan between the first and last items concerned, over the sets of free groups."""

    def __init__(self, chain: Chain, groups: Sequence[Group], max_on: int, scope: Sequence[int] = ()) -> None:
        if max_on < 1:
            raise ModelError("max_on must be 1 or more")
        self.chain, self.max_on = chain, min(max_on, len(groups))
        self.owner: dict[int, int] = {}
        self.masks: dict[int, Mask] = {}
        for number, group in enumerate(groups):
            for item, mask in group.items():
                place = chain.place[item]
                if place in self.owner:
                    raise ModelError(f"item {item} is in two groups")
                self.owner[place], self.masks[place] = number, mask
        self.groups = len(groups)
        places = {*self.owner, *scope}
        self.first, self.last = (min(places), max(places)) if places else (0, 0)
        self.begins = {number: place for place, number in sorted(self.owner.items(), reverse=True)}
        self.ends = {number: place for place, number in sorted(self.owner.items())}

    def table(self, folded: Mapping[int, Array] | None = None) -> Array:
        """(sets, outcomes): sets of at most ``max_on`` groups in order of size, then "more"; ``folded`` weights apply."""
        self.folded = folded or {}
        free = self._free_sets()
        exact = [self._exactly(free, members) for members in self._sets()]
        every = free[None]
        joint = np.maximum(np.stack(exact), 0.0)
        more = np.maximum(every - joint.sum(0), 0.0) if self.max_on < self.groups else np.zeros_like(every)
        return np.concatenate([joint, more[None]])

    def _sets(self) -> Iterator[Set]:
        for size in range(self.max_on + 1):
            yield from map(frozenset, combinations(range(self.groups), size))

    def _exactly(self, free: Mapping[Set | None, Array], members: Set) -> Array:
        """P(exactly these are on) = sum over their subsets of (-1)^(left out) P(no other is on)."""
        terms = [
            (-1) ** (len(members) - size) * free[frozenset(part)]
            for size in range(len(members) + 1)
            for part in combinations(sorted(members), size)
        ]
        return np.asarray(sum(terms))

    def _weights(self, place: int, *, off: bool) -> Array | None:
        own = self.folded.get(place)
        if off and place in self.masks:
            return (self.chain.links[place].weights if own is None else own) * ~self.masks[place]
        return own

    def _off_after(self) -> dict[int, Array]:
        """By place, the backward message after it in which every later group is off."""
        chain, after = self.chain, {}
        message = chain.after(self.last)
        for place in range(self.last, self.first - 1, -1):
            after[place] = message
            if place > self.first:
                message = chain.operator(place, self._weights(place, off=True)).pull(message)
                message = chain.step_back(message, place)
        return after

    def _free_sets(self) -> dict[Set | None, Array]:
        """By set of groups, (outcomes,): P(no group outside the set is on); None stands for all groups free."""
        chain, after = self.chain, self._off_after()
        rows: list[Set | None] = [None, frozenset()]
        message = np.repeat(chain.before(self.first), 2, axis=0)
        done: dict[Set | None, Array] = {}
        for place in range(self.first, self.last + 1):
            rows, message = self._advance(rows, message, place)
            rows, message = self._finish(rows, message, place, after[place], done)
            if place < self.last:
                message = chain.step(message, place)
        result = chain.joined(message, chain.after(self.last), self.last)
        done.update(zip(rows, result, strict=True))
        return done

    def _advance(self, rows: list[Set | None], message: Array, place: int) -> tuple[list[Set | None], Array]:
        """Push every row through an item; where a group begins, each set that has room also goes on with it free."""
        chain, group = self.chain, self.owner.get(place)
        free = chain.operator(place, self._weights(place, off=False))
        if group is None:
            return rows, free.push(message)
        opens = self.begins[group] == place
        held = [i for i, row in enumerate(rows) if row is not None and group not in row]
        loose = [i for i, row in enumerate(rows) if row is None or group in row]
        grown = [i for i in held if opens and len(rows[i] or ()) < self.max_on]
        off = chain.operator(place, self._weights(place, off=True))
        parts = [off.push(message[held]), free.push(message[loose + grown])]
        names: list[Set | None] = [rows[i] for i in held + loose]
        names += [(rows[i] or frozenset()) | {group} for i in grown]
        return names, np.concatenate(parts)

    def _finish(
        self, rows: list[Set | None], message: Array, place: int, after: Array, done: dict[Set | None, Array]
    ) -> tuple[list[Set | None], Array]:
        """End the sets of the greatest size whose groups all lie behind."""
        ready = [
            i for i, row in enumerate(rows) if row and len(row) == self.max_on and all(self.ends[g] <= place for g in row)
        ]
        if not ready:
            return rows, message
        for row, value in zip(ready, self.chain.joined(message[ready], after, place), strict=True):
            done[rows[row]] = value
        left = [i for i in range(len(rows)) if i not in set(ready)]
        return [rows[i] for i in left], message[left]


__all__ = ["Group", "Information", "Mask", "from_joint", "information", "target_table"]

"""Expected information of a test about which groups are on, in bits, exactly.

A *group* is on when any copy of any of its items is in a masked state. The target is the set of groups that are on,
told apart as long as at most ``max_on`` are; larger sets count as one value, "more". That is a function of the full
set, so the information is never overstated; ``gap`` bounds what the lumping hides.

The scan between the first and the last item concerned carries one row for every set of groups that is let free while
all others are held off; sets of the greatest size end at once against a backward message in which the rest is off.
Exact sets follow by inclusion and exclusion over at most ``max_on`` groups.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import combinations

import numpy as np

from leakinfer.inference.algebra import AnyOperator
from leakinfer.inference.chain import Chain, Mask, Wanted
from leakinfer.inference.entropy import entropy_bits, mutual_information_bits, normalised
from leakinfer.inference.layout import lay_out
from leakinfer.inference.link import aligned
from leakinfer.inference.making import Asked
from leakinfer.inference.model import AmountTest, Array, LevelTest, Model, ModelError, SwitchTest, Table, Test
from leakinfer.inference.posterior import Posterior
from leakinfer.inference.products import LARGEST_ERROR, ProductScan, in_products

LARGEST_PASS = 1_000_000_000  # bytes of messages by products; as cells they take a half to a fourth

Group = Mapping[str, Mask]
Set = frozenset[int]


@dataclass(frozen=True, eq=False)
class Variant:
    """Weights (S, P, K) that stand in for an item's own; ``hidden``: the chance that its own hold all the same."""

    weights: Array
    hidden: float = 0.0


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


def check_groups(model: Model, groups: Sequence[Group], max_on: int) -> None:
    """Raise :class:`ModelError` unless the groups fit the model and share no item."""
    if max_on < 1:
        raise ModelError("sets of at least one group must be told apart")
    seen: set[str] = set()
    for group in groups:
        for item, mask in group.items():
            if item not in model.index:
                raise ModelError(f"unknown item {item}")
            states = model.items[model.index[item]].states
            if mask.shape != (states,):
                raise ModelError(f"a mask of {item} has shape {mask.shape}, it has {states} states")
            if item in seen:
                raise ModelError(f"item {item} is in two groups")
            seen.add(item)


def from_joint(table: Array) -> Information:
    """Information from a joint table (sets, outcomes) whose last row is "more"."""
    more = float(table[-1].sum())
    spare = float(entropy_bits(table[-1] / more)) if more > 0 else 0.0
    return Information(float(mutual_information_bits(table)), table.sum(0), more * spare)


def target_table(posterior: Posterior, test: Test, groups: Sequence[Group], max_on: int = 2) -> Array:
    """(sets, outcomes): joint probabilities of the target and the outcome, the last row for "more"."""
    if isinstance(test, AmountTest):
        chain = posterior.chain.closing_by(test.sum_name, test.likelihood) if test.sum_name else None
        chain = chain or lay_out(posterior.model, posterior.together, held=test)
        return normalised(_Scan(chain, groups, (), [{}]).tables(max_on)[0])
    if isinstance(test, LevelTest):
        return LevelTables(posterior, [test], groups).about(max_on)[0]
    chain = posterior.chain
    owners = chain.owners(test.switch)
    if not owners:
        free = _Scan(chain, groups, (), [{}]).tables(max_on)[0]
        return normalised(free * (posterior.switch(test.switch) @ test.likelihood))
    values = range(posterior.model.sizes[test.switch])
    only = [_only(chain, posterior, test, value) for value in values]
    parts = _Scan(chain, groups, owners[:1], only).tables(max_on)
    return normalised(np.concatenate(parts, axis=1) @ test.likelihood)


class LevelTables:
    """Several level tests about the same groups, in one pass; what items do is worked out once, however many groups are
    told apart."""

    def __init__(self, posterior: Posterior, tests: Sequence[LevelTest], groups: Sequence[Group]) -> None:
        chain, self.tests = _chain_for(posterior, tests), tests
        scope = {chain.place[item] for test in tests for item in test.emit}
        variants: list[dict[int, Variant]] = [{}]
        for test in tests:
            variants += _at_most(chain, posterior, test)
        self._scan = _Scan(chain, groups, sorted(scope), variants)

    def about(self, max_on: int) -> list[Array]:
        """By test, (sets, outcomes): sets of at most so many groups, and "more"."""
        free, *rest = self._scan.tables(max_on)
        tables = []
        for test in self.tests:
            below = [rest.pop(0)[:, 0] for _ in range(test.outcomes - 1)] + [free[:, 0]]
            cumulative = np.stack(below, axis=1) * np.cumsum(test.background)
            tables.append(normalised(np.maximum(np.diff(cumulative, axis=1, prepend=0.0), 0.0)))
        return tables


class _Scan:
    """Passes over the same groups and variants, by products unless their errors may count."""

    def __init__(
        self, chain: Chain, groups: Sequence[Group], scope: Sequence[int], variants: Sequence[Mapping[int, Variant]]
    ) -> None:
        self._quick = _Pass(in_products(chain), groups, scope, variants)
        self._plain = partial(_Pass, chain, groups, scope, variants)

    def tables(self, max_on: int) -> list[Array]:
        """By variant, as :meth:`_Pass.tables`."""
        if self._quick.kept_bytes < LARGEST_PASS:
            found = self._quick.tables(max_on)
            if self._quick.error < LARGEST_ERROR:
                return found
        return self._plain().tables(max_on)


def _chain_for(posterior: Posterior, tests: Sequence[LevelTest]) -> Chain:
    """The posterior's scan, or a new one if a test makes items depend on switches that they did not depend on."""
    chain, extra = posterior.chain, dict[str, set[str]]()
    for test in tests:
        for item, table in test.emit.items():
            link = chain.links[chain.place[item]]
            new = set(table.switches) - {*link.shared, *link.private}
            if new:
                extra.setdefault(item, set()).update(new)
    return lay_out(posterior.model, posterior.together, extra=extra) if extra else chain


def _at_most(chain: Chain, posterior: Posterior, test: LevelTest) -> list[dict[int, Variant]]:
    """By level but the highest, by place, the weights under "no copy in scope emits more than that level"."""
    found: list[dict[int, Variant]] = [{} for _ in range(test.outcomes - 1)]
    sums = {id(table): np.cumsum(table.values, axis=-1) for table in test.emit.values()}
    for item, table in test.emit.items():
        place = chain.place[item]
        link = chain.links[place]
        columns = aligned(sums[id(table)], table.switches, link.shared, link.private, posterior.model.sizes)
        for level, by_place in enumerate(found):
            by_place[place] = Variant(link.weights * columns[..., level], test.hidden.get(item, 0.0))
    return found


def fold(chain: Chain, posterior: Posterior, place: int, table: Table) -> Array:
    """An item's weights times a one-column table."""
    link = chain.links[place]
    return (
        link.weights * aligned(table.values, table.switches, link.shared, link.private, posterior.model.sizes)[..., 0]
    )


def _only(chain: Chain, posterior: Posterior, test: SwitchTest, value: int) -> dict[int, Variant]:
    """Weights that leave only one value of a switch."""
    column = np.zeros((posterior.model.sizes[test.switch], 1, 1))
    column[value] = 1.0
    folded = {}
    for place in chain.owners(test.switch):
        rows = np.repeat(column, chain.links[place].item.states, axis=1)
        folded[place] = Variant(fold(chain, posterior, place, Table(rows, (test.switch,))))
    return folded


class _Pass:
    """One scan between the first and last items concerned, over the sets of free groups and over variants of weights.

    Variants lie along the axis of the switches: an operator acts on each of its values alone.
    """

    def __init__(
        self, chain: Chain, groups: Sequence[Group], scope: Sequence[int], variants: Sequence[Mapping[int, Variant]]
    ) -> None:
        self.chain, self.variants, self.max_on = chain, variants, 0
        self.owner: dict[int, int] = {}
        self.masks: dict[int, Mask] = {}
        for number, group in enumerate(groups):
            for item, mask in group.items():
                place = chain.place[item]
                self.owner[place], self.masks[place] = number, mask
        self.groups, self.error = len(groups), 0.0
        places = {*self.owner, *scope}
        self.first, self.last = (min(places), max(places)) if places else (0, 0)
        self.begins = {number: place for place, number in sorted(self.owner.items(), reverse=True)}
        self.ends = {number: place for place, number in sorted(self.owner.items())}

    @property
    def kept_bytes(self) -> int:
        """Of the backward messages, which a pass holds all at once; complex ones."""
        homes = self.chain.home[self.first : self.last + 1]
        return 16 * len(self.variants) * sum(math.prod(home.shape) for home in homes)

    def tables(self, max_on: int) -> list[Array]:
        """By variant, (sets, outcomes): sets of at most ``max_on`` groups in order of size, then "more"."""
        self.max_on = min(max_on, self.groups)
        free = self._free_sets()
        joint = self._heard(np.stack([self._exactly(free, members) for members in self._sets()]))
        more = self._heard(free[None] - joint.sum(0)) if self.max_on < self.groups else np.zeros_like(free[None])
        every = np.concatenate([joint, more[None]])  # (sets, variants, outcomes)
        return [every[:, v] for v in range(len(self.variants))]

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

    @cached_property
    def _operators(self) -> dict[tuple[int, bool], AnyOperator]:
        """By place and whether the masked states are ruled out, the item's operator for all variants."""
        chain = self.chain
        singles, wanted = dict[tuple[int, bool], Asked](), dict[tuple[int, bool], Wanted]()
        for place in range(self.first, self.last + 1):
            if chain.single(place):
                states, mask = self._states(place), self.masks.get(place)
                singles[place, False] = Asked(place, states, held=False)
                if mask is not None:
                    keep = np.tile(~mask, states.shape[1] // mask.size)
                    singles[place, True] = Asked(place, states * keep, held=True)
            else:
                wanted |= self._of_several(place)
        found = dict(zip(singles, chain.together(list(singles.values())), strict=True))
        return found | dict(zip(wanted, chain.operators(list(wanted.values())), strict=True))

    def _states(self, place: int) -> Array:
        """(V S, K): the states of a single item for all variants; hidden is the same as weights in between."""
        own = self.chain.links[place].weights
        parts = []
        for variant in self.variants:
            other = variant.get(place)
            if other is None:
                parts.append(own)
            elif other.hidden:
                parts.append((1 - other.hidden) * other.weights + other.hidden * own)
            else:
                parts.append(other.weights)
        return self.chain.states(place, np.concatenate(parts))

    def _of_several(self, place: int) -> dict[tuple[int, bool], Wanted]:
        """What is asked for of several copies, or of an item that shared switches change."""
        own = Variant(self.chain.links[place].weights)
        each = [variant.get(place, own) for variant in self.variants]
        free, asked = np.concatenate([variant.weights for variant in each]), {}
        hidden = np.repeat([variant.hidden for variant in each], len(own.weights))
        for off in (False, True) if place in self.masks else (False,):
            keep = ~self.masks[place] if off else np.ones(free.shape[-1], dtype=bool)
            aside = (hidden, np.concatenate([own.weights * keep] * len(each))) if hidden.any() else None
            asked[place, off] = Wanted(place, free * keep, aside, held=off)
        return asked

    def _operator(self, place: int, *, off: bool) -> AnyOperator:
        return self._operators[place, off and place in self.masks]

    def _stacked(self, message: Array) -> Array:
        """A message of the scan once for each variant."""
        return np.concatenate([message] * len(self.variants), axis=1)

    def _join(self, before: Array, after: Array, place: int) -> Array:
        """(rows, variants, outcomes): both sides joined at an item."""
        rows, count, total = before.shape[0], len(self.variants), self.chain.home[place].total
        first = before.reshape(rows, count, -1).transpose(1, 0, 2)
        second = after.reshape(after.shape[0], count, -1).transpose(1, 2, 0)
        return np.asarray((first @ second).real.transpose(1, 0, 2) / total)

    def _heard(self, joint: Array) -> Array:
        """Joint probabilities without what is but rounding."""
        return np.where(joint > (self.chain.noise if isinstance(self.chain, ProductScan) else 0.0), joint, 0.0)

    def _off_after(self) -> dict[int, Array]:
        """By place, the backward message after it in which every later group is off."""
        chain, after = self.chain, {}
        message = self._stacked(chain.after(self.last))
        for place in range(self.last, self.first - 1, -1):
            after[place] = message
            if place > self.first:
                message = self._operator(place, off=True).pull(message)
                message = self._cross(message, place, back=True)
        return after

    def _cross(self, message: Array, place: int, *, back: bool) -> Array:
        """Over the end of a segment, variant by variant."""
        chain = self.chain
        other = place - 1 if back else place + 1
        if chain.home[place] is chain.home[other]:
            return message
        rows, count = message.shape[0], len(self.variants)
        as_rows = message.reshape(rows * count, -1, *message.shape[2:])
        moved = (chain.step_back if back else chain.step)(as_rows, place)
        return moved.reshape(rows, -1, *moved.shape[2:])

    def _free_sets(self) -> dict[Set | None, Array]:
        """By set of groups, (variants, outcomes): P(no group outside it is on); None: all groups free."""
        chain, after = self.chain, self._off_after()
        rows: list[Set | None] = [None, frozenset()]
        message = self._stacked(np.repeat(chain.before(self.first), 2, axis=0))
        done: dict[Set | None, Array] = {}
        for place in range(self.first, self.last + 1):
            if self._alone(place, rows):
                message = self._over_alone(message, place, after[place], done)
            else:
                rows, message = self._advance(rows, message, place)
                rows, message = self._finish(rows, message, place, after[place], done)
            if place < self.last:
                message = self._cross(message, place, back=False)
        behind = self._stacked(chain.after(self.last))
        if isinstance(chain, ProductScan):
            self.error = chain.error_bound(message, behind, self.last)
        result = self._join(message, behind, self.last)
        done.update(zip(rows, result, strict=True))
        return done

    def _alone(self, place: int, rows: Sequence[Set | None]) -> bool:
        """Whether an item is a group of its own, groups are taken one by one, and none is under way."""
        group = self.owner.get(place)
        if self.max_on > 1 or group is None or self.begins[group] != self.ends[group]:
            return False
        return list(rows) == [None, frozenset()]

    def _over_alone(self, message: Array, place: int, after: Array, done: dict[Set | None, Array]) -> Array:
        """:meth:`_advance` and :meth:`_finish` in the commonest case; rows: all groups free, all off."""
        free = self._operator(place, off=False).push(message)
        done[frozenset((self.owner[place],))] = self._join(free[1:], after, place)[0]
        return np.concatenate([free[:1], self._operator(place, off=True).push(message[1:])])

    def _advance(self, rows: list[Set | None], message: Array, place: int) -> tuple[list[Set | None], Array]:
        """Push every row through an item; where a group begins, each set that has room also goes on with it free."""
        group = self.owner.get(place)
        free = self._operator(place, off=False)
        if group is None:
            return rows, free.push(message)
        opens = self.begins[group] == place
        held = [i for i, row in enumerate(rows) if row is not None and group not in row]
        loose = [i for i, row in enumerate(rows) if row is None or group in row]
        grown = [i for i in held if opens and len(rows[i] or ()) < self.max_on]
        off = self._operator(place, off=True)
        parts = [free.push(message[loose + grown]), off.push(message[held])]
        names: list[Set | None] = [rows[i] for i in loose]
        names += [(rows[i] or frozenset()) | {group} for i in grown]
        names += [rows[i] for i in held]
        return names, np.concatenate(parts)

    def _finish(
        self, rows: list[Set | None], message: Array, place: int, after: Array, done: dict[Set | None, Array]
    ) -> tuple[list[Set | None], Array]:
        """End the sets of the greatest size whose groups all lie behind."""
        ready = [
            i
            for i, row in enumerate(rows)
            if row and len(row) == self.max_on and all(self.ends[g] <= place for g in row)
        ]
        if not ready:
            return rows, message
        for row, value in zip(ready, self._join(message[ready], after, place), strict=True):
            done[rows[row]] = value
        left = [i for i in range(len(rows)) if i not in set(ready)]
        return [rows[i] for i in left], message[left]

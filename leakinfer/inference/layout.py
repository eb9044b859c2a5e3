"""From a model to its chain: which items touch which findings, in what order, in which segments."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from leakinfer.inference.chain import Chain
from leakinfer.inference.findings import SUM, SWITCH, Axis, Findings, OwnResponse, scaled, sort_findings
from leakinfer.inference.link import Link, aligned
from leakinfer.inference.model import AmountTest, Array, ImpossibleEvidence, Item, Model, Table
from leakinfer.inference.order import open_cost, scan_order
from leakinfer.inference.own import Own, terms_of
from leakinfer.inference.segment import Segment

BUDGET_BITS = 18.5  # log2 of the cells that may be open at once: 2 MB a message
BUDGET_WORK = 1e9  # products of one scan: about a second, and scoring tests costs some tens of scans
BUDGET_CELLS = 4000  # of three or more sums at one item: what else says of it takes their square, 0.1 GB a switch

HELD = "held open"


class OverBudget(Exception):
    """No order of the items keeps the open findings within the budget; ``bits`` is log2 of the cells needed."""

    def __init__(self, bits: float) -> None:
        super().__init__(f"2^{bits:.0f} cells would be open at once")
        self.bits = bits


def lay_out(
    model: Model,
    together: Sequence[Sequence[str]] = (),
    *,
    held: AmountTest | None = None,
    extra: Mapping[str, Collection[str]] | None = None,
    budget: float = BUDGET_BITS,
    inside: bool = True,
) -> Chain:
    """The scan of a model. ``together``: items to be kept side by side. ``held``: a test whose sum stays open to the
    end, so that backward messages have one row for each of its outcomes. ``extra``: by item, switches that a test to
    come makes it depend on. ``inside``: responses that one item of several copies alone can explain stay inside it.

    Raises:
        ImpossibleEvidence: the observations have probability zero.
        OverBudget: too many findings would be open at once.
    """
    findings, open_end = sort_findings(model, inside=inside), None
    if held is not None:
        findings, open_end = _hold(findings, held)
    touches = _touches(model, findings)
    for item, names in (extra or {}).items():
        touches[model.index[item]].update(names)
    factor = findings.log_factor + _untouched(findings, frozenset().union(*touches))
    private = _private(findings, touches)
    opened = [frozenset(names - private) for names in touches]
    weight = {name: math.log2(axis.opening.size) for name, axis in findings.axes.items()}
    order = scan_order(opened, _blocks(model, together), weight)
    if open_end is not None:
        opened[order[-1]] |= {open_end}
    cost = open_cost(order, opened, weight)
    if cost > budget:
        raise OverBudget(cost)
    links = [_link(model, findings, model.items[i], opened[i], touches[i] & private) for i in order]
    if any(link.terms.cancel(link.weights, link.item.count) for link in links if link.terms):
        return lay_out(model, together, held=held, extra=extra, budget=budget, inside=False)
    if _work(links, [opened[i] for i in order], weight) > BUDGET_WORK or any(map(_crowded, links)):
        raise OverBudget(cost)
    factor += sum(link.log_scale for link in links)
    return Chain(_segments(links, [opened[i] for i in order], findings), factor, findings.named_sums)


def _work(links: Sequence[Link], opened: Sequence[frozenset[str]], weight: Mapping[str, float]) -> float:
    """About how many products a scan takes: for each item, what is open times what the item does to it."""
    last = {name: place for place, names in enumerate(opened) for name in names}
    bits, total, seen = 0.0, 0.0, set[str]()
    for place, (link, names) in enumerate(zip(links, opened, strict=True)):
        bits += sum(weight[name] for name in names - seen)
        seen |= names
        cells = math.prod(spread.shape[-1] for spread in link.spreads)
        if link.wide:
            each = link.item.states * link.private_prior.size * (2 * len(link.responses) + cells)
        else:
            each = 1.5 ** len(link.responses) * cells
        if link.terms:
            own = link.terms.count * math.log2(link.item.count) * link.private_prior.size * len(link.weights)
            total += own * 3 ** len(link.responses) * cells**2
        total += 2**bits * each
        bits -= sum(weight[name] for name in names if last[name] == place)
    return total


def _crowded(link: Link) -> bool:
    """Whether too many sums meet at an item, or so many responses that its copies would be scanned one by one."""
    return (link.wide and link.item.count > 1) or (len(link.cells) > 2 and math.prod(link.cells) > BUDGET_CELLS)


def _hold(findings: Findings, held: AmountTest) -> tuple[Findings, str]:
    """The findings with a sum that closes by outcomes, and its name; a sum that is open already serves again."""
    name = findings.named_sums.get(held.sum_name, HELD)
    if name == HELD:
        opening = np.zeros(held.cells)
        opening[0] = 1.0
        axis = Axis(name, (SUM, 10**9), opening, held.likelihood)
    else:
        old = findings.axes[name]
        axis = Axis(name, old.rank, old.opening, old.closing[:, None] * held.likelihood)
    sums, axes = {**findings.sums, name: held.spread}, {**findings.axes, name: axis}
    return replace(findings, sums=sums, axes=axes), name


def _touches(model: Model, findings: Findings) -> list[set[str]]:
    """By item, the switches and open findings that look at it."""
    touches = [set[str](item.switches) for item in model.items]
    for item, tables in findings.folded.items():
        touches[model.index[item]].update(*(table.switches for table in tables))
    for item, own in findings.own.items():
        touches[model.index[item]].update(*((*response.at.switches, *response.switches) for response in own))
    open_tables = [(name, response.at) for name, response in findings.responses.items()]
    for name, by_item in (*open_tables, *findings.sums.items()):
        for item, table in by_item.items():
            touches[model.index[item]].update({name, *table.switches})
    return touches


def _untouched(findings: Findings, touched: frozenset[str]) -> float:
    """Log of what axes that no item touches give to the evidence."""
    factor = 0.0
    for name, axis in findings.axes.items():
        if name not in touched and axis.closing.ndim == 1:
            value = float(axis.opening @ axis.closing)
            if not value > 0:
                raise ImpossibleEvidence("what was seen of a switch or an empty sum has probability zero")
            factor += math.log(value)
    return factor


def _private(findings: Findings, touches: Sequence[set[str]]) -> frozenset[str]:
    """Switches that only one item depends on: they are summed inside the item."""
    seen: set[str] = set()
    twice: set[str] = set()
    for names in touches:
        twice |= names & seen
        seen |= names
    return frozenset(name for name in seen - twice if findings.axes[name].rank[0] == SWITCH)


def _blocks(model: Model, together: Sequence[Sequence[str]]) -> list[list[int]]:
    """The items as blocks to keep side by side, in natural order of their first item."""
    owner: dict[int, int] = {}
    for number, names in enumerate(together):
        for name in names:
            owner.setdefault(model.index[name], number)
    blocks: dict[tuple[int, int], list[int]] = {}
    for place in range(len(model.items)):
        key = (0, owner[place]) if place in owner else (1, place)
        blocks.setdefault(key, []).append(place)
    return list(blocks.values())


def _link(model: Model, findings: Findings, item: Item, opened: frozenset[str], own: set[str]) -> Link:
    axes, sizes = findings.axes, model.sizes
    by_kind: list[tuple[str, ...]] = [
        tuple(sorted((n for n in opened if axes[n].rank[0] == kind), key=lambda n: axes[n].rank)) for kind in range(3)
    ]
    shared, responses, sums = by_kind
    private = tuple(sorted(own, key=lambda name: axes[name].rank))

    def align(table: Table) -> Array:
        return aligned(table.values, table.switches, shared, private, sizes)

    weights = aligned(item.prior, item.switches, shared, private, sizes)
    log_scale = 0.0
    for table in (None, *findings.folded.get(item.name, ())):
        weights, log_top = scaled(weights if table is None else weights * align(table)[..., 0])
        log_scale += log_top
    prior = np.ones(())
    for name in private:
        prior = np.multiply.outer(prior, axes[name].opening)
    full = (math.prod(sizes[n] for n in shared), prior.size, item.states)
    at = [findings.responses[name].at[item.name] for name in responses]
    below = [findings.responses[name].below[item.name] for name in responses]
    spreads = tuple(_spread(findings, name, item) for name in sums)
    # two sums side by side make operators too large to be kept from one model to the next
    inside = [_own(response, align) for response in findings.own.get(item.name, ())]
    plain = not responses and len(sums) < 2 and not any(table.switches for table in spreads)
    return Link(
        item,
        shared,
        private,
        prior.reshape(-1),
        np.array(np.broadcast_to(weights, full)),
        item.count * log_scale,
        responses,
        tuple(align(table)[..., 0] for table in below),
        tuple(align(table)[..., 0] for table in at),
        sums,
        tuple(align(table) for table in spreads),
        spreads if plain else None,
        terms_of(inside),
    )


def _own(response: OwnResponse, align: Callable[[Table], Array]) -> Own:
    below, at = (align(table)[..., 0] for table in (response.below, response.at))
    ground = tuple(align(Table(part[..., None, None], response.switches))[..., 0, 0] for part in response.ground)
    return Own(below, at, ground[0], ground[1])


def _spread(findings: Findings, name: str, item: Item) -> Table:
    """The item's cells of a sum; an item that a held sum does not look at adds none."""
    found = findings.sums[name].get(item.name)
    if found is not None:
        return found
    rows = np.zeros((item.states, findings.axes[name].opening.size))
    rows[:, 0] = 1.0
    return Table(rows)


def _segments(links: list[Link], opened: list[frozenset[str]], findings: Findings) -> list[Segment]:
    last = {name: place for place, names in enumerate(opened) for name in names}
    segments: list[Segment] = []
    current: Mapping[str, Axis] = {}
    place = 0
    while place < len(links):
        end = place
        while end < len(links) and opened[end] == opened[place]:
            end += 1
        fresh = [findings.axes[name] for name in sorted(opened[place]) if name not in current]
        inside = sorted([*current.values(), *fresh], key=lambda axis: axis.rank)
        closes = [axis for axis in inside if last[axis.name] < end]
        segments.append(Segment(place, links[place:end], inside, fresh, closes, opened[place]))
        current = {axis.name: axis for axis in inside if axis not in closes}
        place = end
    return segments

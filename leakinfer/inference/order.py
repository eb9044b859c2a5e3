"""An order of the items that keeps few findings open at once.

Items that the same findings touch are exchangeable for the scan, so blocks (items to be kept together) are sorted by
what touches them; groups of blocks are then chained greedily, each time taking the one that leaves least open.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

Touches = frozenset[str]

# The natural order keeps neighbours side by side, which makes tests of areas short to score: worth this much more open.
NATURAL_BITS = 2.0


def scan_order(touches: Sequence[Touches], blocks: Sequence[Sequence[int]], weight: Mapping[str, float]) -> list[int]:
    """Item indices in scan order.

    ``touches``: by item, the findings and shared switches that look at it. ``blocks``: a partition of the items, in
    their natural order, each to be kept together. ``weight``: log2 of the cells that an open finding costs.
    """
    groups: dict[Touches, list[int]] = {}
    for number, block in enumerate(blocks):
        groups.setdefault(frozenset().union(*(touches[i] for i in block)), []).append(number)
    natural = [item for block in blocks for item in block]
    order: list[int] = []
    for touched in _chain(list(groups), weight):
        for number in groups[touched]:
            order.extend(_inside(blocks[number], touches))
    return natural if open_cost(natural, touches, weight) <= open_cost(order, touches, weight) + NATURAL_BITS else order


def open_cost(order: Sequence[int], touches: Sequence[Touches], weight: Mapping[str, float]) -> float:
    """The greatest log2 number of cells that are open at once in this order."""
    last = {name: place for place, item in enumerate(order) for name in touches[item]}
    opened: set[str] = set()
    worst = cost = 0.0
    for place, item in enumerate(order):
        for name in touches[item] - opened:
            opened.add(name)
            cost += weight[name]
        worst = max(worst, cost)
        cost -= sum(weight[name] for name in touches[item] if last[name] == place)
    return worst


def _inside(block: Sequence[int], touches: Sequence[Touches]) -> list[int]:
    """A block's items, equal ones side by side, in order of first appearance."""
    groups: dict[Touches, list[int]] = {}
    for item in block:
        groups.setdefault(touches[item], []).append(item)
    return [item for members in groups.values() for item in members]


def _chain(keys: list[Touches], weight: Mapping[str, float]) -> list[Touches]:
    """Keys one after another: next is the one that opens least more than it closes.

    While nothing is open the natural order holds. What touches every key is always open and does not count.
    """
    common = frozenset.intersection(*keys) if keys else frozenset()
    left = Counter(name for key in keys for name in key - common)
    waiting, opened, chained = list(keys), set[str](), list[Touches]()

    def price(key: Touches) -> float:
        return sum(weight[name] for name in key - common - opened) - sum(
            weight[name] for name in key & left.keys() if left[name] == 1
        )

    while waiting:
        near = [key for key in waiting if key & opened]
        best = min(near, key=price) if near else waiting[0]
        waiting.remove(best)
        chained.append(best)
        opened |= best - common
        left.subtract(best - common)
        opened -= {name for name in best if not left[name]}
    return chained

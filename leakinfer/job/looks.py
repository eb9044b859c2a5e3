"""Looks made again at what stays as it is: an old stain is still there, and what was overlooked was looked for."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence

from msgspec import structs

from leakinfer.catalogue.model import Method
from leakinfer.job.finding import Finding, outcome_names

Numbered = tuple[int, Finding]


def once_looked(
    findings: Iterable[Numbered], methods: Mapping[str, Method], turns: Sequence[int]
) -> tuple[Numbered, ...]:
    """Numbered findings, where all looks by one method at one target count as one between two ``turns`` (numbers of
    findings after which something changed): the most that was seen, with every false cause that was told of any."""
    kept: dict[object, Numbered] = {}
    for number, finding in findings:
        method = methods[finding.method]
        turn = bisect_right(turns, number)
        key = (finding.method, finding.target, turn) if method.any_state else number
        kept[key] = _both(kept[key], (number, finding), method) if key in kept else (number, finding)
    return tuple(sorted(kept.values(), key=lambda numbered: numbered[0]))


def _both(one: Numbered, other: Numbered, method: Method) -> Numbered:
    """Two looks as one, the same whichever came first but for its number where they saw the same."""
    names = outcome_names(method)
    most = max(one, other, key=lambda numbered: names.index(numbered[1].outcome))
    causes = sorted({*one[1].false_causes, *other[1].false_causes})
    return most[0], structs.replace(most[1], false_causes=tuple(causes))

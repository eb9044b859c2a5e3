"""Looks made again at what stays as it is: an old stain is still there, and so is what hides from the eye."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence

from msgspec import structs

from leakinfer.catalogue.model import Method
from leakinfer.job.finding import Finding

Numbered = tuple[int, Finding]


def once_looked(
    findings: Iterable[Numbered], methods: Mapping[str, Method], turns: Sequence[int]
) -> tuple[Numbered, ...]:
    """Numbered findings, where equal answers of one look at one target count once between two ``turns`` (numbers of
    findings after which something changed), with every false cause that was told of any of them."""
    kept: dict[object, Numbered] = {}
    for number, finding in findings:
        key: object = number
        if methods[finding.method].any_state:
            key = finding.method, finding.target, finding.outcome, bisect_right(turns, number)
        if key in kept:
            first, same = kept[key]
            causes = dict.fromkeys((*same.false_causes, *finding.false_causes))
            kept[key] = first, structs.replace(same, false_causes=tuple(causes))
        else:
            kept[key] = number, finding
    return tuple(kept.values())

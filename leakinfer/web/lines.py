"""What was told, in words and in a person's units."""

from __future__ import annotations

from leakinfer.job.events import FACTS, FINDING
from leakinfer.store import UNDO
from leakinfer.web.desk import Seen
from leakinfer.words.facts import facts_told
from leakinfer.words.history import Line
from leakinfer.words.job import finding_words
from leakinfer.words.units import Units


def said(line: Line, units: Units) -> str:
    """One event with a capital letter."""
    words = line.words
    if line.event.kind == FACTS:
        words = facts_told(line.event.body, line.job, units)
    if line.event.kind == FINDING:
        words = finding_words(line.job, line.job.findings[-1])
    return words[:1].upper() + words[1:]


def since(seen: Seen, number: int, units: Units) -> list[str]:
    """What was told after an event, by whom."""
    told = [f"{line.event.who or 'someone'}: {said(line, units)}" for line in seen.lines if line.event.number > number]
    undone = [event for event in seen.events if event.number > number and event.kind == UNDO]
    return told + [f"{event.who or 'someone'}: took something back" for event in undone]

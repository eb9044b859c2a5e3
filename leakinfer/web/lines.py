"""What was told, in words and in a person's units; places by their names, where the commands have their ids."""

from __future__ import annotations

from leakinfer.job.events import FACTS, FINDING, REPAIR, SITE, SKIP
from leakinfer.report.wording import capital
from leakinfer.store import UNDO
from leakinfer.web.desk import Seen
from leakinfer.words.facts import facts_told
from leakinfer.words.history import Line
from leakinfer.words.job import finding_words, part_words
from leakinfer.words.units import Units


def said(line: Line, units: Units) -> str:
    """One event with a capital letter."""
    return capital(_words(line, units))


def _words(line: Line, units: Units) -> str:
    kind, body, job = line.event.kind, line.event.body, line.job
    if kind == FACTS:
        return facts_told(body, job, units)
    if kind == FINDING:
        return finding_words(job, job.findings[-1], units)
    if kind == SKIP:
        places = {place.id: place.name for place in job.system.places}
        return f"left out: {places.get(body['target']) or part_words(job, body['target'])} ({body['reason']})"
    if kind == SITE:
        return f"added: {body['name']}"
    if kind == REPAIR:
        return f"{'new part' if body.get('exchanged') else 'repaired'}: {part_words(job, body['target'])}"
    return line.words(units)


def since(seen: Seen, number: int, units: Units) -> list[str]:
    """What was told after an event, by whom."""
    told = [f"{line.event.who or 'someone'}: {said(line, units)}" for line in seen.lines if line.event.number > number]
    undone = [event for event in seen.events if event.number > number and event.kind == UNDO]
    return told + [f"{event.who or 'someone'}: took something back" for event in undone]

"""Air full of refrigerant: a probe then answers everywhere, and its answers place nothing.

Counted in a place only once a probe has answered at several targets there since the place was last aired; below that,
the chance of fouled air is part of the ordinary false alarm.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.inference import Item, Switch, Table
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job

Array = NDArray[np.float64]


def smells_air(method: Method) -> bool:
    """Whether the method answers to refrigerant in the air around the spot."""
    return any(cause.id == "background_gas" for cause in method.false_causes)


class Air:
    """The air of a job's places, each time between two airings."""

    def __init__(self, job: Job) -> None:
        self.job, self.numbers = job, job.catalogue.numbers

    def spell(self, finding: Finding, number: int) -> str | None:
        """The place and airing that a finding of a probe belongs to, by name; None for other methods."""
        if not smells_air(self.job.catalogue.methods[finding.method]):
            return None
        return self._named(self.job.place_of(finding.method, finding.target), number)

    def _named(self, place: str | None, number: int) -> str:
        aired = sum(airing.place == place and airing.after <= number for airing in self.job.airings)
        return f"air:{place}:{aired}"

    def doubtful_now(self) -> list[tuple[str, str]]:
        """(place, spell) where it is doubtful and the place was not aired since."""
        now = len(self.job.findings)
        named = [(place.id, self._named(place.id, now)) for place in self.job.system.places]
        return [(place, spell) for place, spell in named if spell in self.doubtful]

    @cached_property
    def doubtful(self) -> frozenset[str]:
        """Spells in which a probe answered at so many targets that the air itself may be the cause."""
        answered: dict[str, set[str]] = {}
        for number, finding in self.job.standing_findings:
            spell = self.spell(finding, number)
            if spell and finding.outcome != self.job.catalogue.methods[finding.method].silent:
                answered.setdefault(spell, set()).add(finding.target)
        return frozenset(s for s, targets in answered.items() if len(targets) >= self.numbers["fouled_air_responses"])

    def switches(self) -> list[Switch]:
        """Clean or fouled, for each doubtful spell."""
        chance = self.numbers["fouled_air"]
        return [Switch(name, np.array([1 - chance, chance])) for name in sorted(self.doubtful)]

    def items(self) -> list[Item]:
        """For each doubtful spell something that is always there, and that a probe answers to in fouled air."""
        return [Item(name, np.ones(1)) for name in sorted(self.doubtful)]

    def emit(self, spell: str, levels: int) -> Table:
        """(clean or fouled, 1 state, levels): what a probe makes of the air alone."""
        answers = self.numbers["fouled_air_answer"]
        rows = np.zeros((2, 1, levels))
        rows[0, 0, 0], rows[1, 0, 0] = 1.0, 1 - answers
        rows[1, 0, 1:] = answers / (levels - 1)
        return Table(rows, (spell,))

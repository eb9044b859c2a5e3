"""How a true system answers tests that a person judges by eye, ear or probe: at a spot, over an area, on what drips.

The same noisy-MAX that the belief takes: every leaking copy within reach shows a level by its rate, so does what is no
leak, and the highest is seen. One even draw decides, so that a truth in which less shows never shows more.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.circuit.model import Site
from leakinfer.inference import Table
from leakinfer.job.air import Air
from leakinfer.job.belief import Belief
from leakinfer.job.detection import BY_HAND, Detection, background, reach
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.model import Candidate
from leakinfer.study.world.lots import Lots
from leakinfer.study.world.nature import Nature
from leakinfer.study.world.truths import Truth

Array = NDArray[np.float64]
AIRS = ("still", "breeze", "wind")


class TrueDetection(Detection):
    """Detection in which every poor condition that ties tests together has its good or bad day, whoever tests in it."""

    @cached_property
    def shared_days(self) -> frozenset[str]:
        """All such conditions."""
        methods = [method for method in self.job.catalogue.methods.values() if method.kind in BY_HAND]
        ways = [(method, air, fair) for method in methods for air in AIRS for fair in (True, False)]
        named = (self.poor(*way) for way in ways if self._ties(*way))
        return frozenset(name for name in named if name is not None)


class Answers:
    """The answers of one system. ``prior``: the belief of the true job before anything was found."""

    def __init__(self, prior: Belief, truth: Truth, nature: Nature, lots: Lots) -> None:
        self.prior, self.job, self.truth, self.nature, self.lots = prior, prior.job, truth, nature, lots
        self.detection = TrueDetection(prior.job, prior.rates)

    def hides(self, method: Method, site: Site) -> bool:
        """Whether the site hides from the method and from all that share its reach."""
        return self.lots.share("hidden", reach(method), site.id) < self.detection.unreachable(method, site)

    def leaking(self, method: Method, target: str) -> list[Site]:
        """The sites of a test's scope that leak, at any size and whether open at the moment or not."""
        return [site for site in self.job.scope(method, target) if site.id in self.nature.leaks]

    def level(self, job: Job, candidate: Candidate, lot: float) -> int:
        """The outcome's place among those of the method.

        ``job``: as it stands, for its false causes and airings. ``lot``: an even draw from 0 to 1.
        """
        method = self.job.catalogue.methods[candidate.method]
        quiet = self._below(background(method, job.facts.false_causes)) * self._air(job, candidate)
        for site in self.leaking(method, candidate.target):
            if not self.hides(method, site):
                quiet = quiet * self._site(method, site, candidate)
        return int(np.searchsorted(quiet, lot, side="right"))

    def look(self, candidate: Candidate, lot: float) -> int:
        """Of a look at a circumstance: 1 for present."""
        look = self.job.catalogue.exposures[self.job.exposure_of[candidate.target]].look
        there = self.nature.there[candidate.target]
        return int(lot >= (1 - look.sensitivity if there else look.specificity))

    def _below(self, levels: Array) -> Array:
        """(..., levels - 1): P(at most this level), for all but the highest."""
        return np.asarray(np.cumsum(levels, axis=-1)[..., :-1])

    def _site(self, method: Method, site: Site, candidate: Candidate) -> Array:
        """(levels - 1,): P(no copy of the site shows more than this level)."""
        table, _ = self.detection.answer(method, site, candidate.condition, repeated=False)
        shown = self._below(self._today(table)[self.nature.leaks[site.id]])
        if self.truth.changes(method):
            shown = 1 - self.skill * (1 - shown)
        return np.asarray(shown.prod(axis=0))

    def _today(self, table: Table) -> Array:
        """(states, levels) on the day that it is."""
        values = table.values
        for name in table.switches:
            values = values[int(self.lots.share("day", name) >= 0.5)]
        return values

    @cached_property
    def skill(self) -> float:
        """This job's factor on the chance to detect."""
        chances: Sequence[float] = self.truth.skill or (1.0,)
        return chances[int(self.lots.share("skill") * len(chances))]

    def _air(self, job: Job, candidate: Candidate) -> Array:
        """(levels - 1,): P(the air alone shows no more than this level)."""
        outcomes = outcome_names(self.job.catalogue.methods[candidate.method])
        clean = np.ones(len(outcomes) - 1)
        if self.truth.fouled_air <= 0:
            return clean
        air = Air(job)
        finding = Finding(candidate.method, candidate.target, outcomes[0], candidate.condition)
        spell = air.spell(finding, len(job.findings))
        if spell is None or self.lots.share("fouled", spell) >= self.truth.fouled_air:
            return clean
        return self._below(air.emit(spell, len(outcomes)).values[1, 0])

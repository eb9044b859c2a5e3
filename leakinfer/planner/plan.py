"""Where next: all candidates scored, costed, put in order and given a reason."""

from __future__ import annotations

import math
from collections import Counter

from leakinfer.catalogue.model import Method
from leakinfer.circuit.model import Site
from leakinfer.inference import Information
from leakinfer.job.belief import Belief
from leakinfer.job.job import outcome_names
from leakinfer.planner.candidates import cautions, possible
from leakinfer.planner.costs import minutes
from leakinfer.planner.information import Scorer
from leakinfer.planner.model import Candidate, Objective, Plan, Ranked
from leakinfer.planner.stop import stopping


def make_plan(belief: Belief, objective: Objective = "bits_per_minute") -> Plan:
    """Every possible test in order of worth, what is not allowed, and whether to stop.

    Tests that connect hoses come last as long as a test of a port that hoses would end is worth its minutes.
    """
    candidates, refused = possible(belief)
    scores = Scorer(belief).score(candidates)
    words = Words(belief)
    ranked = [words.ranked(candidate, score) for candidate, score in zip(candidates, scores, strict=True)]
    least = belief.job.catalogue.numbers["stop_bits_per_minute"]
    waiting = any(test.perishable and test.repeat == 0 and test.bits_per_minute > least for test in ranked)
    methods = belief.job.catalogue.methods

    def order(test: Ranked) -> tuple[bool, float]:
        late = waiting and methods[test.candidate.method].gauges
        return late, -(test.bits if objective == "bits" else test.bits_per_minute)

    ranked.sort(key=order)
    return Plan(tuple(ranked), tuple(refused), stopping(belief, ranked), objective)


class Words:
    """Scores with their minutes and words."""

    def __init__(self, belief: Belief) -> None:
        self.belief, self.job = belief, belief.job
        methods = self.job.catalogue.methods
        self.warned = {name: cautions(self.job, method) for name, method in methods.items()}
        self.outcomes = {name: outcome_names(method) for name, method in methods.items()}
        self.made = Counter((finding.method, finding.target) for finding in self.job.findings)
        self.last = {(finding.target, finding.method): finding.outcome for finding in self.job.findings}
        self._there: dict[tuple[str, str], str] = {}

    def ranked(self, candidate: Candidate, score: Information) -> Ranked:
        """The whole answer about one test."""
        job = self.job
        method = job.catalogue.methods[candidate.method]
        site = job.site(candidate.target) if method.kind == "point" else None
        technique = job.technique(method, site) if site else None
        perishable = bool(site and job.catalogue.components[site.component].port and not job.facts.gauges)
        times = self.made[candidate.method, candidate.target]
        return Ranked(
            candidate=candidate,
            bits=score.bits,
            minutes=minutes(job, candidate),
            outcomes=dict(zip(self.outcomes[candidate.method], score.outcomes.tolist(), strict=True)),
            reason=self._reason(candidate, method, site, perishable, times),
            how=technique.how if technique else self._how(candidate, method),
            spoils=technique.spoils if technique else "",
            cautions=self.warned[candidate.method],
            repeat=times,
            perishable=perishable,
        )

    def _how(self, candidate: Candidate, method: Method) -> str:
        """The method's own way; of a circumstance, what to look for."""
        if method.kind != "exposure":
            return method.how
        return self.job.catalogue.exposures[self.job.exposure_of[candidate.target]].signs

    def _reason(self, candidate: Candidate, method: Method, site: Site | None, perishable: bool, times: int) -> str:
        """One sentence in words of the trade."""
        key = (method.kind, candidate.target)
        if key not in self._there:
            self._there[key] = self._why_there(method, candidate.target)
        words = self._there[key]
        if perishable:
            words += "; look before hoses go on, they hide it"
        if times:
            words += f"; made {'once' if times == 1 else f'{times} times'} already, "
            silent = self.last[candidate.target, method.id] == method.silent
            words += "a repeat tells less" if silent else "see whether it answers again"
        if site and not self.belief.detection.fair(method, site, candidate.condition):
            words += "; pressure or temperature is low here, silence would say little"
        return words

    def _why_there(self, method: Method, target: str) -> str:
        belief = self.belief
        if method.kind == "total":
            return f"tells how much is missing, and so whether it leaks; {belief.any_that_matters():.0%} that it does"
        if method.kind == "point":
            return f"{belief.matters_probability[target]:.0%} chance of a leak that matters here"
        sites = self.job.scope(method, target)
        together = 1 - math.prod(1 - belief.matters_probability[site.id] for site in sites)
        if method.kind == "exposure":
            return f"a look changes the odds of {_places(sites)}, together about {together:.0%}"
        return f"takes in {_places(sites)} at once, together about {together:.0%}"


def _places(sites: tuple[Site, ...]) -> str:
    return sites[0].name if len(sites) == 1 else f"{len(sites)} places"

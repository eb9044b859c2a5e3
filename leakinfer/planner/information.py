"""Expected information of candidates about which repair units leak at a size that matters."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference import Information, LevelTest, Mask, Posterior, Test, information
from leakinfer.inference.entropy import mutual_information_bits
from leakinfer.inference.information import from_joint, level_tables
from leakinfer.inference.local import GroupView, Probe, plain_tables
from leakinfer.job.belief import Belief, level_test, look_test, weight_test
from leakinfer.job.detection import background, reach
from leakinfer.job.finding import Finding
from leakinfer.planner.model import Candidate

Array = NDArray[np.float64]
LUMP_SHARE = 0.25  # of a test's bits: if lumping two or more leaking units may hide more, they are told apart


class Scorer:
    """Information of the candidates of one belief."""

    def __init__(self, belief: Belief) -> None:
        self.belief = belief
        self.job = belief.job
        self.pairs = belief.pairs
        self._ground: dict[str, Array] = {}
        self.unit_of = {site.id: site.unit for site in belief.job.sites}

    def score(self, candidates: Sequence[Candidate]) -> list[Information]:
        """By candidate, in order. Exact where the belief is."""
        found: dict[int, Information] = {}
        posterior = self.belief.posterior
        if isinstance(posterior, Posterior):
            found |= self._points(posterior, candidates)
            found |= self._pools(posterior, candidates)
        for number, candidate in enumerate(candidates):
            if number not in found:
                found[number] = self._single(candidate)
        return [found[number] for number in range(len(candidates))]

    def test(self, candidate: Candidate) -> Test:
        """The candidate as the engine knows it."""
        method = self.job.catalogue.methods[candidate.method]
        if method.kind == "exposure":
            return look_test(self.belief, candidate.target)
        if method.kind == "total":
            return weight_test(self.belief, method.id)
        finding = Finding(candidate.method, candidate.target, method.silent, candidate.condition)
        return level_test(self.belief, finding, self.pairs)

    def groups(self, candidate: Candidate) -> list[Mapping[str, Mask]]:
        """The repair units that the test touches."""
        sites = self.job.scope(self.job.catalogue.methods[candidate.method], candidate.target)
        return [self.belief.unit_masks(unit) for unit in dict.fromkeys(site.unit for site in sites)]

    def _points(self, posterior: Posterior, candidates: Sequence[Candidate]) -> dict[int, Information]:
        """Tests and looks that concern one site: with its repair unit as the only group."""
        by_site: dict[str, list[int]] = defaultdict(list)
        looks: dict[str, list[int]] = defaultdict(list)
        for number, candidate in enumerate(candidates):
            kind = self.job.catalogue.methods[candidate.method].kind
            if kind == "point":
                by_site[candidate.target].append(number)
            elif kind == "exposure" and len(touched := self._touched(candidate)) == 1:
                looks[touched[0]].append(number)
        self._views: dict[str, GroupView] = {}
        tables = self._plain_points(posterior, by_site, candidates)
        for site, numbers in by_site.items():
            if left := [number for number in numbers if number not in tables]:
                probes = [self._probe(candidates[number]) for number in left]
                tables |= dict(zip(left, self._view(posterior, site).tables(site, probes), strict=True))
        for site, numbers in looks.items():
            for number in numbers:
                look = look_test(self.belief, candidates[number].target)
                tables[number] = self._view(posterior, site).switch_table(site, look)
        return _informations(tables)

    def _plain_points(
        self, posterior: Posterior, by_site: Mapping[str, list[int]], candidates: Sequence[Candidate]
    ) -> dict[int, Array]:
        """Tables of first tests at single sites: those that answer alike are made together."""
        alike: dict[tuple[int, int, float], list[int]] = defaultdict(list)
        probes: dict[tuple[int, int, float], Probe] = {}
        joints: dict[int, Array] = {}
        for site, numbers in by_site.items():
            if not self._alone(site):
                continue
            joint = self._view(posterior, site).plain(site)
            for number in numbers:
                probe = self._probe(candidates[number])
                if not probe.table.switches:
                    key = (id(probe.table), id(probe.background), probe.hidden)
                    alike[key].append(number)
                    probes[key] = probe
                    joints[number] = joint
        made: dict[int, Array] = {}
        for key, numbers in alike.items():
            stacked = plain_tables(np.stack([joints[number] for number in numbers]), probes[key])
            made |= dict(zip(numbers, stacked, strict=True))
        return made

    def _view(self, posterior: Posterior, site: str) -> GroupView:
        """The repair unit of a site, as seen from its sites."""
        unit = self.unit_of[site]
        if unit not in self._views:
            self._views[unit] = GroupView(posterior, self.belief.unit_masks(unit))
        return self._views[unit]

    def _probe(self, candidate: Candidate) -> Probe:
        """A point test as the table of its site and the background."""
        method = self.job.catalogue.methods[candidate.method]
        if method.id not in self._ground:
            self._ground[method.id] = background(method, self.job.facts.false_causes)
        repeated = (reach(method), candidate.target) in self.pairs
        site = self.job.site(candidate.target)
        table, hidden = self.belief.detection.answer(method, site, candidate.condition, repeated=repeated)
        return Probe(table, self._ground[method.id], hidden)

    def _touched(self, candidate: Candidate) -> list[str]:
        return [site.id for site in self.job.scope(self.job.catalogue.methods[candidate.method], candidate.target)]

    def _alone(self, site: str) -> bool:
        return self.job.site(site).count == 1

    def _pools(self, posterior: Posterior, candidates: Sequence[Candidate]) -> dict[int, Information]:
        """Sweeps and spots: those of one scope in one pass."""
        by_scope: dict[tuple[str, ...], list[int]] = defaultdict(list)
        for number, candidate in enumerate(candidates):
            if self.job.catalogue.methods[candidate.method].kind in ("sweep", "spot"):
                by_scope[tuple(self._touched(candidate))].append(number)
        found: dict[int, Information] = {}
        for numbers in by_scope.values():
            tests = [test for n in numbers if isinstance(test := self.test(candidates[n]), LevelTest)]
            groups = self.groups(candidates[numbers[0]])
            results = [from_joint(table) for table in level_tables(posterior, tests, groups, 1)]
            if any(result.gap > LUMP_SHARE * result.bits for result in results):
                results = [from_joint(table) for table in level_tables(posterior, tests, groups, 2)]
            found |= dict(zip(numbers, results, strict=True))
        return found

    def _single(self, candidate: Candidate) -> Information:
        return information(self.belief.posterior, self.test(candidate), self.groups(candidate), 1)


def _informations(tables: Mapping[int, Array]) -> dict[int, Information]:
    """Informations from joint tables (2, outcomes), those of one size together."""
    by_size: dict[int, list[int]] = defaultdict(list)
    for number, table in tables.items():
        by_size[table.shape[1]].append(number)
    found: dict[int, Information] = {}
    for numbers in by_size.values():
        stacked = np.stack([tables[number] for number in numbers])
        for number, bits, outcomes in zip(numbers, mutual_information_bits(stacked), stacked.sum(1), strict=True):
            found[number] = Information(float(bits), outcomes, 0.0)
    return found

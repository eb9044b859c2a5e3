"""Expected information of candidates about which repair units leak at a size that matters."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from leakinfer.circuit.conditions import Condition
from leakinfer.inference import Information, LevelTest, Mask, Posterior, Table, Test, information
from leakinfer.inference.entropy import mutual_information_bits
from leakinfer.inference.information import LevelTables, from_joint, target_table
from leakinfer.inference.layout import OverBudget
from leakinfer.inference.local import GroupView, Probe, plain_tables
from leakinfer.job.belief import Belief, level_test, look_test, weight_test
from leakinfer.job.detection import background, reach
from leakinfer.job.finding import Finding
from leakinfer.job.origins import NOW
from leakinfer.planner.model import Candidate

Array = NDArray[np.float64]
PAIRED_UNITS = 8  # beyond so many units of one test pairs are not told apart: their number grows as the square
LUMP_SHARE = 0.25  # of a test's bits: if lumping two or more leaking units may hide more, they are told apart


@dataclass(frozen=True, eq=False)
class Score:
    """What a test is expected to tell. ``leaking``: (units, outcomes) P(a unit leaks so that it matters, outcome)."""

    information: Information
    units: tuple[str, ...]
    leaking: Array


class Scorer:
    """Information of the candidates of one belief."""

    def __init__(self, belief: Belief) -> None:
        self.belief = belief
        self.job = belief.job
        self.pairs = belief.pairs
        self._ground: dict[str, Array] = {}
        self._probes: dict[tuple[str, int, str, str, str], tuple[Condition, Probe]] = {}  # conditions by identity
        self._units: dict[tuple[str, str], tuple[str, ...]] = {}
        self._without_days: dict[tuple[Table, tuple[str, ...]], Table] = {}
        self.unit_of = {site.id: site.unit for site in belief.job.sites}

    def score(self, candidates: Sequence[Candidate]) -> list[Score]:
        """By candidate, in order. Exact where the belief is."""
        found: dict[int, Score] = {}
        posterior = self.belief.posterior
        if isinstance(posterior, Posterior):
            found |= self._points(posterior, candidates)
            found |= self._pools(posterior, candidates, found.keys())
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
        if method.kind in ("hold", "gather"):
            return self.belief.flows.test(method, candidate.target, candidate.condition)
        finding = Finding(candidate.method, candidate.target, method.silent, candidate.condition)
        test = level_test(self.belief, finding, self.pairs)
        return LevelTest(test.background, {i: self._settled(t, i) for i, t in test.emit.items()}, test.hidden)

    def _settled(self, table: Table, item: str) -> Table:
        """The table without switches that no finding ties to the item (the day of other tests, what hides an older
        leak at the same site): their chances as they stand.

        What else ties them, the loss above all, is too weak to lay out the scan anew for it.
        """
        posterior = self.belief.posterior
        if not table.switches or not isinstance(posterior, Posterior):
            return table
        link = posterior.chain.links[posterior.chain.place[item]]
        foreign = tuple(name for name in table.switches if name not in (*link.shared, *link.private))
        if not foreign:
            return table
        key = (table, foreign)
        if key not in self._without_days:
            values, names = table.values, list(table.switches)
            for name in foreign:
                axis = names.index(name)
                values = np.tensordot(posterior.switch(name), values, axes=(0, axis))
                names.remove(name)
            self._without_days[key] = Table(values, tuple(names))
        return self._without_days[key]

    def units(self, candidate: Candidate) -> tuple[str, ...]:
        """The repair units that the test touches."""
        method = self.job.catalogue.methods[candidate.method]
        key = (method.kind, candidate.target)
        if key not in self._units:
            sites = self.job.scope(method, candidate.target)
            self._units[key] = tuple(dict.fromkeys(site.unit for site in sites))
        return self._units[key]

    def groups(self, candidate: Candidate) -> list[Mapping[str, Mask]]:
        """The repair units that the test touches, by their items and states."""
        return [self.belief.unit_masks(unit) for unit in self.units(candidate)]

    def _points(self, posterior: Posterior, candidates: Sequence[Candidate]) -> dict[int, Score]:
        """Tests and looks that concern one site: with its repair unit as the only group."""
        by_site: dict[str, list[int]] = defaultdict(list)
        doubtful: dict[int, str] = {}
        looks: dict[str, list[int]] = defaultdict(list)
        for number, candidate in enumerate(candidates):
            kind = self.job.catalogue.methods[candidate.method].kind
            if kind == "point" and self._single_item(candidate.target):
                spell = self._doubtful_air(candidate)
                if spell is None:
                    by_site[candidate.target].append(number)
                elif self._alone(candidate.target):
                    doubtful[number] = spell
            elif kind == "exposure" and len(touched := self._touched(candidate)) == 1 and self._single_item(touched[0]):
                looks[touched[0]].append(number)
        self._views: dict[tuple[int, str], GroupView] = {}
        tables = self._plain_points(posterior, by_site, candidates)
        for site, numbers in by_site.items():
            if left := [number for number in numbers if number not in tables]:
                probes = [self._probe(candidates[number]) for number in left]
                tables |= dict(zip(left, self._view(posterior, site).tables(site, probes), strict=True))
        for site, numbers in looks.items():
            for number in numbers:
                look = look_test(self.belief, candidates[number].target)
                tables[number] = self._view(posterior, site).switch_table(site, look)
        tables |= self._in_doubtful_air(posterior, doubtful, candidates)
        return {
            number: Score(told, (self.unit_of[self._touched(candidates[number])[0]],), tables[number][1:])
            for number, told in _informations(tables).items()
        }

    def _doubtful_air(self, candidate: Candidate) -> str | None:
        """The doubtful air in which a point test would be made, by name."""
        doubtful = self.belief.air.doubtful
        finding = Finding(candidate.method, candidate.target, "", candidate.condition)
        spell = self.belief.air.spell(finding, NOW) if doubtful else None
        return spell if spell in doubtful else None

    def _in_doubtful_air(
        self, posterior: Posterior, spells: Mapping[int, str], candidates: Sequence[Candidate]
    ) -> dict[int, Array]:
        """Tables of tests at single sites that the air may answer as well: one scan in which these sites depend on it.

        Empty where that is too much; the tests are then scored one by one.
        """
        extra = {candidates[number].target: {spell} for number, spell in spells.items()}
        try:
            aired = posterior.with_switches(extra) if extra else posterior
        except OverBudget:
            return {}
        tables: dict[int, Array] = {}
        for site in extra:
            numbers = [number for number in spells if candidates[number].target == site]
            probes = [self._probe(candidates[number]) for number in numbers]
            beside = [self.belief.air.emit(spells[n], p.background.size) for n, p in zip(numbers, probes, strict=True)]
            both = [probe._replace(beside=air) for probe, air in zip(probes, beside, strict=True)]
            tables |= dict(zip(numbers, self._view(aired, site).tables(site, both), strict=True))
        return tables

    def _single_item(self, site: str) -> bool:
        return self.belief.items[site] == (site,)

    def _plain_points(
        self, posterior: Posterior, by_site: Mapping[str, list[int]], candidates: Sequence[Candidate]
    ) -> dict[int, Array]:
        """Tables of first tests at single sites: those with as many outcomes are made together."""
        alike: dict[tuple[int, ...], list[int]] = defaultdict(list)
        probes: dict[int, Probe] = {}
        joints: dict[int, Array] = {}
        for site, numbers in by_site.items():
            if not self._alone(site):
                continue
            joint = self._view(posterior, site).plain(site)
            for number in numbers:
                probe = self._probe(candidates[number])
                if not probe.table.switches:
                    alike[probe.table.values.shape].append(number)
                    probes[number], joints[number] = probe, joint
        made: dict[int, Array] = {}
        for numbers in alike.values():
            stacked = plain_tables(np.stack([joints[n] for n in numbers]), [probes[n] for n in numbers])
            made |= dict(zip(numbers, stacked, strict=True))
        return made

    def _view(self, posterior: Posterior, site: str) -> GroupView:
        """The repair unit of a site, as seen from its sites."""
        unit = self.unit_of[site]
        key = (id(posterior), unit)  # a view keeps its posterior alive
        if key not in self._views:
            self._views[key] = GroupView(posterior, self.belief.unit_masks(unit))
        return self._views[key]

    def _probe(self, candidate: Candidate) -> Probe:
        """A point test as the table of its site and the background; one for all sites that answer alike."""
        method, site = self.job.catalogue.methods[candidate.method], self.job.site(candidate.target)
        repeated = (reach(method), site.id) in self.pairs
        origin = self.belief.origins[site.id]
        key = (method.id, id(candidate.condition), site.section, site.place, site.component)
        alike = origin.plain and not repeated
        if alike and key in self._probes:
            return self._probes[key][1]
        if method.id not in self._ground:
            self._ground[method.id] = background(method, self.job.facts.false_causes)
        table, hidden = self.belief.detection.answer(method, site, candidate.condition, repeated=repeated)
        settled = self._settled(origin.table(table, origin.alive(NOW)), site.id)
        probe = Probe(settled, self._ground[method.id], hidden)
        if alike and not settled.switches:
            self._probes[key] = candidate.condition, probe
        return probe

    def _touched(self, candidate: Candidate) -> list[str]:
        return [site.id for site in self.job.scope(self.job.catalogue.methods[candidate.method], candidate.target)]

    def _alone(self, site: str) -> bool:
        return self.job.site(site).count == 1

    def _pools(self, posterior: Posterior, candidates: Sequence[Candidate], done: Collection[int]) -> dict[int, Score]:
        """All that looks at several items at once: those of one scope in one pass."""
        by_scope: dict[tuple[str, ...], list[int]] = defaultdict(list)
        for number, candidate in enumerate(candidates):
            kind = self.job.catalogue.methods[candidate.method].kind
            if number not in done and kind in ("point", "sweep", "spot", "hold", "gather"):
                by_scope[tuple(self._touched(candidate))].append(number)
        found: dict[int, Score] = {}
        for numbers in by_scope.values():
            tests = [test for n in numbers if isinstance(test := self.test(candidates[n]), LevelTest)]
            units, groups = self.units(candidates[numbers[0]]), self.groups(candidates[numbers[0]])
            told, size = LevelTables(posterior, tests, groups), 1
            tables = told.about(1)
            results = [from_joint(table) for table in tables]
            if len(units) <= PAIRED_UNITS and any(result.gap > LUMP_SHARE * result.bits for result in results):
                tables, size = told.about(2), 2
                results = [from_joint(table) for table in tables]
            for number, table, result in zip(numbers, tables, results, strict=True):
                found[number] = Score(result, units, self._by_unit(table, units, size))
        return found

    def _by_unit(self, table: Array, units: tuple[str, ...], size: int) -> Array:
        """(units, outcomes): P(a unit leaks, outcome) from a table of sets; what is lumped as "more" is shared out so
        that each unit keeps its probability."""
        risk = np.array([self.belief.unit_probability[unit] for unit in units])
        named = _membership(len(units), size) @ table[:-1]
        more = table[-1].sum()
        left = np.maximum(risk - named.sum(1), 0.0)[:, None]
        rest = table[-1] / more if more > 0 else table.sum(0)
        return np.asarray(np.minimum(named + left * rest, table.sum(0)))

    def _single(self, candidate: Candidate) -> Score:
        """One test on its own; where draws stand in for the exact belief, the units' chances from the draws too."""
        posterior, test, groups = self.belief.posterior, self.test(candidate), self.groups(candidate)
        units = self.units(candidate)
        if isinstance(posterior, Posterior):
            table = target_table(posterior, test, groups, 1)
            return Score(from_joint(table), units, self._by_unit(table, units, 1))
        return Score(information(posterior, test, groups, 1), units, posterior.together_with(test, groups))


@cache
def _membership(units: int, size: int) -> Array:
    """(units, sets): whether each unit is in each set of at most ``size`` of them, in the order of a table's rows."""
    sets = [members for count in range(size + 1) for members in combinations(range(units), count)]
    return np.array([[place in members for members in sets] for place in range(units)], dtype=float)


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

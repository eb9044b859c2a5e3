"""The exact belief of a job: its sites as items, its findings as observations, solved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.errors import InputError
from leakinfer.inference import (
    AmountTest,
    ImpossibleEvidence,
    Item,
    LevelTest,
    Mask,
    Model,
    Observation,
    Posterior,
    SampledPosterior,
    Switch,
    SwitchTest,
    Table,
    solve,
)
from leakinfer.job.air import Air
from leakinfer.job.detection import BY_HAND, OPERATOR, Detection, background, reach
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.flows import Flows
from leakinfer.job.job import Job
from leakinfer.job.kept import kept_for
from leakinfer.job.loss import FIRST_CHARGE, Deficit, deficits, weighing_error_g
from leakinfer.job.origins import NOW, Origin, begun_by, origins, visit_at
from leakinfer.job.priors import prevalence, shared_nodes, site_prior

Array = NDArray[np.float64]


def there_name(circumstance: str) -> str:
    """The switch of a circumstance that nobody is sure of."""
    return f"there:{circumstance}"


class Belief:
    """The posterior of a job, with its answers by site and repair unit.

    Raises:
        InputError: the findings contradict each other or the facts: together they are impossible.

    Example:
        >>> from leakinfer import Belief, Job, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "my job"))
        >>> belief = Belief(job)
        >>> belief.exact
        True
        >>> max(belief.unit_probability, key=belief.unit_probability.__getitem__)
        'indoor_coil_unit'
        >>> 0.9 < belief.any_at_all < 1  # a third of the charge is missing
        True
    """

    def __init__(self, job: Job) -> None:
        self.job = job
        kept = kept_for(job)
        self.rates = kept.rates
        self.detection = Detection(job, self.rates, kept.answers, kept.fair)
        self.origins: dict[str, Origin] = {origin.name: origin for origin in origins(job)}
        self.deficits = deficits(job, self.rates, tuple(self.origins.values()), kept.losses)
        weighed = any(deficit.readings for deficit in self.deficits)
        self.flows = Flows(job, self.detection, self.by_site, self.pairs, beside_loss=weighed)
        self.air = Air(job)
        self.masks: dict[str, Mask] = {
            name: origin.by_state(self.rates.matters(origin.site.section)) for name, origin in self.origins.items()
        }
        self.priors = kept.priors
        self.model = build_model(self)
        self.posterior = _solved(self.model, list(self.unit_items.values()))

    @property
    def deficit(self) -> Deficit:
        """The sum of what is missing from the charge at present."""
        return self.deficits[-1]

    @cached_property
    def units(self) -> dict[str, tuple[str, ...]]:
        """By repair unit, its fitted sites."""
        units: dict[str, tuple[str, ...]] = {}
        for site in self.job.sites:
            units[site.unit] = (*units.get(site.unit, ()), site.id)
        return units

    @cached_property
    def by_site(self) -> dict[str, tuple[Origin, ...]]:
        """By site, what may leak there: one for each visit at whose time a leak may have begun."""
        found: dict[str, tuple[Origin, ...]] = {}
        for origin in self.origins.values():
            found[origin.site.id] = (*found.get(origin.site.id, ()), origin)
        return found

    @cached_property
    def items(self) -> dict[str, tuple[str, ...]]:
        """By site, the names of its items."""
        return {site: tuple(origin.name for origin in found) for site, found in self.by_site.items()}

    @cached_property
    def unit_items(self) -> dict[str, tuple[str, ...]]:
        """By repair unit, the items of its sites."""
        return {unit: tuple(name for site in sites for name in self.items[site]) for unit, sites in self.units.items()}

    @cached_property
    def unsure(self) -> dict[str, str]:
        """By circumstance that touches a fitted site and is no fact: its exposure."""
        return unsure(self.job)

    @cached_property
    def present_at(self) -> dict[str, tuple[str, ...]]:
        """By site, the exposures that a fact says are there."""
        at: dict[str, tuple[str, ...]] = {}
        for name, there in self.job.facts.circumstances.items():
            for site in self.job.touched(name) if there else ():
                at[site] = (*at.get(site, ()), self.job.exposure_of[name])
        return at

    @cached_property
    def unsure_at(self) -> dict[str, dict[str, str]]:
        """By site, the circumstances that may touch it and are no fact, with their exposures."""
        at: dict[str, dict[str, str]] = {}
        for name, exposure in self.unsure.items():
            for site in self.job.touched(name):
                at.setdefault(site, {})[name] = exposure
        return at

    @cached_property
    def pairs(self) -> set[tuple[str, str]]:
        """(reach, site) that some finding has looked at."""
        return tested_pairs(self.job)

    @property
    def exact(self) -> bool:
        """False where draws had to stand in."""
        return self.posterior.exact

    def unit_masks(self, unit: str) -> dict[str, Mask]:
        """By item of a unit, the states that matter."""
        return {name: self.masks[name] for name in self.unit_items[unit]}

    @cached_property
    def leaking(self) -> dict[str, Mask]:
        """By item, the states in which it leaks at present, at any size."""
        return {name: origin.by_state(self.rates.leaks) for name, origin in self.origins.items()}

    @cached_property
    def leak_probability(self) -> dict[str, float]:
        """By site: P(it leaks, at any size)."""
        return {site.id: self.any_of({n: self.leaking[n] for n in self.items[site.id]}) for site in self.job.sites}

    @cached_property
    def matters_probability(self) -> dict[str, float]:
        """By site: P(a leak that matters)."""
        return {site.id: self.any_of({n: self.masks[n] for n in self.items[site.id]}) for site in self.job.sites}

    @cached_property
    def unit_probability(self) -> dict[str, float]:
        """By repair unit: P(a leak that matters)."""
        alone = self.matters_probability
        return {
            unit: alone[sites[0]] if len(sites) == 1 else self.any_of(self.unit_masks(unit))
            for unit, sites in self.units.items()
        }

    def any_of(self, masks: Mapping[str, Mask]) -> float:
        """P(any copy of any of these items is in a masked state)."""
        if len(masks) == 1:
            return float(next(self.posterior.any_copy(name, mask) for name, mask in masks.items()))
        return 1 - self.posterior.probability_none(masks)

    @cached_property
    def expected_g_per_year(self) -> dict[str, float]:
        """By site: expected yearly loss of all its copies at present."""
        loses = {name: o.by_state(self.rates.year(o.site.section)) for name, o in self.origins.items()}
        return {
            site.id: sum(float(site.count * (self.posterior.marginal(n) @ loses[n])) for n in self.items[site.id])
            for site in self.job.sites
        }

    @cached_property
    def any_leak(self) -> float:
        """P(at least one leak, of any size)."""
        return 1 - self.posterior.probability_none(self.leaking)

    @cached_property
    def any_at_all(self) -> float:
        """P(at least one leak that matters)."""
        return 1 - self.posterior.probability_none(self.masks)

    def any_that_matters(self, without: Iterable[str] = ()) -> float:
        """P(at least one leak that matters), outside the named repair units."""
        left_out = set(without)
        if not left_out:
            return self.any_at_all
        masks = {name: mask for name, mask in self.masks.items() if self.origins[name].site.unit not in left_out}
        return 1 - self.posterior.probability_none(masks)

    @cached_property
    def not_a_leak(self) -> float:
        """P(no leak that matters, and a charge that was never right)."""
        if not self.deficit.first_charge_counts:
            return 0.0
        short = np.arange(self.posterior.marginal(FIRST_CHARGE).size) > 0
        tight = self.posterior.probability_none(self.masks)
        return max(0.0, tight - self.posterior.probability_none({**self.masks, FIRST_CHARGE: short}))

    def confirmed(self) -> tuple[str, ...]:
        """Sites where a pinpoint method responded and a leak is at least as sure as the catalogue asks."""
        least = self.job.catalogue.numbers["confirmed_probability"]
        spoken = {
            finding.target
            for _, finding in self.job.standing_findings
            if self.job.catalogue.methods[finding.method].pinpoint
            and finding.outcome != self.job.catalogue.methods[finding.method].silent
        }
        return tuple(s.id for s in self.job.sites if s.id in spoken and self.leak_probability[s.id] >= least)

    def circumstance(self, name: str) -> float:
        """P(a circumstance is there)."""
        fact = self.job.facts.circumstances.get(name)
        return float(fact) if fact is not None else float(self.posterior.switch(there_name(name))[1])


def _solved(model: Model, units: list[tuple[str, ...]]) -> Posterior | SampledPosterior:
    try:
        return solve(model, [unit for unit in units if len(unit) > 1])
    except ImpossibleEvidence as error:
        raise InputError(
            "the findings and facts together are impossible",
            where="job",
            allowed="undo the last finding, tick a false cause, or change a fact",
        ) from error


def build_model(belief: Belief) -> Model:
    """Items, switches and observations of a job."""
    job = belief.job
    switches = _switches(belief, belief.pairs)
    items = [_item(belief, origin) for origin in belief.origins.values()]
    charge = belief.deficits[0].first_charge_item()
    seen = [_observation(belief, number, finding) for number, finding in job.standing_findings if not _weighed(finding)]
    for deficit in belief.deficits:
        seen += [Observation(deficit.test(deficit.reading_likelihood(reading)), 0) for reading in deficit.readings]
    items += [*belief.air.items(), *([charge] if charge else [])]
    return Model(tuple(items), (*switches, *belief.air.switches()), tuple(seen))


def _weighed(finding: Finding) -> bool:
    """Weights are read by the deficit that they belong to."""
    return finding.reading_kg is not None


def tested_pairs(job: Job) -> set[tuple[str, str]]:
    """(reach, site) that some finding has looked at: a repeat there shares what hides from it."""
    pairs: set[tuple[str, str]] = set()
    for _, finding in job.standing_findings:
        method = job.catalogue.methods[finding.method]
        if method.kind in (*BY_HAND, "gather"):
            pairs.update((reach(method), site.id) for site in job.scope(method, finding.target))
    return pairs


def unsure(job: Job) -> dict[str, str]:
    """By circumstance that touches a fitted site and is no fact: its exposure."""
    fitted = {site.id for site in job.sites}
    facts = job.facts.circumstances
    return {name: e for name, e in job.exposure_of.items() if name not in facts and fitted & job.touched(name)}


def _switches(belief: Belief, repeated: set[tuple[str, str]]) -> list[Switch]:
    job, catalogue = belief.job, belief.job.catalogue
    switches = [Switch(f"shared:{name}", shared_nodes(unknown)[1]) for name, unknown in catalogue.shared.items()]
    for name, exposure in belief.unsure.items():
        switches.append(Switch(there_name(name), prevalence(catalogue.exposures[exposure], None)))
    switches += [Switch(day, np.array([0.5, 0.5])) for day in sorted(belief.detection.shared_days)]
    if belief.detection.shared_operator:
        switches.append(Switch(OPERATOR, belief.detection.operators))
    for method, name in sorted(repeated):
        switches.append(belief.detection.blind_switch(catalogue.methods[method], job.site(name)))
    return switches


def _item(belief: Belief, origin: Origin) -> Item:
    """An item with its prior; sites of one class in the same circumstances and of one age share one prior."""
    catalogue, site = belief.job.catalogue, origin.site
    shared = tuple(name for name, unknown in catalogue.shared.items() if site.component in unknown.classes)
    open_ones = belief.unsure_at.get(site.id, {})
    present = belief.present_at.get(site.id, ())
    key = (site.component, shared, present, tuple(open_ones.values()), origin.ages)
    if key not in belief.priors:
        belief.priors[key] = site_prior(
            catalogue.components[site.component],
            catalogue,
            belief.rates.sizes,
            origin.ages,
            [catalogue.exposures[name] for name in present],
            [catalogue.exposures[name] for name in open_ones.values()],
            [shared_nodes(catalogue.shared[name])[0] for name in shared],
        )
    names = (*(f"shared:{name}" for name in shared), *(there_name(name) for name in open_ones))
    return Item(origin.name, origin.prior(belief.priors[key]), names, site.count)


def _observation(belief: Belief, number: int, finding: Finding) -> Observation:
    job = belief.job
    method = job.catalogue.methods[finding.method]
    outcome = outcome_names(method).index(finding.outcome)
    if method.kind == "exposure":
        return Observation(look_test(belief, finding.target), outcome)
    if method.kind == "total":
        return Observation(weight_test(belief, method.id, visit_at(job, number)), outcome)
    if method.kind in ("hold", "gather"):
        return belief.flows.observation(finding, number)
    return Observation(level_test(belief, finding, belief.pairs, number), outcome)


def level_test(belief: Belief, finding: Finding, repeated: set[tuple[str, str]], moment: int = NOW) -> LevelTest:
    """A point, sweep or spot test as the engine knows it, the false causes of the site and of the moment counted."""
    job = belief.job
    method = job.catalogue.methods[finding.method]
    emit: dict[str, Table] = {}
    hidden: dict[str, float] = {}
    for site in job.scope(method, finding.target):
        again = (reach(method), site.id) in repeated
        table, chance = belief.detection.answer(method, site, finding.condition, repeated=again)
        for origin in begun_by(job, belief.by_site[site.id], moment):
            emit[origin.name], hidden[origin.name] = origin.table(table, origin.alive(moment)), chance
    spell = belief.air.spell(finding, moment)
    if spell in belief.air.doubtful:
        emit[spell] = belief.air.emit(spell, len(outcome_names(method)))
    return LevelTest(background(method, {*finding.false_causes, *job.facts.false_causes}), emit, hidden)


def look_test(belief: Belief, circumstance: str) -> SwitchTest:
    """Looking whether a circumstance is there: sensitivity and specificity of its exposure's look."""
    exposure = belief.job.catalogue.exposures[belief.unsure[circumstance]]
    hit, clear = exposure.look.sensitivity, exposure.look.specificity
    return SwitchTest(there_name(circumstance), np.array([[clear, 1 - clear], [1 - hit, hit]]))


def weight_test(belief: Belief, method: str, visit: int | None = None) -> AmountTest:
    """Weighing the charge, with outcomes in words; at present, or at an earlier visit."""
    error = weighing_error_g(belief.job, method)
    deficit = belief.deficit if visit is None else belief.deficits[visit]
    return deficit.test(deficit.outcome_likelihood(error, belief.job.loss_limits))

"""The job as a frozen value: system, facts, findings and skips; every step returns a new job."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from msgspec import structs

from leakinfer.catalogue.model import Catalogue, Method, Technique
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import Site, System
from leakinfer.circuit.reader import with_site
from leakinfer.errors import InputError
from leakinfer.job.facts import Facts, circumstance_ids, settled
from leakinfer.job.finding import Finding, Skip
from leakinfer.reading import checked, known

WHOLE = "whole"  # the target of a test of the whole system


@dataclass(frozen=True)
class Job:
    """One visit to one system. Findings are in the order in which they were made."""

    system: System
    catalogue: Catalogue
    facts: Facts
    findings: tuple[Finding, ...] = ()
    skips: tuple[Skip, ...] = ()

    def __post_init__(self) -> None:
        causes = dict.fromkeys(cause.id for method in self.catalogue.methods.values() for cause in method.false_causes)
        for cause in self.facts.false_causes:
            known(cause, causes, what="false cause", where="facts: false_causes")

    @cached_property
    def standing_findings(self) -> tuple[Finding, ...]:
        """The findings that still say something: not those of a site struck out, nor looks at what became a fact."""
        return tuple(finding for finding in self.findings if self._stands(finding))

    def _stands(self, finding: Finding) -> bool:
        kind = self.catalogue.methods[finding.method].kind
        if kind == "point":
            return finding.target in self._site
        if kind == "exposure":
            return finding.target not in self.facts.circumstances and bool(self._members[kind, finding.target])
        return True

    @cached_property
    def sites(self) -> tuple[Site, ...]:
        """The sites that are fitted."""
        left_out = set(self.facts.not_fitted)
        return tuple(site for site in self.system.sites if site.id not in left_out)

    @cached_property
    def _site(self) -> dict[str, Site]:
        return {site.id: site for site in self.sites}

    @cached_property
    def _outdoors(self) -> dict[str, bool]:
        return {place.id: place.outdoors for place in self.system.places}

    @cached_property
    def _touched(self) -> dict[str, frozenset[str]]:
        """By circumstance, the sites that it touches."""
        shared = {c.id: frozenset(c.sites) for c in self.system.circumstances}
        return shared | {f"{s.id}:{exposure}": frozenset([s.id]) for s in self.system.sites for exposure in s.exposures}

    @cached_property
    def exposure_of(self) -> dict[str, str]:
        """By circumstance, its exposure."""
        shared = {c.id: c.exposure for c in self.system.circumstances}
        return shared | {f"{s.id}:{exposure}": exposure for s in self.system.sites for exposure in s.exposures}

    @cached_property
    def _members(self) -> dict[tuple[str, str], tuple[Site, ...]]:
        """By kind and target, the fitted sites of sweeps, spots and circumstances, in the system's order."""
        order = {site.id: number for number, site in enumerate(self.sites)}
        zones: dict[str, list[str]] = {zone.id: [] for zone in self.system.zones}
        for site in self.sites:
            zones[site.zone].append(site.id)
        named = {("sweep", name): ids for name, ids in zones.items()}
        named |= {("spot", spot.id): list(spot.catches) for spot in self.system.spots}
        named |= {("exposure", name): list(ids) for name, ids in self._touched.items()}
        return {
            key: tuple(self._site[name] for name in sorted((n for n in ids if n in order), key=order.__getitem__))
            for key, ids in named.items()
        }

    def target_name(self, target: str) -> str:
        """A target in words: of a site, zone, spot or circumstance."""
        if target == WHOLE:
            return "the whole system"
        system = self.system
        named = {site.id: site.name for site in system.sites}
        named |= {zone.id: zone.name for zone in system.zones} | {spot.id: spot.name for spot in system.spots}
        named |= {circumstance.id: circumstance.name for circumstance in system.circumstances}
        if target in named:
            return named[target]
        return f"{self.catalogue.exposures[self.exposure_of[target]].name}, {named[target.split(':')[0]]}"

    def site(self, name: str) -> Site:
        """The fitted site of that id."""
        return self._site[name]

    def condition(self, state: str | None = None) -> Condition:
        """The condition at present, or with another state of the system."""
        facts = self.facts
        chosen = facts.state if state is None else state
        return Condition(chosen, facts.air, facts.outdoor_c, facts.indoor_c)  # type: ignore[arg-type]

    def with_facts(self, changes: dict[str, Any], where: str = "facts") -> Job:
        """The job with facts replaced; maps and lists are replaced whole.

        Raises:
            InputError: an unknown fact, or a value out of range.
        """
        data = structs.asdict(self.facts) | {"loss": self.facts.loss and structs.asdict(self.facts.loss)}
        for name in changes:
            known(name, data, what="fact", where=where)
        facts = settled(self.system, checked(data | changes, Facts, where=where), where)
        return replace(self, facts=facts)

    def with_own_site(self, site: Site, where: str = "site") -> Job:
        """The job with a site that a person adds."""
        known(site.component, self.catalogue.components, what="component class", where=f"{where}: component")
        for exposure in site.exposures:
            known(exposure, self.catalogue.exposures, what="exposure", where=f"{where}: exposures")
        return replace(self, system=with_site(self.system, site))

    def with_finding(self, finding: Finding, where: str = "finding") -> Job:
        """The job with one more finding. A method that connects hoses leaves them on.

        Raises:
            InputError: unknown method, target or outcome, or a test that cannot be made so.
        """
        self.check(finding, where)
        place = self.place_of(finding.method, finding.target)
        facts = self.facts
        if not finding.earlier:
            opened = tuple(sorted({*facts.opened, *([place] if place else [])}))
            gauges = facts.gauges or self.catalogue.methods[finding.method].gauges
            state = finding.condition.state
            facts = structs.replace(facts, place=place or facts.place, opened=opened, gauges=gauges, state=state)
        return replace(self, facts=facts, findings=(*self.findings, finding))

    def with_skip(self, skip: Skip, where: str = "skip") -> Job:
        """The job with a test, or all tests of a target, left out."""
        if skip.method is not None:
            method = known(skip.method, self.catalogue.methods, what="method", where=f"{where}: method")
            known(skip.target, self.targets(self.catalogue.methods[method]), what="target", where=f"{where}: target")
        else:
            every = {t for method in self.catalogue.methods.values() for t in self.targets(method)}
            known(
                skip.target, sorted(every | {p.id for p in self.system.places}), what="target", where=f"{where}: target"
            )
        return replace(self, skips=(*self.skips, skip))

    def targets(self, method: Method) -> tuple[str, ...]:
        """What a method can be used on here, by name."""
        if method.kind == "point":
            return tuple(site.id for site in self.sites)
        if method.kind == "sweep":
            return tuple(zone.id for zone in self.system.zones)
        if method.kind == "spot":
            return tuple(spot.id for spot in self.system.spots)
        return tuple(circumstance_ids(self.system)) if method.kind == "exposure" else (WHOLE,)

    def scope(self, method: Method, target: str) -> tuple[Site, ...]:
        """The sites that a test of ``target`` looks at."""
        if method.kind == "point":
            return (self.site(target),)
        if method.kind == "total":
            return self.sites
        return self._members[method.kind, target]

    def touched(self, circumstance: str) -> frozenset[str]:
        """The sites that a circumstance touches."""
        return self._touched[circumstance]

    def place_of(self, method: str, target: str) -> str | None:
        """Where one must stand for a test; None for one of the whole system."""
        kind = self.catalogue.methods[method].kind
        if kind == "sweep":
            return next(zone.place for zone in self.system.zones if zone.id == target)
        if kind == "spot":
            return next(spot.place for spot in self.system.spots if spot.id == target)
        if kind == "total":
            return None
        if kind == "point":
            return self._site[target].place if target in self._site else None
        return next((site.place for site in self._members[kind, target]), None)

    def air_at(self, place: str, condition: Condition) -> str:
        """The air where one stands: still indoors with fans off."""
        return condition.air if self._outdoors[place] else "still"

    def temperature_at(self, place: str, condition: Condition) -> float:
        """The air temperature where one stands, C."""
        return condition.outdoor_c if self._outdoors[place] else condition.indoor_c

    @property
    def loss_limits(self) -> tuple[float, float]:
        """Shares of the charge missing that part a weight's outcomes in words."""
        return self.catalogue.numbers["charge_low"], self.catalogue.numbers["charge_very_low"]

    def weight_outcome(self, method: Method, kg: float) -> str:
        """A weighed charge in the method's words."""
        missing = round(1 - kg / self.facts.charge_kg, 9)  # a share on a limit belongs to the lesser loss
        return outcome_names(method)[sum(missing > limit for limit in self.loss_limits)]

    def technique(self, method: Method, site: Site) -> Technique | None:
        """How the method is done on this kind of site, where the catalogue says."""
        return method.techniques.get(site.component)

    def hindrance(self, method: Method, target: str) -> str | None:
        """Why a test cannot be made now, or None."""
        never = self.never(method, target)
        if never is None and self.facts.gauges and method.kind == "point" and self._is_port(target):
            return "gauge hoses are on and hide what a port loses: this test is gone until they have been off a while"
        return never

    def _is_port(self, site: str) -> bool:
        return self.catalogue.components[self.site(site).component].port

    def never(self, method: Method, target: str) -> str | None:
        """Why a test can never be made on this system, or None."""
        if method.kind != "point":
            return None if self.scope(method, target) else "nothing is fitted there"
        site = self.site(target)
        technique = self.technique(method, site)
        if technique is not None and not technique.possible:
            return technique.spoils
        return "no line of sight reaches it" if method.needs_view and not site.view else None

    def check(self, finding: Finding, where: str) -> None:
        """Refuse a finding that names something unknown or cannot have been made."""
        methods = self.catalogue.methods
        method = methods[known(finding.method, methods, what="method", where=f"{where}: method")]
        known(finding.target, self.targets(method), what=f"target of {method.id}", where=f"{where}: target")
        known(finding.outcome, outcome_names(method), what=f"outcome of {method.id}", where=f"{where}: outcome")
        known(finding.condition.state, method.states, what=f"state for {method.id}", where=f"{where}: condition")
        causes = [cause.id for cause in method.false_causes]
        for cause in finding.false_causes:
            known(cause, causes, what=f"false cause of {method.id}", where=f"{where}: false_causes")
        self._check_condition(finding.condition, f"{where}: condition")
        if method.kind == "exposure" and not self.scope(method, finding.target):
            raise InputError(f"what {finding.target} touches is not fitted", where=f"{where}: target")
        hindrance = (self.never if finding.earlier else self.hindrance)(method, finding.target)
        if hindrance:
            raise InputError(f"{method.id} of {finding.target} cannot be made: {hindrance}", where=where)
        self._check_circumstance(method, finding, where)
        self._check_reading(method, finding, where)

    def _check_condition(self, condition: Condition, where: str) -> None:
        """Temperatures within what facts may say."""
        said = {name: value for name, value in structs.asdict(condition).items() if name != "heating"}
        checked({**structs.asdict(self.facts), **said, "loss": None}, Facts, where=where)

    def _check_circumstance(self, method: Method, finding: Finding, where: str) -> None:
        if method.kind == "exposure" and finding.target in self.facts.circumstances:
            there = "is" if self.facts.circumstances[finding.target] else "is not"
            what = f"it is a fact of this job that {finding.target} {there} there"
            raise InputError(what, where=f"{where}: target", allowed="change the fact instead")

    def _check_reading(self, method: Method, finding: Finding, where: str) -> None:
        if finding.reading_kg is None:
            return
        if method.kind != "total":
            raise InputError(f"{method.id} has no weight", where=f"{where}: reading_kg", allowed="a method that weighs")
        most = 1.5 * self.facts.charge_kg
        if finding.reading_kg > most:
            what = f"{finding.reading_kg:g} kg weighed, the charge is {self.facts.charge_kg:g} kg"
            raise InputError(
                what, where=f"{where}: reading_kg", allowed=f"0 to {most:g} kg, or change the fact charge_kg"
            )
        fits = self.weight_outcome(method, finding.reading_kg)
        if finding.outcome != fits:
            what = f"{finding.reading_kg:g} kg of {self.facts.charge_kg:g} kg is '{fits}', not '{finding.outcome}'"
            raise InputError(what, where=f"{where}: outcome", allowed=fits)


def outcome_names(method: Method) -> tuple[str, ...]:
    """A method's outcomes, the silent one first."""
    return (method.silent, *(grade.outcome for grade in method.grades))

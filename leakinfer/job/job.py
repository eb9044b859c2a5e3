"""The job as a frozen value: system, facts, findings and skips; every step returns a new job."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from msgspec import structs

from leakinfer.catalogue.model import Catalogue, Method, Technique
from leakinfer.circuit.conditions import Condition, State, check_condition, condition_numbers
from leakinfer.circuit.model import ELSEWHERE, WHOLE, Site, System
from leakinfer.circuit.ratings import lowest_rating_kpa
from leakinfer.circuit.reader import with_site
from leakinfer.errors import InputError
from leakinfer.job.checks import check_finding, check_return
from leakinfer.job.facts import Facts, circumstance_ids, settled
from leakinfer.job.finding import Finding, Skip, outcome_names
from leakinfer.job.later import Aired, Repaired, Return
from leakinfer.job.looks import once_looked
from leakinfer.physics.properties import load_properties
from leakinfer.physics.units import both_pressures
from leakinfer.reading import checked, known


@dataclass(frozen=True)
class Job:
    """The search on one system. Findings, repairs and returns are in the order in which they were made.

    Raises:
        InputError: a false cause, tool, aid or advice that the catalogue does not have, a condition that cannot be, or
            test gas above the lowest rating that it reaches.

    Example:
        >>> from leakinfer import Finding, Job, load_catalogue, load_system, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"age_years": 6}, "my job"))
        >>> later = job.with_finding(Finding("bubbles", "liquid_valve_flare", "none", job.condition()))
        >>> len(job.findings), len(later.findings)
        (0, 1)
        >>> later.targets(job.catalogue.methods["probe_sweep"])[:2]
        ('stop_valves', 'outdoor_coil_face')
    """

    system: System
    catalogue: Catalogue
    facts: Facts
    findings: tuple[Finding, ...] = ()
    skips: tuple[Skip, ...] = ()
    repairs: tuple[Repaired, ...] = ()
    returns: tuple[Return, ...] = ()
    airings: tuple[Aired, ...] = ()

    def __post_init__(self) -> None:
        causes = dict.fromkeys(cause.id for method in self.catalogue.methods.values() for cause in method.false_causes)
        told = (
            ("false_causes", causes, "false cause"),
            ("not_on_van", self.catalogue.tools, "tool"),
            ("aids", [setup.id for setup in self.catalogue.setups.values() if setup.to is None], "aid"),
            ("seen", [advice.id for advice in self.catalogue.advice.values() if advice.told], "advice"),
        )
        for name, allowed, what in told:
            for value in getattr(self.facts, name):
                known(value, allowed, what=what, where=f"facts: {name}")
        check_condition(self.condition(), self.system, "facts: state")
        self.check_rating(self.condition(), "facts: test_kpa")

    @cached_property
    def standing_findings(self) -> tuple[tuple[int, Finding], ...]:
        """The findings that still say something, numbered: not those of a site struck out, nor looks at what became a
        fact; what a look says again counts once."""
        standing = [(number, finding) for number, finding in enumerate(self.findings) if self._stands(finding)]
        return once_looked(standing, self.catalogue.methods, self.turns)

    @cached_property
    def turns(self) -> tuple[int, ...]:
        """After how many findings something changed, in order: 0, then each repair and each return."""
        return tuple(sorted({0, *(done.after for done in self.repairs), *(later.after for later in self.returns)}))

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
        named = {(kind, name): ids for name, ids in zones.items() for kind in ("sweep", "gather")}
        named |= {("spot", spot.id): list(spot.catches) for spot in self.system.spots}
        for part in self.system.isolations:
            named["hold", part.id] = [site.id for site in self.sites if site.section in part.sections]
        named["hold", WHOLE] = named["total", WHOLE] = list(order)
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
        named |= {part.id: part.name for part in system.isolations}
        if target in named:
            return named[target]
        return f"{self.catalogue.exposures[self.exposure_of[target]].name}, {named[target.split(':')[0]]}"

    def site(self, name: str) -> Site:
        """The fitted site of that id."""
        return self._site[name]

    def condition(self, state: State | None = None, *, heating: bool | None = None) -> Condition:
        """The condition at present, or with another state of the system as far as it can be told beforehand."""
        facts = self.facts
        chosen = facts.state if state is None else state
        heats = (facts.heating if heating is None else heating) and chosen == "running"
        outside = (facts.air, facts.outdoor_c, facts.indoor_c)
        if chosen == facts.state and heats == (facts.heating and chosen == "running"):
            reached = self.sections_of(facts.test_isolation)
            return Condition(chosen, *outside, heats, facts.test_kpa, reached, False, facts.high_kpa, facts.low_kpa)
        return Condition(chosen, *outside, heats)

    def sections_of(self, isolation: str | None) -> tuple[str, ...]:
        """The sections of an isolation; none named for the whole circuit."""
        if isolation in (None, WHOLE):
            return ()
        return next(part.sections for part in self.system.isolations if part.id == isolation)

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
        """The job with a site that a person adds.

        Raises:
            InputError: an unknown class, exposure, place, zone, section or unit, or an id that is taken.
        """
        known(site.component, self.catalogue.components, what="component class", where=f"{where}: component")
        for exposure in site.exposures:
            known(exposure, self.catalogue.exposures, what="exposure", where=f"{where}: exposures")
        return replace(self, system=with_site(self.system, site))

    def with_finding(self, finding: Finding, where: str = "finding") -> Job:
        """The job with one more finding. A method that connects hoses leaves them on.

        Raises:
            InputError: unknown method, target or outcome, or a test that cannot be made so.
        """
        check_finding(self, finding, where)
        facts = self.facts if finding.earlier else self._facts_after(finding)
        return replace(self, facts=facts, findings=(*self.findings, finding))

    def _facts_after(self, finding: Finding) -> Facts:
        """Where a test leaves the technician and the system."""
        facts, method, told = self.facts, self.catalogue.methods[finding.method], finding.condition
        setups = self.catalogue.setups
        place = self.place_of(finding.method, finding.target)
        left = facts.minutes_left
        same = told.state == facts.state and told.heating == facts.heating
        return structs.replace(
            facts,
            place=place or facts.place,
            opened=tuple(sorted({*facts.opened, *([place] if place else [])})),
            gauges=facts.gauges or method.gauges or self._hoses_needed(told),
            state=told.state,
            heating=told.heating,
            test_kpa=told.test_kpa,
            test_isolation=self._isolated_by(finding),
            high_kpa=facts.high_kpa if same and told.high_kpa is None else told.high_kpa,
            low_kpa=facts.low_kpa if same and told.low_kpa is None else told.low_kpa,
            aids=tuple(sorted({*facts.aids, *(aid for aid in method.needs if not setups[aid].place_each)})),
            minutes_left=None if left is None else max(0.0, left - (finding.minutes or 0.0)),
        )

    def _hoses_needed(self, condition: Condition) -> bool:
        """Whether the circuit came into its state through hoses: by work that connects them, as test gas does."""
        if condition.state == self.facts.state:
            return False
        into = [setup for setup in self.catalogue.setups.values() if setup.to == condition.state]
        return bool(into) and all(setup.gauges for setup in into)

    def _isolated_by(self, finding: Finding) -> str | None:
        """The isolation that test gas or vacuum is shut into after a test."""
        parts = {part.sections: part.id for part in self.system.isolations}
        return parts.get(finding.condition.sections)

    def with_repair(self, done: Repaired, where: str = "repair") -> Job:
        """The job after a repair of a site or a repair unit. What follows is told of the repaired system.

        Raises:
            InputError: no such site or repair unit.
        """
        names = {name for site in self.sites if site.id != ELSEWHERE for name in (site.id, site.unit)}
        known(done.target, sorted(names), what="site or repair unit", where=f"{where}: target")
        placed = structs.replace(done, after=len(self.findings), visit=len(self.returns))
        return replace(self, repairs=(*self.repairs, placed))

    def with_airing(self, aired: Aired, where: str = "airing") -> Job:
        """The job after a place was aired: what hung in the air no longer spoils what a probe says there.

        Raises:
            InputError: no such place.
        """
        known(aired.place, [place.id for place in self.system.places], what="place", where=f"{where}: place")
        return replace(self, airings=(*self.airings, structs.replace(aired, after=len(self.findings))))

    def with_return(self, later: Return, where: str = "return") -> Job:
        """The job at a later visit: hoses are off, panels closed, the system runs on its charge.

        Raises:
            InputError: more is missing than was in, or a loss without a charge that was put right before.
        """
        check_return(self, later, where)
        fresh: dict[str, Any] = {"gauges": False, "place": None, "opened": (), "state": "standing", "heating": False}
        fresh |= {"test_kpa": 0.0, "test_isolation": None, "high_kpa": None, "low_kpa": None, "minutes_left": None}
        facts = structs.replace(self.facts, **fresh)
        return replace(self, facts=facts, returns=(*self.returns, structs.replace(later, after=len(self.findings))))

    def with_skip(self, skip: Skip, where: str = "skip") -> Job:
        """The job with a test, or all tests of a target, left out.

        Raises:
            InputError: no such method, target or place.
        """
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
        if method.kind in ("sweep", "gather"):
            return tuple(zone.id for zone in self.system.zones)
        if method.kind == "hold":
            return (WHOLE, *(part.id for part in self.system.isolations))
        if method.kind == "spot":
            return tuple(spot.id for spot in self.system.spots)
        return tuple(circumstance_ids(self.system)) if method.kind == "exposure" else (WHOLE,)

    def scope(self, method: Method, target: str) -> tuple[Site, ...]:
        """The sites that a test of ``target`` looks at."""
        if method.kind == "point":
            return (self.site(target),)
        return self._members[method.kind, target]

    def touched(self, circumstance: str) -> frozenset[str]:
        """The sites that a circumstance touches."""
        return self._touched[circumstance]

    def place_of(self, method: str, target: str) -> str | None:
        """Where one must stand for a test; None for one of the whole system."""
        kind = self.catalogue.methods[method].kind
        if kind in ("sweep", "gather"):
            return next(zone.place for zone in self.system.zones if zone.id == target)
        if kind == "spot":
            return next(spot.place for spot in self.system.spots if spot.id == target)
        if kind in ("total", "hold"):
            return None
        if kind == "point":
            return self._site[target].place if target in self._site else None
        return next((site.place for site in self._members[kind, target]), None)

    def air_at(self, place: str, condition: Condition) -> str:
        """The air where one stands: still indoors with fans off."""
        return condition.air if self._outdoors[place] and not condition.shroud else "still"

    def temperature_at(self, place: str, condition: Condition) -> float:
        """The air temperature where one stands, C."""
        return condition.outdoor_c if self._outdoors[place] else condition.indoor_c

    def rating_kpa(self, sections: Iterable[str] = ()) -> float:
        """The lowest rating of these sections, of all when none is named, kPa gauge.

        Raises:
            InputError: R-744 without ratings from the nameplate.
        """
        named = set(sections)
        reached = [section for section in self.system.sections if not named or section.id in named]
        facts = self.facts
        fluid = load_properties().fluid(facts.refrigerant)
        return lowest_rating_kpa(
            reached, fluid, condition_numbers(), high_kpa=facts.rating_high_kpa, low_kpa=facts.rating_low_kpa
        )

    def check_rating(self, condition: Condition, where: str) -> None:
        """Refuse test gas above the lowest rating that it reaches.

        Raises:
            InputError: naming ``where`` and the rating.
        """
        if condition.test_kpa <= 0:
            return
        rating = self.rating_kpa(condition.sections)
        if condition.test_kpa > rating * 1.001:  # a rating read in psi and told in kPa
            what = f"{both_pressures(condition.test_kpa)} is above the lowest rating that it reaches"
            allowed = f"up to {both_pressures(rating)} gauge, or the nameplate's as a fact"
            raise InputError(what, where=where, allowed=allowed)

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
        if method.kind == "total" and self.returns and not self.returns[-1].recharged:
            return "the charge was not put right at the visit before: a weight would not tell since when it is missing"
        if method.kind == "gather" and all(site.component == ELSEWHERE for site in self.scope(method, target)):
            return "there is nothing to wrap"
        if method.kind != "point":
            return None if self.scope(method, target) else "nothing is fitted there"
        site = self.site(target)
        technique = self.technique(method, site)
        if technique is not None and not technique.possible:
            return technique.spoils
        return "no line of sight reaches it" if method.needs_view and not site.view else None

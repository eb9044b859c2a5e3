"""How a method answers to a leak of each size at a site: detection, false alarm, and spots that hide from it."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import Site
from leakinfer.inference import Switch, Table
from leakinfer.job.job import Job
from leakinfer.job.rates import Rates, air_divider, kind
from leakinfer.physics.units import pa_to_kpa_gauge

Array = NDArray[np.float64]
DAY = "day:"  # switches of good and bad days begin so
OPERATOR = "operator"  # the switch that says whether the operator misses much (1) or little (0), all day long
BY_HAND = ("point", "sweep", "spot")  # kinds of methods whose answer is a person's with an instrument


def reach(method: Method) -> str:
    """The method whose reach counts: an instrument finds no hidden spot by being used in another way."""
    return method.reach_of or method.id


def blind_name(reach: str, site: str) -> str:
    """The switch that says whether a site hides from a method and all that share its reach; repeats share it."""
    return f"blind:{reach}:{site}"


class Detection:
    """Tables of a job's methods, each made once for all sites that answer alike."""

    def __init__(
        self,
        job: Job,
        rates: Rates,
        tables: dict[tuple[object, ...], Table] | None = None,
        fair: dict[tuple[object, ...], bool] | None = None,
    ) -> None:
        """``tables``, ``fair``: what was made already for this system, catalogue and rates."""
        self.job, self.rates = job, rates
        self._tables = {} if tables is None else tables
        self._fair = {} if fair is None else fair
        self._alike: dict[tuple[object, ...], tuple[object, ...]] = {}

    def unreachable(self, method: Method, site: Site) -> float:
        """Chance that the site hides from the method, whoever repeats it."""
        owner = self.job.catalogue.methods[reach(method)]
        technique = self.job.technique(owner, site)
        if technique is None or technique.unreachable is None:
            return owner.unreachable
        return technique.unreachable

    def blind_switch(self, method: Method, site: Site) -> Switch:
        """Hidden (1) or within reach (0)."""
        chance = self.unreachable(method, site)
        return Switch(blind_name(reach(method), site.id), np.array([1 - chance, chance]))

    def answer(self, method: Method, site: Site, condition: Condition, *, repeated: bool) -> tuple[Table, float]:
        """Levels by state, and the chance that the site hides from the test.

        Where the site was tested before, the table depends on its blind switch instead. Where another test was made in
        the same poor conditions, it depends on what they share. Sites with the same pressure and air share one table.
        """
        key = (method.id, site.section, site.place, condition)
        if key not in self._alike:
            self._alike[key] = self._shared_key(method, site, condition)
        alike = self._alike[key]
        if alike not in self._tables:
            air, fair = self.job.air_at(site.place, condition), self.fair(method, site, condition)
            self._tables[alike] = self._table(method, site, condition, air, fair)
        if not repeated:
            return self._tables[alike], self.unreachable(method, site)
        own = (*alike, site.id)
        if own not in self._tables:
            self._tables[own] = with_blind(self._tables[alike], blind_name(reach(method), site.id))
        return self._tables[own], 0.0

    def _shared_key(self, method: Method, site: Site, condition: Condition) -> tuple[object, ...]:
        """What sites that answer alike have in common."""
        fair, air = self.fair(method, site, condition), self.job.air_at(site.place, condition)
        lasting = None if method.lasting else (condition, not condition.sections or site.section in condition.sections)
        same_day, untried = self.poor(method, air, fair) in self.shared_days, self.untried(method)
        tied = same_day, untried, untried and self.shared_operator
        return method.id, kind(self.rates.sections[site.section]), lasting, air, fair, tied

    def untried(self, method: Method) -> bool:
        """Whether a method hangs on an operator of whom nobody has seen whether they find what is there."""
        return self.job.facts.untried_operator and method.kind in BY_HAND

    @property
    def operators(self) -> Array:
        """(2,): chance of an operator who misses little, and of one who misses much."""
        poor = self.job.catalogue.numbers["untried_poor_share"]
        return np.array([1 - poor, poor])

    def _table(self, method: Method, site: Site, condition: Condition, air: str, fair: bool) -> Table:
        """(states, levels); for an untried operator the average over both kinds of them, or by their switch."""
        if not self.untried(method):
            return self._by_day(method, site, condition, air, fair, 1.0)
        numbers = self.job.catalogue.numbers
        skills = (numbers["untried_good_finds"], numbers["untried_poor_finds"])
        tables = [self._by_day(method, site, condition, air, fair, skill) for skill in skills]
        both, switches = np.stack([table.values for table in tables]), tables[0].switches
        if self.shared_operator:
            return Table(both, (OPERATOR, *switches))
        return Table(np.tensordot(self.operators, both, 1), switches)

    def _by_day(self, method: Method, site: Site, condition: Condition, air: str, fair: bool, skill: float) -> Table:
        """(states, levels); in poor conditions an average over their good and bad days, or by their switch.

        ``skill``: factor on the chance to detect.
        """
        poor = self.poor(method, air, fair)
        if poor is None:
            return Table(self._levels(method, site, condition, air_divider(method, air), skill))
        numbers, divider = self.job.catalogue.numbers, air_divider(method, air)
        bad, good = (divider ** numbers[name] for name in ("air_exponent_worse", "air_exponent_better"))
        worse, better = (1.0, 1.0) if fair else (numbers["poor_condition_worse"], numbers["poor_condition_better"])
        days = ((bad, worse), (good, better))
        both = np.stack([self._levels(method, site, condition, into, skill * day) for into, day in days])
        return Table(both, (poor,)) if poor in self.shared_days else Table(both.mean(0))

    def poor(self, method: Method, air: str, fair: bool) -> str | None:
        """The switch that says whether a method has a bad day in moving air, cold or low pressure; None where neither
        matters."""
        moving = not method.lasting and air_divider(method, air) > 1
        if not moving and fair:
            return None
        return f"{DAY}{reach(method)}:{air if moving else 'still'}:{'fair' if fair else 'low'}"

    def _ties(self, method: Method, air: str, fair: bool) -> bool:
        """Whether conditions are so poor that the day ties tests together; a mere breeze is taken on average."""
        return not fair or air_divider(method, air) >= self.job.catalogue.numbers["shared_day_divider"]

    @cached_property
    def shared_days(self) -> frozenset[str]:
        """Poor conditions in which a finding was made: whatever is tested in them again shares their day."""
        met = set()
        for _, finding in self.job.standing_findings:
            method = self.job.catalogue.methods[finding.method]
            if method.kind in BY_HAND:
                for site in self.job.scope(method, finding.target):
                    air = self.job.air_at(site.place, finding.condition)
                    fair = self.fair(method, site, finding.condition)
                    if self._ties(method, air, fair):
                        met.add(self.poor(method, air, fair))
        return frozenset(name for name in met if name is not None)

    @cached_property
    def shared_operator(self) -> bool:
        """Whether all that an untried operator does is tied to what they did before."""
        methods = self.job.catalogue.methods
        done = (methods[finding.method].kind for _, finding in self.job.standing_findings)
        return self.job.facts.untried_operator and any(kind in BY_HAND for kind in done)

    def fair(self, method: Method, site: Site, condition: Condition) -> bool:
        """Whether pressure and temperature are within what the method asks for."""
        if method.least_gauge_kpa <= 0 and method.least_temperature_c <= -50:
            return True
        key = (method.id, site.section, site.place, condition)
        if key not in self._fair:
            gauge = pa_to_kpa_gauge(self.rates.pressure_pa(site.section, condition))
            warm = self.job.temperature_at(site.place, condition) >= method.least_temperature_c
            self._fair[key] = warm and gauge >= method.least_gauge_kpa
        return self._fair[key]

    def _levels(self, method: Method, site: Site, condition: Condition, divider: float, factor: float) -> Array:
        """(states, levels): P(highest outcome that a copy within reach gives). ``divider``: what the air divides the
        rate by; ``factor``: on the chance to detect."""
        if method.lasting:
            rate = self.rates.year(site.section)
            if self.rates.sections[site.section].side == "low":
                rate = rate * method.low_side_share
        else:
            rate = self.rates.at_probe(method, site.section, condition) / divider
        factor = (1 - method.lapse) * factor
        at_least = [np.ones_like(rate)]
        for grade in method.grades:
            with np.errstate(divide="ignore"):
                at_least.append(factor / (1 + (grade.rate50 / rate) ** grade.slope))
        return -np.diff(np.stack([*at_least, np.zeros_like(rate)], axis=1), axis=1)


def with_blind(table: Table, blind: str) -> Table:
    """The table by one more switch, last: within reach, or hidden and so silent."""
    quiet = np.zeros_like(table.values)
    quiet[..., 0] = 1.0
    return Table(np.stack([table.values, quiet], axis=-3), (*table.switches, blind))


def background(method: Method, false_causes: Iterable[str]) -> Array:
    """(levels,): what a method shows without a leak; ticked false causes raise it, stronger levels in proportion."""
    named = {cause.id: cause.false_alarm for cause in method.false_causes}
    own = np.array([grade.false_alarm for grade in method.grades])
    quiet = np.prod([1 - named[cause] for cause in false_causes if cause in named] or [1.0])
    first = 1 - (1 - own[0]) * quiet
    raised = own * (first / own[0]) if own[0] > 0 else np.where(np.arange(own.size) == 0, first, own)
    at_least = np.concatenate([[1.0], np.minimum(raised, first), [0.0]])
    return np.asarray(-np.diff(at_least))

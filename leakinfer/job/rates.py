"""What each leak size loses at each section, in each state: the bridge from leak physics to evidence."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue, Method
from leakinfer.circuit.conditions import Condition, condition_numbers, phase, pressure_pa
from leakinfer.circuit.model import Section, System
from leakinfer.job.facts import Facts
from leakinfer.physics.flow import leak_rate
from leakinfer.physics.properties import Fluid, load_properties
from leakinfer.physics.units import (
    ATMOSPHERE,
    TWENTY_CELSIUS,
    celsius_to_kelvin,
    g_per_year_to_throughput,
    kg_s_to_g_per_year,
)

Array = NDArray[np.float64]


def size_grid(catalogue: Catalogue) -> Array:
    """(sizes,): standard leak sizes in Pa m3/s, on the catalogue's log grid."""
    grid = catalogue.sizes
    count = round(np.log10(grid.greatest / grid.least) * grid.per_decade) + 1
    return np.geomspace(grid.least, grid.greatest, count)


class Rates:
    """Leak rates of one system with one refrigerant. State 0 is tight, state k has size ``sizes[k - 1]``."""

    def __init__(self, system: System, facts: Facts, catalogue: Catalogue) -> None:
        self.facts, self.numbers = facts, catalogue.numbers
        self.sizes = size_grid(catalogue)
        self.fluid: Fluid = load_properties().fluid(facts.refrigerant)
        self.sections = {section.id: section for section in system.sections}
        self._rates: dict[tuple[object, ...], Array] = {}
        self._year: dict[tuple[object, ...], Array] = {}

    def pressure_pa(self, section: str, condition: Condition) -> float:
        """Absolute pressure behind the wall, Pa."""
        return pressure_pa(self.sections[section], condition, self.fluid, condition_numbers())

    def g_per_year(self, section: str, condition: Condition) -> Array:
        """(states,): what leaks of each size lose there in this condition."""
        found = self.sections[section]
        key = (kind(found), condition)
        if key not in self._rates:
            pressure = pressure_pa(found, condition, self.fluid, condition_numbers())
            temperature = celsius_to_kelvin(condition.outdoor_c)
            rate = leak_rate(self.sizes, self.fluid, pressure, ATMOSPHERE, temperature, phase(found, condition))
            self._rates[key] = np.concatenate([[0.0], kg_s_to_g_per_year(1.0) * rate])
        return self._rates[key]

    def at_probe(self, method: Method, section: str, condition: Condition, air: str) -> Array:
        """(states,): the rate in the method's own unit that reaches the instrument, in that air."""
        grams = self.g_per_year(section, condition)
        if method.rate == "Pa m3/s":
            grams = grams * g_per_year_to_throughput(1.0, self.fluid.molar_mass, TWENTY_CELSIUS)
        return np.asarray(grams / dict(method.air).get(air, 1.0))  # type: ignore[call-overload]

    def year(self, section: str) -> Array:
        """(states,): the average over a year, part running and part standing."""
        key = (kind(self.sections[section]),)
        if key not in self._year:
            share = self.numbers["year_running_share"]
            parts = [(share, "running", "year_running_outdoor_c"), (1 - share, "standing", "year_standing_outdoor_c")]
            self._year[key] = np.asarray(
                sum(part * self.g_per_year(section, self._over_year(state, name)) for part, state, name in parts)
            )
        return self._year[key]

    @cached_property
    def matters_g_per_year(self) -> float:
        """The least yearly loss that counts: the job's own, or the larger of a floor and a share of the charge."""
        if self.facts.matters_g_per_year is not None:
            return self.facts.matters_g_per_year
        share = self.numbers["matters_share_of_charge"] * self.facts.charge_kg * 1000
        return max(self.numbers["matters_least_g_per_year"], share)

    def matters(self, section: str) -> NDArray[np.bool_]:
        """(states,): which leaks lose enough over a year to count."""
        return np.asarray(self.year(section) >= self.matters_g_per_year)

    def _over_year(self, state: str, name: str) -> Condition:
        return Condition(state, "still", self.numbers[name], self.facts.indoor_c)  # type: ignore[arg-type]


def kind(section: Section) -> tuple[str, ...]:
    """Sections of one kind have the same pressure and phase in every condition."""
    return section.side, section.phase, section.heating_side, section.heating_phase

"""What each leak loses at each section, in each state: the bridge from leak physics to evidence.

State 0 of a site is tight. The others are leaks: of each size, open all the time; and, on a coarser grid of sizes, open
only near the highest pressure that the section sees, or only while running.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue, Method
from leakinfer.circuit.conditions import (
    CARBON_DIOXIDE,
    CHARGED,
    UNDER_TEST_GAS,
    Condition,
    condition_numbers,
    number,
    phase,
    pressure_pa,
)
from leakinfer.circuit.model import Section, System
from leakinfer.job.facts import Facts
from leakinfer.physics.flow import gas_throughput, leak_rate
from leakinfer.physics.properties import Fluid, load_properties
from leakinfer.physics.units import (
    ATMOSPHERE,
    TWENTY_CELSIUS,
    celsius_to_kelvin,
    g_per_year_to_throughput,
    kg_s_to_g_per_year,
)

Array = NDArray[np.float64]
STEADY, NEAR_HIGHEST, WHILE_RUNNING = 0, 1, 2  # modes of a leak
MODE_STRIDE = 4  # every fourth size of the grid stands for the rarer modes
BELOW_CRITICAL_K = 0.1  # of carbon dioxide, where no gauge tells more: the tables end there


def size_grid(catalogue: Catalogue) -> Array:
    """(sizes,): standard leak sizes in Pa m3/s, on the catalogue's log grid."""
    grid = catalogue.sizes
    count = round(np.log10(grid.greatest / grid.least) * grid.per_decade) + 1
    return np.geomspace(grid.least, grid.greatest, count)


def coarse_places(sizes: int) -> NDArray[np.int_]:
    """Places on the grid of sizes that stand for the rarer modes, each in the middle of its stretch."""
    starts = np.arange(0, sizes, MODE_STRIDE)
    return (starts + np.minimum(starts + MODE_STRIDE, sizes) - 1) // 2


def mode_shares(catalogue: Catalogue) -> tuple[float, float]:
    """Shares of the leaks that open only near the highest pressure, and only while running."""
    return catalogue.numbers["mode_near_highest_share"], catalogue.numbers["mode_while_running_share"]


def spread_over_modes(shares: Array, modes: tuple[float, float]) -> Array:
    """(leaks,): shares of the sizes (sizes,), divided among steady leaks and those of the two rarer modes, if any."""
    coarse = np.add.reduceat(shares, np.arange(0, shares.size, MODE_STRIDE))
    return np.concatenate([(1 - sum(modes)) * shares, *(mode * coarse for mode in modes if mode > 0)])


class Rates:
    """Leak rates of one system with one refrigerant, by state of a site."""

    def __init__(self, system: System, facts: Facts, catalogue: Catalogue) -> None:
        self.facts, self.numbers = facts, catalogue.numbers
        self.sizes = size_grid(catalogue)
        self.shares = mode_shares(catalogue)
        coarse = self.sizes[coarse_places(self.sizes.size)]
        rarer = [mode for mode in (NEAR_HIGHEST, WHILE_RUNNING) if self.shares[mode - 1] > 0]
        self.holes = np.concatenate([self.sizes, *(coarse for _ in rarer)])
        self.modes = np.repeat([STEADY, *rarer], [self.sizes.size, *(coarse.size for _ in rarer)])
        self.states = 1 + self.holes.size
        self.fluid: Fluid = load_properties().fluid(facts.refrigerant)
        self.sections = {section.id: section for section in system.sections}
        self._rates: dict[tuple[object, ...], Array] = {}
        self._year: dict[tuple[object, ...], Array] = {}
        self._matters: dict[tuple[object, ...], NDArray[np.bool_]] = {}

    @cached_property
    def leaks(self) -> NDArray[np.bool_]:
        """(states,): all but tight."""
        return np.arange(self.states) > 0

    def pressure_pa(self, section: str, condition: Condition) -> float:
        """Absolute pressure behind the wall, Pa."""
        return pressure_pa(self.sections[section], condition, self.fluid, condition_numbers())

    def g_per_year(self, section: str, condition: Condition) -> Array:
        """(states,): refrigerant that leaks of each kind lose there in this condition."""
        if condition.state not in CHARGED:
            return np.zeros(self.states)
        return kg_s_to_g_per_year(1.0) * self._flow(section, condition)

    def throughput(self, section: str, condition: Condition) -> Array:
        """(states,): gas that passes, Pa m3/s at 20 C: refrigerant or test gas out, or air in under vacuum."""
        if condition.state in CHARGED:
            grams = self.g_per_year(section, condition)
            return grams * g_per_year_to_throughput(1.0, self.fluid.molar_mass, TWENTY_CELSIUS)
        return self._flow(section, condition)

    def _flow(self, section: str, condition: Condition) -> Array:
        """(states,): kg/s of refrigerant, or Pa m3/s of test gas or air."""
        found = self.sections[section]
        key = (kind(found), *_reached(section, condition))
        if key not in self._rates:
            pressure = pressure_pa(found, condition, self.fluid, condition_numbers())
            flow = self._through(found, condition, pressure)
            self._rates[key] = np.concatenate([[0.0], np.where(self._open(found, condition, pressure), flow, 0.0)])
        return self._rates[key]

    def _through(self, section: Section, condition: Condition, pressure: float) -> Array:
        temperature = celsius_to_kelvin(condition.outdoor_c)
        if condition.state == "vacuum":
            return self.holes if pressure < ATMOSPHERE else np.zeros(self.holes.size)
        if condition.state in UNDER_TEST_GAS:
            return gas_throughput(self.holes, load_properties().fluid("nitrogen"), pressure, ATMOSPHERE, temperature)
        inside = phase(section, condition)
        if inside == "liquid":  # carbon dioxide is no liquid above 31 C: as at the nearest temperature of its table
            temperature = min(temperature, self.fluid.temperature_range()[1])
        return leak_rate(self.holes, self.fluid, pressure, ATMOSPHERE, temperature, inside)

    def _open(self, section: Section, condition: Condition, pressure: float) -> NDArray[np.bool_]:
        """(leaks,): which leaks are open in this condition."""
        near = pressure >= self._opens_at(section)
        return np.asarray(np.array([True, near, condition.state == "running"])[self.modes])

    def _opens_at(self, section: Section) -> float:
        """Pa above which leaks open that only the highest pressure opens: running or standing on a mild day."""
        mild = self.numbers["mode_opens_outdoor_c"]
        states = (self._over_year("standing", mild), self._over_year("running", mild))
        return max(pressure_pa(section, state, self.fluid, condition_numbers()) for state in states)

    def at_probe(self, method: Method, section: str, condition: Condition) -> Array:
        """(states,): the rate in the method's own unit that reaches the instrument in still air."""
        flow = self.throughput if method.rate == "Pa m3/s" else self.g_per_year
        gain = self.numbers["shroud_gain"] if condition.shroud else 1.0
        return np.asarray(flow(section, condition) * gain)

    def year(self, section: str) -> Array:
        """(states,): g lost on average over a year, part running and part standing."""
        key = (kind(self.sections[section]),)
        if key not in self._year:
            share = self.numbers["year_running_share"]
            parts = [(share, "running", "year_running_outdoor_c"), (1 - share, "standing", "year_standing_outdoor_c")]
            self._year[key] = np.asarray(
                sum(
                    part * self.g_per_year(section, self._over_year(state, self.numbers[name]))
                    for part, state, name in parts
                )
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
        key = (kind(self.sections[section]),)
        if key not in self._matters:
            self._matters[key] = np.asarray(self.year(section) >= self.matters_g_per_year)
        return self._matters[key]

    def _over_year(self, state: str, outdoor_c: float) -> Condition:
        """A state as it is over the year.

        Carbon dioxide: by the gauges, if it is in that state at present. Else running no hotter outdoors than keeps the
        high side just below the critical point, some 7.3 MPa; above it systems run at 8 to 11 MPa (from memory), so the
        year's loss there is then too low, by about a third at most.
        """
        usual = Condition(state, "still", outdoor_c, self.facts.indoor_c)  # type: ignore[arg-type]
        if self.fluid.name != CARBON_DIOXIDE:
            return usual
        if self.facts.state == state:
            usual = replace(usual, high_kpa=self.facts.high_kpa, low_kpa=self.facts.low_kpa)
        if state == "running" and usual.high_kpa is None:
            usual = replace(usual, outdoor_c=_subcritical(outdoor_c))
        return usual


def _subcritical(outdoor_c: float) -> float:
    """C outdoors, no more than keeps condensing carbon dioxide below its critical point."""
    numbers = condition_numbers()
    condensing = number(numbers, "carbon_dioxide_critical_c") - BELOW_CRITICAL_K
    return min(outdoor_c, condensing - number(numbers, "condensing_approach_k"))


def air_divider(method: Method, air: str) -> float:
    """What the air divides the rate by that reaches a probe."""
    return float({str(kind): divider for kind, divider in method.air.items()}.get(air, 1.0))


def kind(section: Section) -> tuple[str, ...]:
    """Sections of one kind have the same pressure and phase in every condition that reaches them."""
    return section.side, section.phase, section.heating_side, section.heating_phase


def _reached(section: str, condition: Condition) -> tuple[object, ...]:
    """What of a condition changes the flow: whether it is reached, not how many others are."""
    reached = not condition.sections or section in condition.sections
    return (
        condition.state, condition.outdoor_c, condition.indoor_c, condition.heating, condition.test_kpa, reached,
        condition.high_kpa, condition.low_kpa,
    )  # fmt: skip

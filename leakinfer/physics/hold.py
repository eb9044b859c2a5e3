"""Pressure hold with nitrogen: from two gauge readings and two temperatures to a flow with its error, and back.

Beyond what temperature explains, a drop is gas that left. While it leaks, the pressure falls, and the leak with it. For
a drop below a tenth of the start pressure that hardly counts (ASTM E2930 advises to stay there). Here the laminar law's
closed form is used throughout: with dn/dt = -k (p^2 - patm^2) and gauge pressure g = p - patm,

    ln(g1 / (g1 + 2 patm)) - ln(g2 / (g2 + 2 patm)) = 2 patm k t / (V dc/dp)
    flow at the start = k (p1^2 - patm^2) R T20

where c is the gas's moles in a m3. A wide hole follows the pressure itself, not its square; what lies between the two
laws is part of the error. Readings: kPa gauge, C, hours, litres. Flows: Pa m3/s at 20 C, at the start pressure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from msgspec import Struct
from numpy.typing import ArrayLike

from leakinfer.errors import InputError
from leakinfer.physics.properties import Fluid, load_properties
from leakinfer.physics.readings import (
    Array,
    FlowReading,
    flow_likelihood,
    load_settings,
    require,
    require_temperature,
    warmed,
)
from leakinfer.physics.tightness import gas_amount, held_pressure, standing_loss
from leakinfer.physics.units import (
    ATMOSPHERE,
    GAS_CONSTANT,
    TWENTY_CELSIUS,
    celsius_to_kelvin,
    kg_s_to_g_per_year,
    kpa_gauge_to_pa,
    pa_to_kpa_gauge,
)

HOUR = 3600.0  # s
LITRE = 1e-3  # m3
HIGHEST_KPA = 6_800.0  # gauge; the nitrogen table ends at 7,000 kPa absolute, above every limit of the trade
LEAST_DROP = 0.01  # of the start pressure, over which a real gas's density slope is taken at least
ROUNDS = 12  # of the fixed point in end_kpa; the slope changes by a few percent, so each gains more than a digit
STEP_K = 1.0  # for the slope of pressure over temperature


class HoldPlan(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A hold before it is made; temperatures are those of the gas, all errors one standard deviation.

    ``resolution_kpa``: smallest step of the gauge. ``accuracy_kpa``: drift and repeatability between both readings.
    ``temperature_error_k``: error of the change of the gas's mean temperature. ``atmosphere_kpa``: of the place, kPa
    absolute, lower on high ground.
    """

    start_kpa: float
    start_c: float
    hours: float
    volume_l: float
    resolution_kpa: float
    accuracy_kpa: float
    temperature_error_k: float
    volume_relative_error: float
    atmosphere_kpa: float = ATMOSPHERE / 1e3


class HoldReading(HoldPlan, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A hold that was made: what gauge and thermometer showed at its end."""

    end_kpa: float
    end_c: float


@dataclass(frozen=True)
class HoldErrors:
    """Errors of the drop in kPa, one standard deviation each, and of the volume (relative)."""

    resolution: float
    accuracy: float
    temperature: float
    weather: float
    volume: float

    @property
    def drop(self) -> float:
        """All four together, kPa."""
        return math.hypot(self.resolution, self.accuracy, self.temperature, self.weather)


def usual_plan(start_kpa: float, start_c: float, hours: float, volume_l: float) -> HoldPlan:
    """A hold with the gauge and thermometer that most vans carry (``priors/tightness.toml``)."""
    numbers = load_settings().numbers
    return HoldPlan(
        start_kpa=start_kpa,
        start_c=start_c,
        hours=hours,
        volume_l=volume_l,
        resolution_kpa=numbers["usual_resolution_kpa"],
        accuracy_kpa=numbers["usual_accuracy_kpa"],
        temperature_error_k=numbers["usual_temperature_error_k"],
        volume_relative_error=numbers["usual_volume_relative_error"],
    )


def expected_end_kpa(plan: HoldPlan, end_c: float, nitrogen: Fluid) -> float:
    """What a tight circuit shows at ``end_c``, kPa gauge."""
    end = held_pressure(nitrogen, _start_pa(plan), celsius_to_kelvin(plan.start_c), celsius_to_kelvin(end_c))
    return pa_to_kpa_gauge(end, plan.atmosphere_kpa * 1e3)


def drop_kpa(reading: HoldReading, nitrogen: Fluid) -> float:
    """The drop that temperature does not explain, kPa; negative for a gain."""
    return expected_end_kpa(reading, reading.end_c, nitrogen) - reading.end_kpa


def hold_errors(plan: HoldPlan, nitrogen: Fluid) -> HoldErrors:
    """The errors of a hold, term by term.

    A step r of the gauge is uniform in each of two readings: r / sqrt(6). The temperature's error acts through the
    slope of pressure over temperature. The air's own pressure changes with the weather, and gauges show the difference.
    """
    pressure, kelvin = _start_pa(plan), celsius_to_kelvin(plan.start_c)
    slope = (held_pressure(nitrogen, pressure, kelvin, kelvin + STEP_K) - pressure) / (1e3 * STEP_K)
    return HoldErrors(
        resolution=plan.resolution_kpa / math.sqrt(6),
        accuracy=plan.accuracy_kpa,
        temperature=slope * plan.temperature_error_k,
        weather=math.sqrt(_weather_growth() * min(plan.hours, _weather_hours())),
        volume=plan.volume_relative_error,
    )


def hold_statistics(reading: HoldReading, nitrogen: Fluid) -> FlowReading:
    """The flow at the start pressure (Pa m3/s at 20 C), its error if tight, and its relative error.

    Negative for a gain. An empty circuit counts as half a gauge step, so its flow is a lower bound. The absolute error
    grows with the drop, since at the end less pressure is left to show it.
    """
    start, air = _start_pa(reading), reading.atmosphere_kpa * 1e3
    end = _end_at_start_temperature(reading, nitrogen)
    unit = _flow_per_pa(reading, end, nitrogen)
    flow = unit * _laminar_drop(start, end, air)
    choked = unit * start * math.log(start / end)
    law = abs(flow - choked) / (math.sqrt(12) * abs(flow)) if flow > 0 else 0.0
    errors = hold_errors(reading, nitrogen)
    steeper = max((start**2 - air**2) / (end**2 - air**2), 1.0)
    return FlowReading(flow, unit * steeper * errors.drop * 1e3, math.hypot(errors.volume, law))


def hold_likelihood(reading: HoldReading, flows: ArrayLike, nitrogen: Fluid) -> Array:
    """(flows,): density of what was read, for each total flow at the start pressure (Pa m3/s at 20 C)."""
    emptied = _flow_per_pa(reading, _start_pa(reading), nitrogen) * reading.start_kpa * 1e3
    gross = load_settings().numbers["hold_gross_error"]
    return flow_likelihood(hold_statistics(reading, nitrogen), flows, emptied, gross)


def flow_error(plan: HoldPlan, nitrogen: Fluid) -> float:
    """The error of the flow that a tight circuit would show in this hold, Pa m3/s at 20 C."""
    return _flow_per_pa(plan, _start_pa(plan), nitrogen) * hold_errors(plan, nitrogen).drop * 1e3


def detectable_flow(plan: HoldPlan, nitrogen: Fluid, sds: float | None = None) -> float:
    """The least flow that this hold shows at ``sds`` standard deviations, Pa m3/s at 20 C, for a small drop."""
    return _times(sds) * flow_error(plan, nitrogen)


def loss_of_flow(flow: float, plan: HoldPlan, nitrogen: Fluid, refrigerant: Fluid, standing_c: float) -> float:
    """G/yr of refrigerant that a hole loses standing at ``standing_c``, from its flow of nitrogen in the hold; laminar.

    Standing is dew pressure at that temperature. Linear in ``flow``.
    """
    kelvin, air = celsius_to_kelvin(standing_c), plan.atmosphere_kpa * 1e3
    test, standing = (_start_pa(plan), air), (refrigerant.dew_pressure(kelvin), air)
    return kg_s_to_g_per_year(standing_loss(flow * warmed(standing_c), nitrogen, test, refrigerant, standing, kelvin))


def detectable_loss(
    plan: HoldPlan, nitrogen: Fluid, refrigerant: Fluid, standing_c: float, sds: float | None = None
) -> float:
    """:func:`detectable_flow` as g/yr of refrigerant, standing at ``standing_c``."""
    return loss_of_flow(detectable_flow(plan, nitrogen, sds), plan, nitrogen, refrigerant, standing_c)


def hours_to_see(
    loss_g_per_year: float,
    plan: HoldPlan,
    nitrogen: Fluid,
    refrigerant: Fluid,
    standing_c: float,
    longest_hours: float,
    sds: float | None = None,
) -> float | None:
    """How long the hold must last to show this standing loss; ``plan.hours`` plays no part. None: over the longest.

    Solves drop = k sd for the time: (rate t)^2 = k^2 (fixed^2 + weather^2 min(t, settled)), for a small drop.

    Raises:
        InputError: a loss or a longest time that is not above zero.
    """
    require(loss_g_per_year, "loss in g/yr", "hold", above=0.0)
    require(longest_hours, "longest hold in hours", "hold", above=0.0)
    flow = loss_g_per_year / loss_of_flow(1.0, plan, nitrogen, refrigerant, standing_c)
    per_pa = _flow_per_pa(plan, _start_pa(plan), nitrogen) * plan.hours  # in one hour
    rate = flow / (per_pa * 1e3)  # kPa an hour
    errors = hold_errors(plan, nitrogen)
    fixed = math.hypot(errors.resolution, errors.accuracy, errors.temperature)
    hours = _root(_times(sds) / rate, fixed)
    return hours if hours <= longest_hours else None


def end_kpa(plan: HoldPlan, flow: float, end_c: float, nitrogen: Fluid) -> float:
    """What the gauge shows after the hold, kPa gauge, for a flow at the start pressure; inverse of the statistics."""
    start, air = _start_pa(plan), plan.atmosphere_kpa * 1e3
    end = start
    for _ in range(ROUNDS):
        fallen = 2 * air * flow / (_flow_per_pa(plan, end, nitrogen) * (start**2 - air**2))
        left = (start - air) / (start + air) * math.exp(-fallen)
        end = air * (1 + left) / (1 - left)
    shown = held_pressure(nitrogen, end, celsius_to_kelvin(plan.start_c), celsius_to_kelvin(end_c))
    return pa_to_kpa_gauge(shown, air)


def check_plan(plan: HoldPlan, where: str) -> None:
    """Refuses a hold that cannot be made or a gauge that cannot be.

    Raises:
        InputError: one line, with ``where``, what is wrong and what is allowed.
    """
    require(plan.start_kpa, "start pressure in kPa gauge", where, above=0.0, most=HIGHEST_KPA)
    require_temperature(plan.start_c, "start temperature", where)
    require(plan.hours, "hours of the hold", where, above=0.0)
    require(plan.volume_l, "volume in litres", where, above=0.0)
    require(plan.resolution_kpa, "resolution of the gauge in kPa", where, above=0.0, most=HIGHEST_KPA)
    require(plan.accuracy_kpa, "accuracy of the gauge in kPa", where, least=0.0, most=HIGHEST_KPA)
    require(plan.temperature_error_k, "error of the temperature in K", where, least=0.0, most=100.0)
    require(plan.volume_relative_error, "relative error of the volume", where, least=0.0, most=1.0)
    require(plan.atmosphere_kpa, "pressure of the air in kPa absolute", where, least=50.0, most=110.0)


def check_hold(reading: HoldReading, where: str) -> None:
    """Refuses a reading that no circuit can give.

    Raises:
        InputError: out of range, an end below zero, or a gain of pressure that temperature and error do not explain.
    """
    check_plan(reading, where)
    require_temperature(reading.end_c, "end temperature", where)
    nitrogen = load_properties().fluid("nitrogen")
    try:
        expected = expected_end_kpa(reading, reading.end_c, nitrogen)
    except InputError as caught:
        raise InputError(f"at the end {caught.what}", where=where, allowed=caught.allowed) from caught
    error = load_settings().numbers["impossible_sds"] * hold_errors(reading, nitrogen).drop
    require(reading.end_kpa, "end pressure in kPa gauge", where, most=HIGHEST_KPA)
    if reading.end_kpa < -max(reading.resolution_kpa, error):
        what = f"end pressure {reading.end_kpa:g} kPa gauge is below zero, and a leak stops at zero"
        raise InputError(what, where=where, allowed="gauge pressure, zero or more")
    if reading.end_kpa > expected + error:
        what = f"end pressure {reading.end_kpa:g} kPa gauge is above the {expected:.0f} that temperature explains"
        why = "; the gas may be warmer than the thermometer, the cylinder's valve may pass, or a unit may be wrong"
        raise InputError(what + why, where=where, allowed=f"up to {expected + error:.0f} kPa gauge")


def _start_pa(plan: HoldPlan) -> float:
    return kpa_gauge_to_pa(plan.start_kpa, plan.atmosphere_kpa * 1e3)


def _end_at_start_temperature(reading: HoldReading, nitrogen: Fluid) -> float:
    """Pa absolute at the end, had the gas kept its start temperature."""
    air = reading.atmosphere_kpa * 1e3
    least = 0.5 * reading.resolution_kpa
    shown = kpa_gauge_to_pa(max(reading.end_kpa, least), air)
    end = held_pressure(nitrogen, shown, celsius_to_kelvin(reading.end_c), celsius_to_kelvin(reading.start_c))
    return max(end, kpa_gauge_to_pa(least, air))


def _laminar_drop(start: float, end: float, air: float) -> float:
    """The drop in Pa that would follow had the leak kept its flow at the start: the drop itself when it is small."""
    ratio = (start - air) * (end + air) / ((start + air) * (end - air))
    return (start**2 - air**2) / (2 * air) * math.log(ratio)


def _flow_per_pa(plan: HoldPlan, end: float, nitrogen: Fluid) -> float:
    """Pa m3/s at 20 C for each Pa of drop in this hold, real gas: V R T20 (dc/dp) / t, mean over the drop."""
    start, kelvin = _start_pa(plan), celsius_to_kelvin(plan.start_c)
    low = min(end, (1 - LEAST_DROP) * start)
    volume = plan.volume_l * LITRE
    moles = [gas_amount(p, volume, kelvin, nitrogen.compressibility(kelvin, p)) for p in (start, low)]
    return (moles[0] - moles[1]) / (start - low) * GAS_CONSTANT * TWENTY_CELSIUS / (plan.hours * HOUR)


def _weather_growth() -> float:
    """Variance of the air's pressure that an hour adds, kPa^2."""
    return load_settings().numbers["air_pressure_day_kpa"] ** 2 / 24


def _weather_hours() -> float:
    return load_settings().numbers["air_pressure_settles_hours"]


def _times(sds: float | None) -> float:
    return load_settings().numbers["seen_sds"] if sds is None else sds


def _root(hours_a_kpa: float, fixed: float) -> float:
    """T with t = a sqrt(fixed^2 + growth min(t, settled)), hours; a quadratic before the weather settles."""
    growth, settled = _weather_growth(), _weather_hours()
    half = 0.5 * hours_a_kpa**2 * growth
    hours = half + math.hypot(half, hours_a_kpa * fixed)
    return hours if hours <= settled else hours_a_kpa * math.sqrt(fixed**2 + growth * settled)

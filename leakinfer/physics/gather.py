"""Gas gathered under a shroud: from a rise of concentration to the flow that made it, and back.

Air of volume V under the shroud, of which a part e is exchanged with the room each hour, takes in gas at the flow v:
c - c0 = v (1 - exp(-e t)) / (e V), and v t / V when nothing escapes. The air outside is taken to stay at the start
reading. Concentrations are parts per million by volume; flows are Pa m3/s at 20 C, of refrigerant or tracer alike.
"""

from __future__ import annotations

import math

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike

from leakinfer.errors import InputError
from leakinfer.physics.readings import (
    Array,
    FlowReading,
    flow_likelihood,
    load_settings,
    require,
    require_temperature,
    warmed,
)
from leakinfer.physics.units import ATMOSPHERE

MILLION = 1e6
LITRE = 1e-3  # m3
MINUTE = 60.0  # s
HIGHEST_PPM = 20_000.0  # of air: some refrigerants burn from 2 % on, and the instruments end far below (from memory)
MOST_ESCAPE = 60.0  # exchanges an hour; a shroud that loses its air each minute is none (judgement)


class GatherPlan(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gathering before it is made. ``volume_l``: air under the shroud, litres; ``escape``: exchanges an hour.

    ``resolution_ppm``: smallest step of the instrument; ``relative_error``: of its calibration, one standard deviation.
    """

    volume_l: float
    minutes: float
    temperature_c: float
    resolution_ppm: float
    relative_error: float
    escape: float = 0.0


class GatherReading(GatherPlan, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gathering that was made: what the instrument showed when the shroud was closed and at the end."""

    start_ppm: float
    end_ppm: float


def gathered_ppm(plan: GatherPlan, flows: ArrayLike) -> Array:
    """Rise of concentration in ppm that these flows (Pa m3/s at 20 C) give, same shape."""
    return np.asarray(np.asarray(flows, dtype=float) / _flow_per_ppm(plan))


def gather_statistics(reading: GatherReading) -> FlowReading:
    """The flow that made the rise (Pa m3/s at 20 C), its error if nothing leaks, and its relative error.

    The relative error holds the instrument's calibration and how poorly the escape is known.
    """
    flow = (reading.end_ppm - reading.start_ppm) * _flow_per_ppm(reading)
    return FlowReading(flow, gather_error(reading), _relative_error(reading))


def gather_likelihood(reading: GatherReading, flows: ArrayLike) -> Array:
    """(flows,): density of what was read, for each total flow (Pa m3/s at 20 C)."""
    gross = load_settings().numbers["gather_gross_error"]
    return flow_likelihood(gather_statistics(reading), flows, HIGHEST_PPM * _flow_per_ppm(reading), gross)


def gather_error(plan: GatherPlan) -> float:
    """Error of the flow when nothing leaks: a step r in each of two readings, r / sqrt(6), as Pa m3/s at 20 C."""
    return plan.resolution_ppm / math.sqrt(6) * _flow_per_ppm(plan)


def check_gather_plan(plan: GatherPlan, where: str) -> None:
    """Refuses a gathering that cannot be made.

    Raises:
        InputError: one line, with ``where``, what is wrong and what is allowed.
    """
    require(plan.volume_l, "volume under the shroud in litres", where, above=0.0)
    require(plan.minutes, "minutes of gathering", where, above=0.0)
    require_temperature(plan.temperature_c, "temperature", where)
    require(plan.resolution_ppm, "resolution of the instrument in ppm", where, above=0.0)
    require(plan.relative_error, "relative error of the instrument", where, least=0.0, most=1.0)
    require(plan.escape, "exchanges of air an hour", where, least=0.0, most=MOST_ESCAPE)


def check_gather(reading: GatherReading, where: str) -> None:
    """Refuses a reading that no leak can give.

    Raises:
        InputError: out of range, too much gas to go on, or air that became cleaner by more than the error.
    """
    check_gather_plan(reading, where)
    for ppm, when in ((reading.start_ppm, "start"), (reading.end_ppm, "end")):
        require(ppm, f"concentration at the {when} in ppm", where, least=0.0)
        if ppm > HIGHEST_PPM:
            what = f"{ppm:g} ppm at the {when} is no test any more: it may burn or choke; open the shroud and ventilate"
            raise InputError(what, where=where, allowed=f"0 to {HIGHEST_PPM:g} ppm")
    times = load_settings().numbers["impossible_sds"]
    error = times * math.hypot(reading.resolution_ppm / math.sqrt(6), reading.relative_error * reading.start_ppm)
    if reading.end_ppm < reading.start_ppm - error:
        what = f"the air became cleaner, from {reading.start_ppm:g} to {reading.end_ppm:g} ppm"
        why = ": the room's air cleared, the instrument drifted, or the shroud opened"
        raise InputError(what + why, where=where, allowed=f"at least {reading.start_ppm - error:g} ppm")


def _flow_per_ppm(plan: GatherPlan) -> float:
    """Pa m3/s at 20 C for each ppm of rise."""
    held = plan.volume_l * LITRE * ATMOSPHERE / (MILLION * warmed(plan.temperature_c))
    return held / (plan.minutes * MINUTE * _kept(_exchanges(plan)))


def _exchanges(plan: GatherPlan) -> float:
    """How often the air is exchanged within the gathering."""
    return plan.escape * plan.minutes / 60


def _kept(exchanges: float) -> float:
    """Share of the gas that is still there at the end: (1 - exp(-x)) / x."""
    return -math.expm1(-exchanges) / exchanges if exchanges > 0 else 1.0


def _relative_error(plan: GatherPlan) -> float:
    """The instrument's, and the escape's through d ln(flow) / d ln(escape) = 1 - exp(-x) / kept."""
    exchanges = _exchanges(plan)
    share = 1 - math.exp(-exchanges) / _kept(exchanges)
    return math.hypot(plan.relative_error, share * load_settings().numbers["escape_relative_error"])

"""Vacuum rise: after the pump is shut off, is it air that comes in, moisture that boils off, or nothing that matters?

Air keeps coming: a leak of flow q (air from 1 atm into vacuum, Pa m3/s at 20 C, a standard leak size) lets in
q (1 - (p/patm)^2), laminar. So p = patm tanh(atanh(p0/patm) + q t T/(T20 V patm)), a straight line at the pressures of
a vacuum. Moisture levels off: p - p0 = (plateau - p0)(1 - exp(-t/tau)), at the vapour pressure of water or below. One
reading at the end cannot tell the two apart; one in between can. Pressures here are Pa absolute.
"""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike

from leakinfer.errors import InputError
from leakinfer.physics.properties import load_properties
from leakinfer.physics.readings import Array, FlowReading, load_settings, require, require_temperature, tight_to, warmed
from leakinfer.physics.units import ATMOSPHERE, celsius_to_kelvin

RiseVerdict: TypeAlias = Literal["leaks", "moisture", "tight", "cannot_tell"]
MINUTE = 60.0  # s
LITRE = 1e-3  # m3
DECADES = math.log(ATMOSPHERE)  # of e, from 1 Pa to the atmosphere: where a gross error may put a reading
TRIALS = np.concatenate([[0.0], np.geomspace(1 / 30, 3.0, 48)])  # of the flow that explains all: where a fit is sought


class RiseReading(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A vacuum after the pump was shut off, Pa absolute; minutes since then; C of the circuit; litres.

    ``middle_pa`` and ``middle_minutes``: a reading in between, if there is one.
    """

    start_pa: float
    end_pa: float
    minutes: float
    temperature_c: float
    volume_l: float
    middle_pa: float | None = None
    middle_minutes: float | None = None

    @property
    def readings(self) -> tuple[tuple[float, float], ...]:
        """(minutes, Pa) of each reading after the start."""
        end = (self.minutes, self.end_pa)
        if self.middle_pa is None or self.middle_minutes is None:
            return (end,)
        return (self.middle_minutes, self.middle_pa), end


def air_pressure(start_pa: float, flows: ArrayLike, minutes: ArrayLike, volume_l: float, temperature_c: float) -> Array:
    """Pa absolute after ``minutes`` of air coming in at these flows; ``flows`` and ``minutes`` are broadcast."""
    per_second = np.asarray(flows, dtype=float) * warmed(temperature_c) / (volume_l * LITRE)
    turn = per_second * np.asarray(minutes, dtype=float) * MINUTE / ATMOSPHERE
    return np.asarray(ATMOSPHERE * np.tanh(math.atanh(start_pa / ATMOSPHERE) + turn))


def moisture_rise(start_pa: float, plateau_pa: ArrayLike, constant_minutes: ArrayLike, minutes: ArrayLike) -> Array:
    """Pa by which moisture has raised the pressure after ``minutes``; all but the start are broadcast."""
    height = np.maximum(np.asarray(plateau_pa, dtype=float) - start_pa, 0.0)
    return np.asarray(height * -np.expm1(-np.asarray(minutes, dtype=float) / np.asarray(constant_minutes, dtype=float)))


def rise_pressures(
    reading: RiseReading, flows: ArrayLike, plateaus_pa: ArrayLike = 0.0, constants_minutes: ArrayLike = 1.0
) -> Array:
    """(..., flows, readings): what the gauge would show at the reading's times, with air and moisture; Pa absolute.

    Plateaus and time constants are single numbers, or broadcast against (flows, readings). A plateau not above the
    start means no moisture.
    """
    minutes = np.array([time for time, _ in reading.readings])
    flow = np.asarray(flows, dtype=float)[..., None]
    air = air_pressure(reading.start_pa, flow, minutes, reading.volume_l, reading.temperature_c)
    return np.asarray(air + moisture_rise(reading.start_pa, plateaus_pa, constants_minutes, minutes))


def rise_statistics(reading: RiseReading) -> FlowReading:
    """The flow of air if air were all of the rise (Pa m3/s at 20 C), its error if tight, and its relative error."""
    numbers = load_settings().numbers
    per_pa = reading.volume_l * LITRE / (reading.minutes * MINUTE * warmed(reading.temperature_c))
    turn = math.atanh(reading.end_pa / ATMOSPHERE) - math.atanh(reading.start_pa / ATMOSPHERE)
    own = float(_own_variance(reading.start_pa) + _own_variance(reading.end_pa))
    error = math.hypot(numbers["vacuum_settling_pa"], math.sqrt(own))
    return FlowReading(per_pa * ATMOSPHERE * turn, per_pa * error, numbers["vacuum_calibration_error"])


def rise_tight_to(reading: RiseReading) -> float:
    """The largest flow of air that the reading leaves open, Pa m3/s at 20 C: all of the rise taken for air."""
    return tight_to(*rise_statistics(reading))


def dry_likelihood(reading: RiseReading, flows: ArrayLike) -> Array:
    """(flows,): density of what was read, for each flow of air and no moisture; 1/Pa for each reading."""
    return _density(reading, rise_pressures(reading, flows))


def wet_likelihood(reading: RiseReading, flows: ArrayLike) -> Array:
    """(flows,): the same with moisture, a mean over the grid of plateaus and time constants.

    Raises:
        InputError: outside 0 to 70 C, where there is no vapour pressure of liquid water.
    """
    grids = load_settings().grids
    water = load_properties().water_vapour_pressure(celsius_to_kelvin(reading.temperature_c))
    plateaus = water * grids["moisture_plateaus"][:, None, None, None]
    constants = grids["moisture_minutes"][:, None, None]
    return np.asarray(_density(reading, rise_pressures(reading, flows, plateaus, constants)).mean(axis=(0, 1)))


def rise_likelihood(reading: RiseReading, flows: ArrayLike) -> Array:
    """(flows,): density of what was read, for each total flow of air (Pa m3/s at 20 C); 1/Pa for each reading.

    A mixture: no moisture, moisture at its weight, and a small share of gross errors that spread over all pressures
    evenly in their logarithm.
    """
    numbers = load_settings().numbers
    weight, gross = numbers["moisture_weight"], numbers["rise_gross_error"]
    explained = (1 - weight) * dry_likelihood(reading, flows) + weight * wet_likelihood(reading, flows)
    anywhere = math.prod(1 / (max(pressure, 1.0) * DECADES) for _, pressure in reading.readings)
    return np.asarray((1 - gross) * explained + gross * anywhere)


def rise_verdict(reading: RiseReading, limit_flow: float) -> RiseVerdict:
    """What a person may say of the rise; ``limit_flow`` is the least flow of air that matters, Pa m3/s at 20 C.

    * leaks: not even moisture explains the reading without a leak, by the likelihood ratio of ``seen_sds``;
    * tight: all of the rise taken for air stays below the limit (to :func:`rise_tight_to`);
    * moisture: explains the rise without a leak ``moisture_odds`` times better than any leak without moisture;
    * cannot_tell: the rest.

    Raises:
        InputError: a limit that is not above zero.
    """
    require(limit_flow, "limit in Pa m3/s", "vacuum rise", above=0.0)
    numbers = load_settings().numbers
    all_air = rise_statistics(reading).flow
    scale = all_air if all_air > 0 else limit_flow
    whole = rise_likelihood(reading, scale * TRIALS)
    if whole.max() > whole[0] * math.exp(0.5 * numbers["seen_sds"] ** 2):
        return "leaks"
    if rise_tight_to(reading) < limit_flow:
        return "tight"
    weight = numbers["moisture_weight"]
    wet = weight * wet_likelihood(reading, [0.0])[0]
    dry = (1 - weight) * dry_likelihood(reading, scale * TRIALS).max()
    return "moisture" if wet > numbers["moisture_odds"] * dry else "cannot_tell"


def check_rise(reading: RiseReading, where: str) -> None:
    """Refuses a reading that no circuit can give.

    Raises:
        InputError: out of range, below freezing, a middle reading without its time or beyond the end, or a pressure
            that falls after the pump is shut off.
    """
    most = ATMOSPHERE * 0.999
    require_temperature(reading.temperature_c, "temperature (below 0 C water is ice and hides)", where, coldest=0.0)
    require(reading.start_pa, "start pressure in Pa absolute", where, least=0.0, most=most)
    require(reading.end_pa, "end pressure in Pa absolute", where, least=0.0, most=most)
    require(reading.minutes, "minutes of the rise", where, above=0.0)
    require(reading.volume_l, "volume in litres", where, above=0.0)
    if (reading.middle_pa is None) != (reading.middle_minutes is None):
        raise InputError("a middle reading needs both", where=where, allowed="a pressure and its minutes")
    if reading.middle_pa is not None and reading.middle_minutes is not None:
        require(reading.middle_pa, "middle pressure in Pa absolute", where, least=0.0, most=most)
        require(reading.middle_minutes, "minutes of the middle reading", where, above=0.0)
        if reading.middle_minutes >= reading.minutes:
            what = f"the middle reading at {reading.middle_minutes:g} min is not before the end"
            raise InputError(what, where=where, allowed=f"below {reading.minutes:g} min")
    _check_no_fall(reading, where)


def _check_no_fall(reading: RiseReading, where: str) -> None:
    numbers = load_settings().numbers
    sd = math.hypot(numbers["vacuum_settling_pa"], math.sqrt(2 * _own_variance(reading.start_pa)))
    least = reading.start_pa - numbers["impossible_sds"] * sd
    for _, pressure in reading.readings:
        if pressure < least:
            what = (
                f"pressure fell from {reading.start_pa:g} to {pressure:g} Pa: was the pump still on, or a unit wrong?"
            )
            raise InputError(what, where=where, allowed=f"at least {least:.3g} Pa")


def _density(reading: RiseReading, predicted: Array) -> Array:
    """(...): Gaussian density of the readings around (..., readings) predicted pressures.

    Each has an error of its own, repeatability and resolution. Shared are the start's, from which all is reckoned, what
    settles, and the calibration, which stretches the whole rise. A second reading is taken given the first.
    """
    numbers = load_settings().numbers
    away = np.array([pressure for _, pressure in reading.readings]) - predicted
    stretch = (predicted - reading.start_pa) * numbers["vacuum_calibration_error"]
    shared = _own_variance(reading.start_pa) + numbers["vacuum_settling_pa"] ** 2
    variance = _own_variance(predicted) + shared + stretch**2
    density = _normal(away[..., 0], variance[..., 0])
    if predicted.shape[-1] == 1:
        return density
    common = shared + stretch[..., 0] * stretch[..., 1]
    gain = common / variance[..., 0]
    return np.asarray(density * _normal(away[..., 1] - gain * away[..., 0], variance[..., 1] - gain * common))


def _own_variance(pressure: ArrayLike) -> Array:
    """Pa^2 that each reading of a pressure has of its own, same shape."""
    numbers = load_settings().numbers
    own = (numbers["vacuum_repeatability"] * np.asarray(pressure, dtype=float)) ** 2
    return np.asarray(own + numbers["vacuum_resolution_pa"] ** 2)


def _normal(away: Array, variance: Array) -> Array:
    return np.asarray(np.exp(-0.5 * away**2 / variance) / np.sqrt(2 * math.pi * variance))

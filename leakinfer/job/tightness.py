"""Between what a person reads in a hold, a vacuum's rise or a gathering, and the flow of gas with its errors."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import WHOLE
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding, Gathered, Hold, Rise, outcome_names
from leakinfer.physics.gather import (
    GatherPlan,
    GatherReading,
    check_gather,
    gather_error,
    gather_likelihood,
    gather_statistics,
)
from leakinfer.physics.hold import (
    HoldPlan,
    HoldReading,
    check_hold,
    flow_error,
    hold_likelihood,
    hold_statistics,
    usual_plan,
)
from leakinfer.physics.properties import load_properties
from leakinfer.physics.readings import FlowReading, load_settings
from leakinfer.physics.vacuum import RiseReading, check_rise, rise_likelihood, rise_statistics

if TYPE_CHECKING:
    from leakinfer.job.job import Job

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Planned:
    """A test that is to be made: error of its flow when tight (Pa m3/s), its relative error, the flow from which it
    speaks for a leak, and the chance that something other than a leak (moisture) makes it do so."""

    error: float
    relative: float
    limit: float
    other: float = 0.0


def inner_volume_l(job: Job, target: str) -> float:
    """Litres inside an isolation or the whole circuit: told, or from the charge."""
    facts, numbers = job.facts, job.catalogue.numbers
    whole = facts.volume_l or facts.charge_kg * numbers["inner_volume_l_per_kg"]
    if target == WHOLE:
        return whole
    return whole * next(part.volume_share for part in job.system.isolations if part.id == target)


def planned_error(job: Job, method: Method, target: str, condition: Condition) -> Planned:
    """What the usual instruments will make of a test, from pressure, volume and duration."""
    settings = load_settings().numbers
    if method.kind == "gather":
        plan = gather_plan(job, method.minutes + method.wait_minutes, condition)
        error, relative, other = gather_error(plan), plan.relative_error, 0.0
    elif condition.state == "vacuum":
        still = _still_vacuum(job, method, target, condition)
        error, relative, other = still.absolute_sd, still.relative_sd, settings["moisture_weight"]
    else:
        hold = hold_plan(job, method, target, condition)
        error = flow_error(hold, load_properties().fluid("nitrogen"))
        relative, other = hold.volume_relative_error, 0.0
    return Planned(error, relative, settings["seen_sds"] * error, other)


def told_apart(planned: Planned, flows: Array, other: float = 0.0) -> Array:
    """(flows, 2): chance of silence and of the other outcome; ``other``: that something else than a leak shows."""
    spread = np.hypot(planned.error, planned.relative * flows)
    above = np.array([0.5 * math.erfc(x / math.sqrt(2)) for x in (planned.limit - flows) / spread])
    shows = other + (1 - other) * above
    return np.stack([1 - shows, shows], axis=1)


def added_by(planned: Planned, flows: Array) -> Array:
    """(flows, 2): as :func:`told_apart` for one leak beside an instrument whose own noise counts once.

    P(silent) of a tight system times P(silent) of this is P(silent) of the flow by itself;
    else each of many places would bring the noise again.
    """
    silent = told_apart(planned, flows)[:, 0] / told_apart(planned, np.zeros(1))[0, 0]
    silent = np.minimum(silent, 1.0)
    return np.stack([silent, 1 - silent], axis=1)


def flow_read(job: Job, finding: Finding) -> FlowReading | None:
    """The flow that a finding's reading means, with its errors; None where nothing was read."""
    if finding.hold is not None:
        return hold_statistics(hold_reading(job, finding, finding.hold), load_properties().fluid("nitrogen"))
    if finding.rise is not None:
        return rise_statistics(rise_reading(job, finding, finding.rise))
    if finding.gathered is not None:
        return gather_statistics(gather_reading(job, finding, finding.gathered))
    return None


def likelihood_of(job: Job, finding: Finding, flows: Array) -> Array:
    """(flows,): density of what was read, for each summed flow; one where nothing was."""
    if finding.rise is not None:
        return rise_likelihood(rise_reading(job, finding, finding.rise), flows)
    if finding.hold is not None:
        reading = hold_reading(job, finding, finding.hold)
        return hold_likelihood(reading, flows, load_properties().fluid("nitrogen"))
    if finding.gathered is not None:
        return gather_likelihood(gather_reading(job, finding, finding.gathered), flows)
    return np.ones(flows.size)


def outcome_of(job: Job, finding: Finding) -> str | None:
    """The outcome in words that a reading means; None where nothing was read."""
    reading = flow_read(job, finding)
    if reading is None:
        return None
    names = outcome_names(job.catalogue.methods[finding.method])
    return names[int(reading.flow > load_settings().numbers["seen_sds"] * reading.absolute_sd)]


def check_readings(job: Job, method: Method, finding: Finding, where: str) -> None:
    """A reading belongs to a method that takes it, is possible, and its words are those that the numbers give."""
    vacuum = finding.condition.state == "vacuum"
    takes = {"hold": method.kind == "hold" and not vacuum, "rise": method.kind == "hold" and vacuum}
    takes["gathered"] = method.kind == "gather"
    for name, fits in takes.items():
        if getattr(finding, name) is not None and not fits:
            raise InputError(f"{method.id} gives no such reading", where=f"{where}: {name}", allowed="none")
    if method.kind == "hold" and finding.condition.sections != job.sections_of(finding.target):
        what = f"the condition shuts in other sections than those of '{finding.target}'"
        raise InputError(what, where=f"{where}: condition", allowed="the sections of the target")
    if finding.hold is not None:
        _check_start(finding, finding.hold, where)
        check_hold(hold_reading(job, finding, finding.hold), f"{where}: hold")
    if finding.rise is not None:
        check_rise(rise_reading(job, finding, finding.rise), f"{where}: rise")
    if finding.gathered is not None:
        check_gather(gather_reading(job, finding, finding.gathered), f"{where}: gathered")
    words = outcome_of(job, finding)
    if words is not None and words != finding.outcome:
        what = f"the reading means '{words}', not '{finding.outcome}'"
        raise InputError(what, where=f"{where}: outcome", allowed=words)


def _check_start(finding: Finding, hold: Hold, where: str) -> None:
    if abs(hold.start_kpa - finding.condition.test_kpa) > 1e-6:
        what = f"the hold began at {hold.start_kpa:g} kPa, the condition says {finding.condition.test_kpa:g} kPa"
        raise InputError(what, where=f"{where}: hold", allowed="one and the same start pressure")


def hold_reading(job: Job, finding: Finding, hold: Hold) -> HoldReading:
    """A hold with what was not told: the usual gauge and thermometer, the volume by the charge."""
    volume = hold.volume_l or inner_volume_l(job, finding.target)
    usual = usual_plan(hold.start_kpa, hold.start_c, hold.hours, volume)
    return HoldReading(
        start_kpa=hold.start_kpa,
        start_c=hold.start_c,
        hours=hold.hours,
        volume_l=volume,
        resolution_kpa=hold.resolution_kpa or usual.resolution_kpa,
        accuracy_kpa=hold.accuracy_kpa or usual.accuracy_kpa,
        temperature_error_k=usual.temperature_error_k,
        volume_relative_error=usual.volume_relative_error,
        end_kpa=hold.end_kpa,
        end_c=hold.end_c,
    )


def rise_reading(job: Job, finding: Finding, rise: Rise) -> RiseReading:
    """A rise with the volume by the charge where it was not told."""
    return RiseReading(
        start_pa=rise.start_pa,
        end_pa=rise.end_pa,
        minutes=rise.minutes,
        temperature_c=rise.temperature_c,
        volume_l=rise.volume_l or inner_volume_l(job, finding.target),
        middle_pa=rise.middle_pa,
        middle_minutes=rise.middle_minutes,
    )


def gather_reading(job: Job, finding: Finding, told: Gathered) -> GatherReading:
    """A gathering with the usual meter and shroud."""
    plan = gather_plan(job, told.minutes, finding.condition)
    return GatherReading(
        volume_l=told.volume_l,
        minutes=told.minutes,
        temperature_c=plan.temperature_c,
        resolution_ppm=plan.resolution_ppm,
        relative_error=plan.relative_error,
        escape=plan.escape,
        start_ppm=told.start_ppm,
        end_ppm=told.end_ppm,
    )


def gather_plan(job: Job, minutes: float, condition: Condition) -> GatherPlan:
    """A gathering with the usual meter and shroud."""
    numbers = job.catalogue.numbers
    return GatherPlan(
        volume_l=numbers["shroud_volume_l"],
        minutes=minutes,
        temperature_c=condition.outdoor_c,
        resolution_ppm=numbers["meter_resolution_ppm"],
        relative_error=numbers["meter_relative_error"],
        escape=numbers["shroud_escape_per_hour"],
    )


def hold_plan(job: Job, method: Method, target: str, condition: Condition) -> HoldPlan:
    """A hold of the method's duration with the usual gauge and thermometer."""
    hours = (method.minutes + method.wait_minutes) / 60
    return usual_plan(condition.test_kpa, condition.outdoor_c, hours, inner_volume_l(job, target))


def _still_vacuum(job: Job, method: Method, target: str, condition: Condition) -> FlowReading:
    """The errors of a vacuum that does not move: what a rise must exceed."""
    start = job.catalogue.numbers["vacuum_start_pa"]
    return rise_statistics(
        RiseReading(
            start_pa=start,
            end_pa=start,
            minutes=method.minutes + method.wait_minutes,
            temperature_c=condition.outdoor_c,
            volume_l=inner_volume_l(job, target),
        )
    )

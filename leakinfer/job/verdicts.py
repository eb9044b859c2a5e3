"""What a reading of a hold, a vacuum or a shroud means in words, and how long a hold must last to see a loss."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from leakinfer.circuit.conditions import Condition
from leakinfer.errors import InputError
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.tightness import flow_read, hold_reading, rise_reading
from leakinfer.physics.hold import HoldPlan, detectable_loss, hours_to_see, loss_of_flow
from leakinfer.physics.properties import load_properties
from leakinfer.physics.readings import FlowReading, load_settings, tight_to, verdict, warmed
from leakinfer.physics.tightness import standing_loss
from leakinfer.physics.units import (
    ATMOSPHERE,
    TWENTY_CELSIUS,
    celsius_to_kelvin,
    kg_s_to_g_per_year,
    throughput_to_g_per_year,
)
from leakinfer.physics.vacuum import rise_tight_to, rise_verdict

LONGEST_HOURS = 2000.0  # as a hold's reading takes it
HOUR, DAY = 1.0, 24.0  # holds that are usual


@dataclass(frozen=True)
class Verdict:
    """What a reading says.

    ``word``: leaks, tight, cannot_tell, or moisture (of a vacuum). ``g_per_year``: loss of the job's refrigerant,
    standing at ``standing_c``, that the reading means, and ``tight_to_g_per_year`` the most that it leaves open; None
    where the refrigerant has no standing pressure at that temperature. ``matters_g_per_year``: the least that counts.
    ``hours``: how long the hold would have to last to see that; None where it does not apply or is over 2,000 h.
    """

    word: str
    g_per_year: float | None
    tight_to_g_per_year: float | None
    matters_g_per_year: float
    standing_c: float
    hours: float | None = None


def verdict_of(job: Job, finding: Finding, matters_g_per_year: float) -> Verdict | None:
    """The verdict on a finding's reading; None where nothing was read."""
    reading = flow_read(job, finding)
    if reading is None:
        return None
    per_flow = _g_per_year_of_a_flow(job, finding)
    if per_flow is None:
        return Verdict(_shown(reading), None, None, matters_g_per_year, standing_c(finding.condition))
    limit = matters_g_per_year / per_flow
    most = tight_to(*reading)
    if finding.rise is None:
        word: str = verdict(reading.flow, reading.absolute_sd, limit, reading.relative_sd)
    else:
        rise = rise_reading(job, finding, finding.rise)
        word, most = rise_verdict(rise, limit), rise_tight_to(rise)
    return Verdict(
        word,
        per_flow * reading.flow,
        per_flow * most,
        matters_g_per_year,
        standing_c(finding.condition),
        _hours(job, finding, matters_g_per_year),
    )


def standing_c(condition: Condition) -> float:
    """Where the refrigerant gathers in a system at rest: the colder of the two temperatures, C."""
    return min(condition.outdoor_c, condition.indoor_c)


def hold_times(job: Job, plan: HoldPlan, losses: Iterable[float], standing: float) -> list[tuple[float, float | None]]:
    """(g/yr, hours) for each loss, in order; hours None where it is over 2,000. ``plan.hours`` plays no part.

    Raises:
        InputError: a loss that is not above zero, or a refrigerant without a standing pressure there.
    """
    nitrogen, fluid = load_properties().fluid("nitrogen"), load_properties().fluid(job.facts.refrigerant)
    return [(loss, hours_to_see(loss, plan, nitrogen, fluid, standing, LONGEST_HOURS)) for loss in sorted(losses)]


def seen_in(job: Job, plan: HoldPlan, standing: float) -> float:
    """The least loss, g/yr, that a hold of ``plan.hours`` shows."""
    nitrogen, fluid = load_properties().fluid("nitrogen"), load_properties().fluid(job.facts.refrigerant)
    return detectable_loss(plan, nitrogen, fluid, standing)


def _shown(reading: FlowReading) -> str:
    return "leaks" if reading.flow > load_settings().numbers["seen_sds"] * reading.absolute_sd else "cannot_tell"


def _hours(job: Job, finding: Finding, matters_g_per_year: float) -> float | None:
    if finding.hold is None:
        return None
    plan = hold_reading(job, finding, finding.hold)
    return hold_times(job, plan, [matters_g_per_year], standing_c(finding.condition))[0][1]


def _g_per_year_of_a_flow(job: Job, finding: Finding) -> float | None:
    """G/yr of refrigerant, standing, for each Pa m3/s at 20 C of the reading's gas; None without a standing pressure
    above the atmosphere."""
    fluid = load_properties().fluid(job.facts.refrigerant)
    if finding.gathered is not None:
        return throughput_to_g_per_year(1.0, fluid.molar_mass, TWENTY_CELSIUS)
    standing = standing_c(finding.condition)
    kelvin = celsius_to_kelvin(standing)
    try:
        pressure = fluid.dew_pressure(kelvin)
        if pressure <= ATMOSPHERE:
            return None
        if finding.hold is not None:
            plan = hold_reading(job, finding, finding.hold)
            return loss_of_flow(1.0, plan, load_properties().fluid("nitrogen"), fluid, standing)
        air = load_properties().fluid("air")
        through = standing_loss(warmed(standing), air, (ATMOSPHERE, 0.0), fluid, (pressure, ATMOSPHERE), kelvin)
    except InputError:
        return None
    return kg_s_to_g_per_year(through)

"""Three bends that can be put under nitrogen or vacuum, and readings of holds on them. All scenarios are invented."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.circuit.model import WHOLE, Isolation
from leakinfer.job.finding import Finding, Gathered, Hold, Rise
from leakinfer.job.job import Job
from leakinfer.job.tightness import outcome_of

from .small import VALVES, coarse, found, job_on, site, system

SITES = ("one", "two", "three")
SIZES = np.array([1e-7, 1e-6, 1e-5])
TEST_KPA = 1200.0  # below the low side's rating with R-410A, some 1,590 kPa
NITROGEN = Condition("nitrogen", "still", 24.0, 22.0, test_kpa=TEST_KPA)
VACUUM = Condition("vacuum", "still", 24.0, 22.0)
SHROUD = Condition("standing", "still", 24.0, 22.0, shroud=True)
LOW_SIDE = structs.replace(NITROGEN, sections=("suction",))
ISOLATIONS = (
    Isolation("low_side", "low side", ("suction",), "valves", 0.5),
    Isolation("high_side", "high side", ("hot_gas", "liquid_line"), "valves", 0.5),
)


def three_bends(decades: tuple[float, float] = (1e-7, 1e-5), **facts: Any) -> Job:
    """Two bends on the suction line and one on the hot gas, which share nothing; 5 l inside."""
    made = system(
        site("one", "return_bend"),
        site("two", "return_bend"),
        site("three", "return_bend", "hot_gas"),
        isolations=ISOLATIONS,
    )
    return job_on(made, coarse(decades), **{"age_years": 30.0, "volume_l": 5.0, **facts})


def in_words(job: Job, finding: Finding) -> Finding:
    """The finding with the outcome that its reading means."""
    return structs.replace(finding, outcome=outcome_of(job, finding) or finding.outcome)


def held(job: Job, end_kpa: float, condition: Condition = NITROGEN, target: str = WHOLE, **more: Any) -> Finding:
    """A day's hold from 1,200 kPa at 22 C."""
    reading = Hold(**{"start_kpa": TEST_KPA, "end_kpa": end_kpa, "start_c": 22.0, "end_c": 22.0, "hours": 24.0, **more})
    return in_words(job, found("hold_day", target, "held", condition, hold=reading))


def rose(job: Job, end_pa: float, **more: Any) -> Finding:
    """25 minutes of a vacuum that began at 66.7 Pa (500 microns)."""
    reading = Rise(start_pa=66.7, end_pa=end_pa, minutes=25.0, temperature_c=22.0, **more)
    return in_words(job, found("vacuum_hold", WHOLE, "held", VACUUM, rise=reading))


def gathered(job: Job, ppm: float) -> Finding:
    """Half an hour under 60 l of shroud round the valves."""
    reading = Gathered(volume_l=60.0, minutes=30.0, start_ppm=0.0, end_ppm=ppm)
    return in_words(job, found("gather", VALVES, "nothing", SHROUD, gathered=reading))

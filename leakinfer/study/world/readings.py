"""What a true system shows on gauge, meter and scale: holds, a vacuum's rise, gathered gas, a weighed charge.

Each reading is made from the true sum of the flows, or from what is truly missing, with the errors that the physics
takes for the usual instruments. A share of readings says nothing at all, as the physics takes it. A reading that no
circuit can give is not written down: who sees it looks again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from leakinfer.catalogue.model import Method
from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.finding import Finding, Gathered, Hold, Rise, outcome_names
from leakinfer.job.job import Job
from leakinfer.job.loss import weighing_error_g
from leakinfer.job.tightness import gather_plan, hold_plan, inner_volume_l, outcome_of, planned_error, told_apart
from leakinfer.physics.gather import HIGHEST_PPM, GatherReading, gather_error, gather_statistics, gathered_ppm
from leakinfer.physics.hold import (
    HoldPlan,
    HoldReading,
    end_kpa,
    expected_end_kpa,
    hold_errors,
    hold_statistics,
)
from leakinfer.physics.properties import load_properties
from leakinfer.physics.readings import load_settings
from leakinfer.physics.units import ATMOSPHERE, celsius_to_kelvin
from leakinfer.physics.vacuum import RiseReading, rise_pressures
from leakinfer.planner.model import Candidate
from leakinfer.study.world.answers import Answers
from leakinfer.study.world.population import Readings

Array = NDArray[np.float64]
WITHIN = 0.99  # of what a reading may miss at most before it is refused
FULL = 0.998  # of the atmosphere: what is written down of a vacuum that is gone; from 0.999 on a rise is refused
ICE_C = 0.0  # below it water hides as ice, and no rise of a vacuum can be read


@dataclass(frozen=True, eq=False)
class Instruments:
    """Readings of one system. ``usual``: how the technician reads."""

    answers: Answers
    usual: Readings

    def weight(self, job: Job, candidate: Candidate, rng: np.random.Generator) -> Finding:
        """The charge recovered and weighed, kg."""
        method = self.answers.job.catalogue.methods[candidate.method]
        charge_g = job.facts.charge_kg * 1000
        missing = self.answers.nature.missing_g + weighing_error_g(self.answers.job, method.id) * rng.standard_normal()
        if rng.random() < self.answers.job.catalogue.numbers["reading_gross_error"]:
            missing = charge_g * rng.random()
        kg = max(charge_g - missing, 0.0) / 1000
        words = job.weight_outcome(method, kg)
        return Finding(method.id, candidate.target, words, candidate.condition, reading_kg=kg)

    def tightness(self, job: Job, candidate: Candidate, rng: np.random.Generator) -> Finding:
        """A hold, a vacuum's rise or a gathering: its reading, and the words that this means."""
        method = self.answers.job.catalogue.methods[candidate.method]
        flow = self.flow(method, candidate)
        read = self._read(job, method, candidate, flow, rng)
        finding = Finding(method.id, candidate.target, method.silent, candidate.condition, **read)
        words = outcome_of(job, finding) if read else self._words(job, method, candidate, flow, rng)
        return Finding(method.id, candidate.target, words or method.silent, candidate.condition, **read)

    def flow(self, method: Method, candidate: Candidate) -> float:
        """The true sum of all flows that the test takes in, Pa m3/s at 20 C."""
        answers, total = self.answers, 0.0
        for site in answers.leaking(method, candidate.target):
            if method.kind == "gather" and (site.component == ELSEWHERE or answers.hides(method, site)):
                continue
            flows = answers.prior.rates.throughput(site.section, candidate.condition)
            total += float(flows[answers.nature.leaks[site.id]].sum())
        return total

    def _read(
        self, job: Job, method: Method, candidate: Candidate, flow: float, rng: np.random.Generator
    ) -> dict[str, Any]:
        """The reading by the finding's name for it; nothing where none can be taken."""
        if method.kind == "gather":
            gathered = self._gathered(job, method, candidate, flow, rng)
            return {} if gathered is None else {"gathered": gathered}
        if candidate.condition.state != "vacuum":
            return {"hold": self._hold(job, method, candidate, flow, rng)}
        if candidate.condition.outdoor_c < ICE_C:
            return {}
        return {"rise": self._rise(job, method, candidate, flow, rng)}

    def _hold(self, job: Job, method: Method, candidate: Candidate, flow: float, rng: np.random.Generator) -> Hold:
        nitrogen, numbers = load_properties().fluid("nitrogen"), load_settings().numbers
        plan = hold_plan(job, method, candidate.target, candidate.condition)
        errors = hold_errors(plan, nitrogen)
        end_c = plan.start_c + self.usual.hold_change_k * rng.standard_normal()
        gas_c = end_c + plan.temperature_error_k * rng.standard_normal()
        shown = self._hold_flow(plan, flow, rng)
        end = end_kpa(plan, shown, gas_c, nitrogen)
        end += math.hypot(errors.accuracy, errors.weather) * rng.standard_normal()
        end += plan.resolution_kpa * (rng.random() - rng.random())  # a step in each of two readings
        highest = expected_end_kpa(plan, end_c, nitrogen) + WITHIN * numbers["impossible_sds"] * errors.drop
        return Hold(plan.start_kpa, min(max(end, 0.0), highest), plan.start_c, end_c, plan.hours)

    def _hold_flow(self, plan: HoldPlan, flow: float, rng: np.random.Generator) -> float:
        """The flow that the pressures stand for: of a volume and a law that are known with an error, or of nothing."""
        nitrogen, numbers = load_properties().fluid("nitrogen"), load_settings().numbers
        exact = _as_read(plan, flow)
        reading = hold_statistics(exact, nitrogen)
        if rng.random() < numbers["hold_gross_error"]:
            emptied = hold_statistics(_as_read(plan, math.inf), nitrogen).flow
            return _anywhere(reading.absolute_sd, emptied, -numbers["impossible_sds"], rng)
        return max(flow * (1 + reading.relative_sd * rng.standard_normal()), 0.0)

    def _rise(self, job: Job, method: Method, candidate: Candidate, flow: float, rng: np.random.Generator) -> Rise:
        settings = load_settings()
        numbers, grids = settings.numbers, settings.grids
        start, minutes = job.catalogue.numbers["vacuum_start_pa"], method.minutes + method.wait_minutes
        middle, celsius = self.usual.middle_share * minutes, candidate.condition.outdoor_c
        plan = RiseReading(
            start_pa=start,
            end_pa=start,
            minutes=minutes,
            temperature_c=celsius,
            volume_l=inner_volume_l(job, candidate.target),
            middle_pa=start if 0 < middle < minutes else None,
            middle_minutes=middle if 0 < middle < minutes else None,
        )
        plateau, constant = 0.0, 1.0
        if rng.random() < numbers["moisture_weight"]:
            water = load_properties().water_vapour_pressure(celsius_to_kelvin(celsius))
            plateau, constant = water * rng.choice(grids["moisture_plateaus"]), rng.choice(grids["moisture_minutes"])
        shown = _gauge(plan, rise_pressures(plan, np.array(flow), plateau, constant), rng)
        if rng.random() < numbers["rise_gross_error"]:
            shown = np.exp(rng.uniform(math.log(start), math.log(ATMOSPHERE), shown.size))
        told = [float(min(max(pa, _least(start)), FULL * ATMOSPHERE)) for pa in shown]
        between = (told[0], plan.middle_minutes) if len(told) > 1 else (None, None)
        return Rise(start, told[-1], minutes, celsius, *between)

    def _gathered(
        self, job: Job, method: Method, candidate: Candidate, flow: float, rng: np.random.Generator
    ) -> Gathered | None:
        """None where so much gas gathers that it is no test any more."""
        numbers, room = load_settings().numbers, self.usual.room_ppm
        plan = gather_plan(job, method.minutes + method.wait_minutes, candidate.condition)
        ppm = float(gathered_ppm(plan, 1.0))
        read = GatherReading(**structs.asdict(plan), start_ppm=room, end_ppm=room)
        shown = flow * (1 + gather_statistics(read).relative_sd * rng.standard_normal())
        if rng.random() < numbers["gather_gross_error"]:
            shown = _anywhere(gather_error(plan), HIGHEST_PPM / ppm, -numbers["impossible_sds"], rng)
        end = room + ppm * shown + plan.resolution_ppm * (rng.random() - rng.random())
        if end > HIGHEST_PPM:
            return None
        return Gathered(plan.volume_l, plan.minutes, room, max(end, 0.0))

    def _words(self, job: Job, method: Method, candidate: Candidate, flow: float, rng: np.random.Generator) -> str:
        """The outcome in words where no numbers can be read."""
        planned = planned_error(job, method, candidate.target, candidate.condition)
        shows = told_apart(planned, np.array([flow]), planned.other)[0, 1]
        return outcome_names(method)[int(rng.random() < shows)]


def _as_read(plan: HoldPlan, flow: float) -> HoldReading:
    """The reading of a flow without any error, at the start's temperature."""
    nitrogen = load_properties().fluid("nitrogen")
    end = end_kpa(plan, flow, plan.start_c, nitrogen)
    return HoldReading(**structs.asdict(plan), end_kpa=end, end_c=plan.start_c)


def _anywhere(error: float, widest: float, least_sds: float, rng: np.random.Generator) -> float:
    """A flow that says nothing: even within the error, beyond it even in the logarithm up to the widest, on either
    side; but none so far below zero that it would be refused."""
    beyond = math.log(max(widest, error) / error)
    while True:
        lot = (1 + beyond) * rng.random()
        flow = float(error * (lot if lot < 1 else math.exp(lot - 1)) * rng.choice((-1.0, 1.0)))
        if flow > WITHIN * least_sds * error:
            return flow


def _gauge(plan: RiseReading, pressures: Array, rng: np.random.Generator) -> Array:
    """(readings,): what the gauge shows of true pressures, Pa. Each reading has an error of its own; all share the
    start's, what settles, and the calibration, which stretches the rise."""
    numbers = load_settings().numbers
    own = _own_sd(pressures) * rng.standard_normal(pressures.size)
    shared = _own_sd(np.array(plan.start_pa)) * rng.standard_normal()
    shared += numbers["vacuum_settling_pa"] * rng.standard_normal()
    stretch = numbers["vacuum_calibration_error"] * rng.standard_normal()
    return np.asarray(pressures + own + shared + stretch * (pressures - plan.start_pa))


def _own_sd(pressures: Array) -> Array:
    """Pa of error that each reading has of its own, same shape."""
    numbers = load_settings().numbers
    return np.asarray(np.hypot(numbers["vacuum_repeatability"] * pressures, numbers["vacuum_resolution_pa"]))


def _least(start_pa: float) -> float:
    """Pa below which a pressure would have fallen after the pump was shut off, and is looked at again."""
    numbers = load_settings().numbers
    sd = math.hypot(numbers["vacuum_settling_pa"], math.sqrt(2) * float(_own_sd(np.array(start_pa))))
    return start_pa - WITHIN * numbers["impossible_sds"] * sd

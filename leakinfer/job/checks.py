"""Refuses findings and returns that cannot be: unknown names, impossible conditions, readings against physics."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import structs

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import Condition, check_condition, condition_numbers, pressure_pa
from leakinfer.errors import InputError
from leakinfer.job.facts import Facts
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.later import Return
from leakinfer.job.tightness import check_readings
from leakinfer.physics.properties import load_properties
from leakinfer.reading import checked, known

if TYPE_CHECKING:
    from leakinfer.job.job import Job


def check_finding(job: Job, finding: Finding, where: str) -> None:
    """Refuse a finding that names something unknown or cannot have been made."""
    methods = job.catalogue.methods
    method = methods[known(finding.method, methods, what="method", where=f"{where}: method")]
    known(finding.target, job.targets(method), what=f"target of {method.id}", where=f"{where}: target")
    known(finding.outcome, outcome_names(method), what=f"outcome of {method.id}", where=f"{where}: outcome")
    known(finding.condition.state, method.states, what=f"state for {method.id}", where=f"{where}: condition")
    causes = [cause.id for cause in method.false_causes]
    for cause in finding.false_causes:
        known(cause, causes, what=f"false cause of {method.id}", where=f"{where}: false_causes")
    _check_condition(job, finding.condition, f"{where}: condition")
    if method.kind == "exposure" and not job.scope(method, finding.target):
        raise InputError(f"what {finding.target} touches is not fitted", where=f"{where}: target")
    hindrance = (job.never if finding.earlier else job.hindrance)(method, finding.target)
    if hindrance:
        raise InputError(f"{method.id} of {finding.target} cannot be made: {hindrance}", where=where)
    _check_pressures(job, method, finding, f"{where}: condition")
    _check_circumstance(job, method, finding, where)
    _check_weight(job, method, finding, where)
    check_readings(job, method, finding, where)


def check_return(job: Job, later: Return, where: str) -> None:
    """Refuse a return with a loss that cannot be told apart from what was missing before."""
    if later.missing_kg is None:
        return
    if not later.recharged:
        what = "a loss since the last visit, whose charge was not put right"
        raise InputError(what, where=f"{where}: missing_kg", allowed="a loss since the charge was last right")
    if later.missing_kg > 1.2 * job.facts.charge_kg:
        what = f"{later.missing_kg:g} kg missing from a charge of {job.facts.charge_kg:g} kg"
        raise InputError(what, where=f"{where}: missing_kg", allowed=f"0 to {job.facts.charge_kg:g} kg")


def _check_condition(job: Job, condition: Condition, where: str) -> None:
    """Temperatures and pressures within what facts may say, and below every rating."""
    given = {name: getattr(condition, name) for name in ("state", "air", "outdoor_c", "indoor_c", "test_kpa")}
    checked({**structs.asdict(job.facts), **given, "loss": None}, Facts, where=where)
    check_condition(condition, job.system, where)
    job.check_rating(condition, where)


def _check_pressures(job: Job, method: Method, finding: Finding, where: str) -> None:
    """What is behind the walls that a test looks at must be told where it cannot be estimated."""
    if method.any_state or method.kind == "total":
        return
    fluid, numbers = load_properties().fluid(job.facts.refrigerant), condition_numbers()
    met = {site.section for site in job.scope(method, finding.target)}
    for section in job.system.sections:
        if section.id not in met:
            continue
        try:
            pressure_pa(section, finding.condition, fluid, numbers)
        except InputError as caught:
            raise InputError(f"{section.name}: {caught.what}", where=where, allowed=caught.allowed) from caught


def _check_circumstance(job: Job, method: Method, finding: Finding, where: str) -> None:
    if method.kind == "exposure" and finding.target in job.facts.circumstances:
        there = "is" if job.facts.circumstances[finding.target] else "is not"
        what = f"it is a fact of this job that {finding.target} {there} there"
        raise InputError(what, where=f"{where}: target", allowed="change the fact instead")


def _check_weight(job: Job, method: Method, finding: Finding, where: str) -> None:
    if finding.reading_kg is None:
        return
    if method.kind != "total":
        raise InputError(f"{method.id} has no weight", where=f"{where}: reading_kg", allowed="a method that weighs")
    most = 1.5 * job.facts.charge_kg
    if finding.reading_kg > most:
        what = f"{finding.reading_kg:g} kg weighed, the charge is {job.facts.charge_kg:g} kg"
        raise InputError(what, where=f"{where}: reading_kg", allowed=f"0 to {most:g} kg, or change the fact charge_kg")
    fits = job.weight_outcome(method, finding.reading_kg)
    if finding.outcome != fits:
        what = f"{finding.reading_kg:g} kg of {job.facts.charge_kg:g} kg is '{fits}', not '{finding.outcome}'"
        raise InputError(what, where=f"{where}: outcome", allowed=fits)

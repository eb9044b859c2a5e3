"""The condition of a test: as the job stands now, or as a person says otherwise."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import structs

from leakinfer.catalogue.model import Method
from leakinfer.circuit.conditions import SHUT_IN, Condition
from leakinfer.circuit.model import WHOLE
from leakinfer.errors import InputError
from leakinfer.job.job import Job
from leakinfer.reading import known
from leakinfer.session.given import celsius, kpa


def condition_of(job: Job, method: Method, target: str, given: Mapping[str, Any], start_kpa: float | None) -> Condition:
    """The present condition with what the options say otherwise; ``start_kpa``: where a hold began.

    A method that is made in one state only is taken to have been made in it.
    """
    state = given["state"] or (method.states[0] if len(method.states) == 1 else job.facts.state)
    heating = None if given["heating"] is None else given["heating"] == "yes"
    condition = job.condition(state, heating=heating)
    changes: dict[str, Any] = {"shroud": given["shroud"]}
    changes |= {"air": given["air"]} if given["air"] else {}
    for name in ("outdoor", "indoor"):
        if given[name] is not None:
            changes[f"{name}_c"] = celsius(given[name], f"--{name}")
    for name, field in (("high", "high_kpa"), ("low", "low_kpa"), ("test_pressure", "test_kpa")):
        if given[name] is not None:
            changes[field] = kpa(given[name], f"--{name.replace('_', '-')}")
    if start_kpa is not None:
        changes["test_kpa"] = _one_start(start_kpa, changes.get("test_kpa"))
    if heating is not None:
        changes["heating"] = heating  # told of a state that cannot heat it is refused later, not dropped
    condition = structs.replace(condition, **changes)
    return structs.replace(condition, sections=_sections(job, method, target, condition, given["isolated"]))


def _one_start(start_kpa: float, told_kpa: float | None) -> float:
    if told_kpa is not None and abs(told_kpa - start_kpa) > 1e-6:
        what = f"{told_kpa:g} kPa, the hold began at {start_kpa:g} kPa"
        raise InputError(what, where="--test-pressure", allowed="left out: --start says it")
    return start_kpa


def _sections(job: Job, method: Method, target: str, condition: Condition, told: str | None) -> tuple[str, ...]:
    """What test gas or vacuum was shut into: of a hold its target; else what was told, or as now."""
    if told is not None:
        known(told, (WHOLE, *(part.id for part in job.system.isolations)), what="isolation", where="--isolated")
        if condition.state not in SHUT_IN:
            what = f"something was shut off, the state was {condition.state}"
            raise InputError(what, where="--isolated", allowed=f"left out, or --state {'|'.join(SHUT_IN)}")
    if method.kind != "hold":
        return condition.sections if told is None else job.sections_of(told)
    shut_in = target if told is None and target != WHOLE else told or job.facts.test_isolation or WHOLE
    if condition.state != job.facts.state and told is None:
        shut_in = target
    if shut_in != target:
        what = f"the hold is of {target}, the gas or vacuum is in {shut_in}"
        raise InputError(what, where="record: target", allowed=shut_in)
    return job.sections_of(target)

"""Answers as plain data, for ``--json``."""

from __future__ import annotations

import json
from typing import Any

import click
from msgspec import to_builtins

from leakinfer.circuit.model import Site
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.job.why import Explanation
from leakinfer.planner.model import Ask, Minutes, Plan, Ranked, Stop
from leakinfer.words.job import surprising


def print_json(answer: dict[str, Any]) -> None:
    """Print one object; text as it is, numbers finite."""
    click.echo(json.dumps(answer, ensure_ascii=False, allow_nan=False))


def belief_answer(belief: Belief) -> dict[str, Any]:
    """What is believed of the job, its sites and repair units. Probabilities 0 to 1, rates in g/yr."""
    return {
        "exact": belief.exact,
        "effective_sample_size": belief.posterior.effective_sample_size,
        "log_evidence": float(belief.posterior.log_evidence),
        "any_leak": float(belief.any_leak),
        "any_leak_that_matters": float(belief.any_that_matters()),
        "not_a_leak": float(belief.not_a_leak),
        "matters_g_per_year": float(belief.rates.matters_g_per_year),
        "confirmed": list(belief.confirmed()),
        "sites": [_site(belief, site) for site in belief.job.sites],
        "units": _units(belief),
    }


def _site(belief: Belief, site: Site) -> dict[str, Any]:
    return {
        "site": site.id,
        "name": site.name,
        "unit": site.unit,
        "place": site.place,
        "leak_probability": float(belief.leak_probability[site.id]),
        "matters_probability": float(belief.matters_probability[site.id]),
        "expected_g_per_year": float(belief.expected_g_per_year[site.id]),
    }


def _units(belief: Belief) -> list[dict[str, Any]]:
    names = {unit.id: unit.name for unit in belief.job.system.units}
    return [
        {"unit": unit, "name": names[unit], "matters_probability": float(chance)}
        for unit, chance in belief.unit_probability.items()
    ]


def minutes_answer(minutes: Minutes) -> dict[str, float]:
    """What the minutes are made of."""
    names = ("test", "travel", "opening", "state", "aids", "waiting")
    return {name: float(getattr(minutes, name)) for name in names}


def ranked_answer(ranked: Ranked) -> dict[str, Any]:
    """A possible test with its worth."""
    return {
        "method": ranked.candidate.method,
        "target": ranked.candidate.target,
        "condition": to_builtins(ranked.candidate.condition),
        "place": ranked.candidate.place,
        "cost": float(ranked.cost),
        "bits": float(ranked.bits),
        "minutes": float(ranked.minutes.total),
        "minutes_detail": minutes_answer(ranked.minutes),
        "bits_per_minute": float(ranked.bits_per_minute),
        "outcomes": {name: float(chance) for name, chance in ranked.outcomes.items()},
        "reason": ranked.reason,
        "how": ranked.how,
        "spoils": ranked.spoils,
        "cautions": list(ranked.cautions),
        "repeat": ranked.repeat,
        "perishable": ranked.perishable,
        "steps": [
            {"setup": step.id, "name": step.name, "minutes": step.minutes, "wait_minutes": step.wait_minutes}
            for step in ranked.steps
        ],
    }


def ask_answer(ask: Ask | None) -> dict[str, Any] | None:
    """Work to ask the customer for."""
    if ask is None:
        return None
    return {"tier": ask.tier, "saves_minutes": float(ask.saves), "first": ranked_answer(ask.first)}


def stop_answer(stop: Stop) -> dict[str, Any]:
    """The word on stopping."""
    return {
        "stop": stop.stop,
        "reason": stop.reason,
        "confirmed": list(stop.confirmed),
        "another": float(stop.another),
        "expected_g_per_year": float(stop.expected_g_per_year),
        "observed_g_per_year": None if stop.observed_g_per_year is None else float(stop.observed_g_per_year),
        "explained_g_per_year": float(stop.explained_g_per_year),
        "at_stake_minutes": float(stop.at_stake),
        "worth_minutes": float(stop.worth),
        "cheapest": None if stop.cheapest is None else ranked_answer(stop.cheapest),
        "likely": list(stop.likely),
        "doubtful": list(stop.doubtful),
        "prove": None if stop.prove is None else ranked_answer(stop.prove),
    }


def plan_answer(belief: Belief, plan: Plan, top: int | None) -> dict[str, Any]:
    """The whole answer of ``next``; ``top`` cuts the list of tests."""
    return {
        **belief_answer(belief),
        "objective": plan.objective,
        "next": [ranked_answer(ranked) for ranked in plan.next[:top]],
        "not_allowed": [to_builtins(refused) for refused in plan.not_allowed],
        "stop": stop_answer(plan.stop),
        "ask": ask_answer(plan.ask),
        "notes": list(plan.notes),
        "meanwhile": None if plan.meanwhile is None else ranked_answer(plan.meanwhile),
        "surprise": last_surprise(belief.job),
    }


def surprise_answer(found: tuple[float, str] | None) -> dict[str, Any] | None:
    """A surprise: the chance that the finding was given, and what could explain it."""
    return None if found is None else {"chance": found[0], "words": found[1]}


def last_surprise(job: Job) -> dict[str, Any] | None:
    """Whether the last finding was a surprise; what happened since then makes that an old story."""
    moments = [done.after for done in job.repairs] + [later.after for later in job.returns]
    if not job.findings or max(moments, default=-1) >= len(job.findings):
        return None
    return surprise_answer(surprising(before_last(job), job.findings[-1]))


def before_last(job: Job) -> Job:
    """The job without its last finding."""
    from dataclasses import replace

    return replace(job, findings=job.findings[:-1])


def why_answer(explanation: Explanation) -> dict[str, Any]:
    """The story of a site."""
    data: dict[str, Any] = to_builtins(explanation)
    return data

"""``holdtime``: how long test gas must be held to see a loss, with this gauge in this volume."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click
from msgspec import structs

from leakinfer.circuit.conditions import UNDER_TEST_GAS
from leakinfer.circuit.model import WHOLE
from leakinfer.cli.answer import print_json
from leakinfer.cli.options import chosen_units, job_argument, json_option
from leakinfer.cli.screen import heading, pairs, table, wrapped
from leakinfer.errors import InputError
from leakinfer.job.job import Job
from leakinfer.job.rates import Rates
from leakinfer.job.tightness import inner_volume_l
from leakinfer.job.verdicts import DAY, HOUR, LONGEST_HOURS, hold_times, seen_in, standing_c
from leakinfer.physics.hold import HoldPlan, check_plan, usual_plan
from leakinfer.physics.units import kg_s_to_g_per_year, ounce_per_year_to_g_per_year, parse_quantity
from leakinfer.planner.candidates import planned_kpa
from leakinfer.reading import known
from leakinfer.session.given import celsius, kpa, litres
from leakinfer.session.jobfile import opened
from leakinfer.words.job import time_words
from leakinfer.words.units import Units

LOSSES = (5.0, 15.0, 50.0, 150.0, 500.0)  # g/yr; a spread over what the trade meets
OUNCES = (0.2, 0.5, 2.0, 5.0, 20.0)  # oz/yr; the same for those who read in ounces


@click.command("holdtime")
@job_argument
@click.option("--see", multiple=True, metavar="RATE", help="A loss to see, as '5 g/yr' or '1 oz/yr'.")
@click.option("--isolated", default=WHOLE, metavar="PART", help="Only a part that can be shut off.")
@click.option("--pressure", metavar="PRESSURE", help="Of the test gas; without it now's, or what the rating allows.")
@click.option("--temp", metavar="TEMPERATURE", help="Of the gas at the start; without it the outdoor one.")
@click.option("--volume", metavar="VOLUME", help="Inside what is held, as '7 l'; without it by the charge.")
@click.option("--resolution", metavar="PRESSURE", help="Smallest step of the gauge, if not the usual one.")
@click.option("--accuracy", metavar="PRESSURE", help="How well the gauge repeats, if not as usual.")
@json_option
def holdtime(path: Path, priors: Path | None, see: tuple[str, ...], as_json: bool, **given: Any) -> None:
    """How long a hold of JOB must last to see a loss, corrected for temperature, against the gauge's own errors."""
    with opened(path, priors) as held:
        job = held.job
    plan = plan_of(job, given)
    standing = standing_c(job.condition())
    matters = Rates(job.system, job.facts, job.catalogue).matters_g_per_year
    asked = [_loss(text) for text in see]
    units = chosen_units()
    ounces = units.mass == "oz" and not as_json
    usual = [ounce_per_year_to_g_per_year(loss) for loss in OUNCES] if ounces else LOSSES
    times = hold_times(job, plan, {*(asked or usual), matters}, standing)
    seen = [(hours, seen_in(job, structs.replace(plan, hours=hours), standing)) for hours in (HOUR, DAY)]
    if as_json:
        print_json(_answer(job, plan, given["isolated"], (standing, matters), times, seen))
        return
    click.echo(_page(job, plan, given["isolated"], (standing, matters), times, seen, units))


def _loss(text: str) -> float:
    grams = kg_s_to_g_per_year(parse_quantity(text, "mass_rate", "--see"))
    if grams <= 0:
        raise InputError(f"'{text}' is no loss", where="--see", allowed="above 0 g/yr")
    return float(f"{grams:.9g}")


def plan_of(job: Job, given: Mapping[str, Any]) -> HoldPlan:
    """The hold that the options tell; its duration is open.

    Raises:
        InputError: an unknown part, a pressure above the rating, or a gauge that cannot be.
    """
    part = known(given["isolated"], job.targets(job.catalogue.methods["hold_hour"]), what="part", where="--isolated")
    start = _pressure(job, part, given["pressure"])
    start_c = job.facts.outdoor_c if given["temp"] is None else celsius(given["temp"], "--temp")
    volume = inner_volume_l(job, part) if given["volume"] is None else litres(given["volume"], "--volume")
    plan = usual_plan(start, start_c, HOUR, volume)
    told = {f"{name}_kpa": kpa(given[name], f"--{name}") for name in ("resolution", "accuracy") if given[name]}
    plan = structs.replace(plan, **told)
    check_plan(plan, "holdtime")
    return plan


def _pressure(job: Job, part: str, told: str | None) -> float:
    """KPa gauge: told, or what is in now, or the lowest rating, rounded down."""
    now = job.facts
    if told is not None:
        start = kpa(told, "--pressure")
    elif now.state in UNDER_TEST_GAS and (now.test_isolation or WHOLE) == part:
        start = now.test_kpa
    else:
        start = planned_kpa(job, job.sections_of(part))
    if start > 0:
        gas = structs.replace(job.condition("nitrogen"), test_kpa=start, sections=job.sections_of(part))
        job.check_rating(gas, "--pressure")
    return start


def _answer(
    job: Job,
    plan: HoldPlan,
    part: str,
    limits: tuple[float, float],
    times: list[tuple[float, float | None]],
    seen: list[tuple[float, float]],
) -> dict[str, Any]:
    return {
        "isolated": part,
        "refrigerant": job.facts.refrigerant,
        "pressure_kpa": plan.start_kpa,
        "temperature_c": plan.start_c,
        "standing_c": limits[0],
        "volume_l": plan.volume_l,
        "resolution_kpa": plan.resolution_kpa,
        "accuracy_kpa": plan.accuracy_kpa,
        "matters_g_per_year": float(limits[1]),
        "longest_hours": LONGEST_HOURS,
        "losses": [{"g_per_year": float(loss), "hours": hours} for loss, hours in times],
        "sees": [{"hours": hours, "g_per_year": float(loss)} for hours, loss in seen],
    }


def _page(
    job: Job,
    plan: HoldPlan,
    part: str,
    limits: tuple[float, float],
    times: list[tuple[float, float | None]],
    seen: list[tuple[float, float]],
    units: Units,
) -> str:
    steps, repeats = map(units.difference_words, (plan.resolution_kpa, plan.accuracy_kpa))
    gauge = f"steps of {steps}, repeats to {repeats}"
    what = [
        ("held", f"{job.target_name(part)}, {plan.volume_l:.3g} l at {units.pressure_words(plan.start_kpa)}"),
        ("gauge", f"{gauge}, gas temperature known to {plan.temperature_error_k:.3g} K"),
        ("loss", f"of {job.facts.refrigerant} at rest at {units.temperature_words(limits[0])}"),
    ]
    rows = [
        (
            f"{units.rate_words(loss)}{', the least that matters' if loss == limits[1] else ''}",
            f"over {time_words(LONGEST_HOURS)}" if hours is None else time_words(hours),
        )
        for loss, hours in times
    ]
    sees = ", ".join(f"{time_words(hours)} shows {units.rate_words(loss)} or more" for hours, loss in seen)
    return "\n".join(
        [
            heading("How long to hold"),
            pairs(what),
            "",
            table(["to see", "hold for"], rows, fixed=(0, 1)),
            wrapped(f"{sees[0].upper()}{sees[1:]}.", first="\n  "),
            wrapped(
                "Quicker: a smaller part (--isolated), a finer gauge, steady warmth. Pressure up to the rating only."
            ),
        ]
    )

"""``stop``: end here or go on; what is confirmed, what it explains, what is left, and what to do about it."""

from __future__ import annotations

import shlex
from datetime import date
from pathlib import Path
from typing import Any

import click

from leakinfer.cli.answer import ask_answer, print_json, stop_answer
from leakinfer.cli.options import chosen_units, job_argument, json_option
from leakinfer.cli.screen import bullets, heading, pairs, wrapped
from leakinfer.job.belief import Belief
from leakinfer.planner.model import Plan, Stop
from leakinfer.planner.plan import dearer_work, make_plan
from leakinfer.session.ending import Ending, ending, entries_of
from leakinfer.session.given import day_of
from leakinfer.session.jobfile import opened
from leakinfer.words.job import part_words, test_words
from leakinfer.words.numbers import minutes as minutes_words
from leakinfer.words.numbers import percent
from leakinfer.words.plan import DEARER, ask_words
from leakinfer.words.units import Units


@click.command("stop")
@job_argument
@click.option("--today", metavar="DAY", help="If not today.")
@json_option
def stop(path: Path, priors: Path | None, today: str | None, as_json: bool) -> None:
    """End JOB here or go on: what is confirmed and explained, what is left, and what to do about it."""
    day = date.today() if today is None else day_of(today, "--today")
    with opened(path, priors) as held:
        belief = Belief(held.job)
        plan = dearer_work(belief, make_plan(belief))
    end = ending(belief, plan.stop, day)
    if as_json:
        print_json(_answer(belief, plan, end))
        return
    click.echo(_page(belief, plan, end, str(path), chosen_units()))


def _answer(belief: Belief, plan: Plan, end: Ending) -> dict[str, Any]:
    job = belief.job
    return {
        **stop_answer(plan.stop),
        "decision": end.word,
        "repair": [{"site": site, "verify": [entry.verify for entry in entries_of(job, site)]} for site in end.repair],
        "replace": list(end.replace),
        "prove_first": list(end.prove),
        "repair_unproved": list(end.unproved),
        "watch_until": None if end.watch_until is None else end.watch_until.isoformat(),
        "unexplained_g_per_year": end.unexplained_g_per_year,
        "ask": ask_answer(plan.ask),
        "rules": [list(command) for command in rules_commands(belief)],
    }


def rules_commands(belief: Belief) -> list[tuple[str, ...]]:
    """Commands that tell what the rules say of this system."""
    facts = belief.job.facts
    system = ("--refrigerant", facts.refrigerant, "--charge", f"{facts.charge_kg:.6g}kg")
    return [("leakinfer", "rules", where, *system) for where in ("us", "eu")]


def _page(belief: Belief, plan: Plan, end: Ending, path: str, units: Units) -> str:
    stop = plan.stop
    parts = [heading("Stop or go on"), pairs(_word_rows(stop, end))]
    parts += [heading("Found"), pairs(_found_rows(belief, stop, end, units))]
    parts += [heading("What it is worth"), pairs(_worth_rows(belief, plan))]
    parts += [heading("If you end here"), pairs(_do_rows(belief, end, path))]
    verify = dict.fromkeys(entry.verify for site in end.repair for entry in entries_of(belief.job, site))
    parts += ["\n  After the repair, prove it:", bullets(verify, "-")] if verify else []
    parts.append(wrapped(f"Rules by country: {shlex.join(rules_commands(belief)[0])}, or 'eu'.", first="\n  "))
    return "\n".join(parts)


def _word_rows(stop: Stop, end: Ending) -> list[tuple[str, str]]:
    return [(end.word, stop.reason)]


def _found_rows(belief: Belief, stop: Stop, end: Ending, units: Units) -> list[tuple[str, str]]:
    job = belief.job
    rows = [("confirmed", _site_line(belief, site, units)) for site in stop.confirmed]
    rows += [
        ("likely here", f"{part_words(job, unit)}, {percent(belief.unit_probability[unit])}") for unit in stop.likely
    ]
    rows = rows or [("confirmed", "none")]
    if stop.observed_g_per_year is not None and not stop.confirmed:
        rows.append(("loss seen", f"about {units.rate_words(stop.observed_g_per_year)}, none of it explained"))
    if stop.observed_g_per_year is not None and end.unexplained_g_per_year is not None and stop.confirmed:
        seen, explained = stop.observed_g_per_year, stop.explained_g_per_year
        share = f", {percent(min(1.0, explained / seen))}" if seen > 0 else ""
        rows.append(("explained", f"about {units.rate_words(explained)} of the {units.rate_words(seen)} lost{share}"))
        rows.append(("unexplained", f"about {units.rate_words(end.unexplained_g_per_year)}"))
    another = "another leak that matters" if stop.confirmed or stop.likely else "a leak that matters"
    expected = f"about {units.rate_words(stop.expected_g_per_year)} expected"
    rows.append(("remaining", f"{percent(stop.another)} for {another}, {expected}"))
    return rows


def _site_line(belief: Belief, site: str, units: Units) -> str:
    return f"{belief.job.target_name(site)} ({site}), about {units.rate_words(belief.expected_g_per_year[site])}"


def _worth_rows(belief: Belief, plan: Plan) -> list[tuple[str, str]]:
    """Minutes at stake and to be saved; the price of an ending that is wrong is counted as minutes of work."""
    stop = plan.stop
    rows = [("ending now", f"a missed leak or a repair in vain counts as {minutes_words(stop.at_stake)} on average")]
    saves = f"saves {minutes_words(stop.worth)} of that, its own time counted" if stop.worth > 0 else "saves nothing"
    rows.append(("going on", saves))
    for name, test in (("prove it by", stop.prove), ("to know more", stop.cheapest)):
        if test is not None:
            words = test_words(belief.job, test.candidate.method, test.candidate.target)
            rows.append((name, f"{words}, {minutes_words(test.minutes.total)}"))
    return rows + ([("ask", ask_words(belief.job, plan.ask))] if plan.ask else [])


def _do_rows(belief: Belief, end: Ending, path: str) -> list[tuple[str, str]]:
    job, file = belief.job, shlex.quote(path)
    rows = [("repair", f"{job.target_name(site)}: leakinfer notes {file} {site}") for site in end.repair]
    for unit in end.replace:
        rows.append(("replace the unit", f"{part_words(job, unit)}: likely, and its places cannot be told apart"))
    rows += [("prove first", f"{part_words(job, unit)}, then repair") for unit in end.prove]
    for unit in end.unproved:
        rows.append(("repair too", f"{part_words(job, unit)}, {percent(belief.unit_probability[unit])}: {DEARER}"))
    if end.watch_until is not None:
        what = "weigh or look again by then; what is left would show"
        rows.append(("watch until", f"{end.watch_until.isoformat()}: {what}"))
    rows.append(("before you go", "hoses off, your own ports checked, caps on, places you opened closed"))
    return rows

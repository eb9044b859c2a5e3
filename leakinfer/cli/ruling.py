"""``rules``: what texts of law on leak rates and leak checks say of an appliance, each with its date to verify."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any, get_args

import click
from msgspec import to_builtins

from leakinfer.cli.answer import print_json
from leakinfer.cli.options import json_option, word_option
from leakinfer.cli.screen import bullets, heading, pairs, wrapped
from leakinfer.errors import InputError
from leakinfer.physics.units import parse_quantity
from leakinfer.reading import known
from leakinfer.rules.book import amount
from leakinfer.rules.european_union import LeakChecks, leak_checks
from leakinfer.rules.history import Addition, History, Kind, Removal, Why
from leakinfer.rules.rates import Rate
from leakinfer.rules.united_states import LeakRepair, leak_repair
from leakinfer.session.given import dated_mass, day_of
from leakinfer.words.numbers import percent

KINDS: tuple[Kind, ...] = get_args(Kind)
REASONS: tuple[Why, ...] = get_args(Why)
OF_ONE_RULE = "before the rule applied"  # a word on the rate that belongs to one of the rules
METHODS = {"annualizing": "annualizing", "rolling": "rolling average"}


@click.group("rules", invoke_without_command=True)
@click.pass_context
def rules(context: click.Context) -> None:
    """What the rules on leak rates (us) and leak checks (eu) say. No legal advice: read the text in force."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def _dated(text: str, where: str) -> tuple[date, float, str]:
    """``2025-03-01=10 lb`` or ``2025-03-01=10 lb,retrofit`` as day, kg and the word behind the comma."""
    mass, _, word = text.partition(",")
    return *dated_mass(mass, where), word.strip()


def _mass(option: str) -> Callable[[click.Context, click.Parameter, str], float]:
    return lambda _, __, text: parse_quantity(text, "mass", option)


@rules.command("us")
@click.option("--refrigerant", required=True, metavar="R", help="As R-404A.")
@click.option("--charge", required=True, callback=_mass("--charge"), metavar="MASS", help="Full charge, as '100 lb'.")
@word_option("--kind", KINDS, "What kind of appliance.", KINDS[0])
@click.option("--add", multiple=True, metavar="DAY=MASS[,WHY]", help=f"Put in; WHY: {', '.join(REASONS)}.")
@click.option("--remove", multiple=True, metavar="DAY=MASS", help="Taken out because of the season.")
@click.option("--commissioned", metavar="DAY", help="First day in service.")
@click.option("--verified", metavar="DAY", help="Last follow-up verification test that was passed.")
@word_option("--method", tuple(METHODS), "How the rate is worked out, the same in all of a facility.", "annualizing")
@click.option("--on", metavar="DAY", help="Day of the addition to work out; without it the last one that counts.")
@click.option("--today", metavar="DAY", help="If not today.")
@json_option
def us(refrigerant: str, charge: float, kind: Kind, as_json: bool, **given: Any) -> None:
    """Leak rate of an appliance and what 40 CFR 82.157 and 84.106 say of it."""
    history = History(
        refrigerant=refrigerant,
        kind=kind,
        full_charge_kg=charge,
        today=_day(given, "today") or date.today(),
        additions=tuple(_addition(text) for text in given["add"]),
        removals=tuple(_removal(text) for text in given["remove"]),
        commissioned=_day(given, "commissioned"),
        verified=_day(given, "verified"),
    )
    method: Any = METHODS[given["method"]]
    found = leak_repair(history, method, _day(given, "on"))
    if as_json:
        print_json({"rules": [to_builtins(rule) for rule in found]})
        return
    click.echo(heading("Leak rate"))
    click.echo(pairs(_rate_rows(found[0].rate)))
    for rule in found:
        click.echo(_us_page(rule))


def _day(given: dict[str, Any], name: str) -> date | None:
    return None if given[name] is None else day_of(given[name], f"--{name}")


def _addition(text: str) -> Addition:
    day, kg, why = _dated(text, "--add")
    reason: Any = known(why, REASONS, what="reason", where="--add") if why else REASONS[0]
    return Addition(day, kg, reason)


def _removal(text: str) -> Removal:
    day, kg, word = _dated(text, "--remove")
    if word:
        raise InputError(f"'{word}' behind the mass", where="--remove", allowed="day=mass")
    return Removal(day, kg)


def _rate_rows(rate: Rate) -> list[tuple[str, str]]:
    rows = [("rate", f"{rate.percent:.3g} % of the full charge a year, by {rate.method}")]
    rows.append(("from", f"{amount(rate.kg)} over {rate.days} days, at {rate.day}"))
    return rows + [("note", words) for words in rate.assumed if OF_ONE_RULE not in words]


def _us_page(rule: LeakRepair) -> str:
    parts = [heading(f"{rule.title}"), pairs([("covered" if rule.applies else "not covered", rule.because)])]
    if rule.limit_percent is not None:
        word = "above" if rule.exceeded else "not above"
        limit = percent(rule.limit_percent / 100)
        parts.append(pairs([("limit", f"{word} {limit} of the full charge a year")]))
    parts += [bullets(rule.follows, "-")] if rule.follows else []
    parts += [bullets([words for words in rule.rate.assumed if OF_ONE_RULE in words], "note")]
    return "\n".join([*(part for part in parts if part), _verify(rule)])


def _verify(rule: LeakRepair | LeakChecks) -> str:
    """The last words: which text, of which day, and that it must be read."""
    return wrapped(f"{rule.verify[0].upper()}{rule.verify[1:]}.")


@rules.command("eu")
@click.option("--refrigerant", required=True, metavar="R", help="As R-410A.")
@click.option("--charge", required=True, callback=_mass("--charge"), metavar="MASS", help="Full charge, as '3 kg'.")
@click.option("--hermetic", is_flag=True, help="Labelled as hermetically sealed.")
@click.option("--residential", is_flag=True, help="In a residential building.")
@click.option("--detection", is_flag=True, help="It has a leakage detection system that warns someone.")
@json_option
def eu(refrigerant: str, charge: float, hermetic: bool, residential: bool, detection: bool, as_json: bool) -> None:
    """How often Regulation (EU) 2024/573 asks for leak checks of a system."""
    found = leak_checks(refrigerant, charge, hermetic=hermetic, residential=residential, detection=detection)
    if as_json:
        print_json({"rules": [to_builtins(found)]})
        return
    often = "none asked for" if found.months is None else f"at least every {found.months:g} months"
    rows = [
        ("charge", f"{amount(found.kg)} of {found.refrigerant}, {found.tonnes:.3g} t CO2 equivalent of Annex I gases"),
        ("leak checks", often),
        ("because", found.because),
    ]
    click.echo(heading(found.title))
    click.echo(pairs(rows))
    if found.follows:
        click.echo(bullets(found.follows, "-"))
    click.echo(_verify(found))

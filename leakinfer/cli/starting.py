"""``new`` and ``fact``: a job begins, and what is known of it changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import click
from msgspec import to_builtins

from leakinfer.circuit.reader import load_system
from leakinfer.cli.answer import print_json
from leakinfer.cli.options import chosen_units, job_argument, json_option, priors_option, who_option, word_option
from leakinfer.cli.screen import bullets, pairs, wrapped
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import FACTS, begin_body, begun
from leakinfer.job.history import from_history
from leakinfer.job.job import Job
from leakinfer.physics.units import parse_quantity
from leakinfer.session.given import AIRS, STATES, TIERS, dated_mass, day_of, pair, read_facts
from leakinfer.session.jobfile import kept_priors, opened, tell
from leakinfer.session.priors import priors_of
from leakinfer.store import create
from leakinfer.words.job import fact_rows

SEVERAL = ("seen", "not_there", "not_fitted", "not_on_van", "in_place", "noticed")
HISTORY = ("commissioned", "top_up", "missing_now", "today")


@click.command("new")
@click.argument("path", metavar="JOB", type=click.Path(path_type=Path))
@click.option("--system", required=True, metavar="NAME|FILE", help="A shipped system ('leakinfer systems') or a file.")
@click.option("--refrigerant", metavar="R", help="As R-410A; without it the system's usual one.")
@click.option("--charge", metavar="MASS", help="The right charge, as '2.6 kg' or '5 lb 12 oz'.")
@click.option("--charge-weighed", is_flag=True, help="The charge was weighed in, so it was right once.")
@click.option("--age", metavar="TIME", help="As '11 years'.")
@click.option("--loss", metavar="MASS", help="What was found missing, as '0.5 kg'; needs --over.")
@click.option("--over", metavar="TIME", help="Since the charge was right, as '18 months'; needs --loss.")
@click.option("--tight-ago", metavar="TIME", help="When all of it was last proved tight, as '3 years'.")
@click.option("--seen", multiple=True, metavar="CIRCUMSTANCE", help="Something that is there.")
@click.option("--not-there", multiple=True, metavar="CIRCUMSTANCE", help="Something that was looked for and is not.")
@click.option("--not-fitted", multiple=True, metavar="SITE", help="A place that this system does not have.")
@click.option("--commissioned", metavar="DAY", help="First charge, as 2019-05-01; instead of --age.")
@click.option("--top-up", multiple=True, metavar="DAY=MASS", help="As 2024-05-03=300g; needs --commissioned.")
@click.option("--missing-now", metavar="MASS", help="What is missing today; needs --commissioned.")
@click.option("--today", metavar="DAY", help="The day that --commissioned is reckoned to, if not today.")
@word_option("--state", STATES, "The system now.")
@word_option("--heating", ("yes", "no"), "Whether it runs in heating.")
@click.option("--test", metavar="PRESSURE", help="Of nitrogen or trace gas in it, as '230 psi'.")
@click.option("--isolated", metavar="PART", help="What test gas or vacuum is shut into.")
@click.option("--high", metavar="PRESSURE", help="What the high-side gauge shows.")
@click.option("--low", metavar="PRESSURE", help="What the low-side gauge shows.")
@click.option("--rating-high", metavar="PRESSURE", help="Of the high side, from the nameplate.")
@click.option("--rating-low", metavar="PRESSURE", help="Of the low side, from the nameplate.")
@click.option("--volume", metavar="VOLUME", help="Inside the whole circuit, as '7 l'; without it by the charge.")
@word_option("--air", AIRS, "The air outdoors now.")
@click.option("--outdoor", metavar="TEMPERATURE", help="As '75 F'.")
@click.option("--indoor", metavar="TEMPERATURE", help="As '22 C'; of a cold room, the room's.")
@word_option("--gauges", ("on", "off"), "Whether hoses are on the ports.")
@click.option("--at", metavar="PLACE", help="Where you stand.")
@click.option("--matters", metavar="RATE", help="The least loss that counts, as '20 g/yr' or '1 oz/yr'.")
@word_option("--consent", TIERS, "The dearest work that the customer has agreed to.")
@click.option("--time-left", metavar="TIME", help="As '45 min'.")
@click.option("--not-on-van", multiple=True, metavar="TOOL", help="A tool that is missing.")
@click.option("--in-place", multiple=True, metavar="AID", help="An aid that is there already, as dye.")
@click.option("--noticed", multiple=True, metavar="ADVICE", help="Something you saw that the owner should know.")
@priors_option("A priors folder of your own, or a file of learned priors.")
@click.option("--untrusted", is_flag=True, help="Take learned priors that their own checks speak against.")
@who_option
@json_option
def new(path: Path, system: str, priors: Path | None, untrusted: bool, who: str, as_json: bool, **given: Any) -> None:
    """Begin a job on a system and keep it in the new file JOB.

    Everything but the system may be left out and told later with 'leakinfer fact'.
    """
    told = _told(given)
    chosen = load_system(system)
    held = priors_of(priors, chosen.id, untrusted=untrusted)
    catalogue = held.catalogue
    facts = read_facts({}, told, catalogue)
    past = _past(given, facts.get("charge_kg", chosen.charge.typical))
    body = begin_body(chosen, past | facts, catalogue) | kept_priors(priors, untrusted)
    job = begun(body, catalogue, "new job")
    Belief(job)
    create(path, body, who=who).close()
    _show(path, job, as_json, held.notices)


def _told(given: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """The options as facts: name, text, and the option for an error."""
    given = {name: value for name, value in given.items() if name not in HISTORY}
    lost, over = given.pop("loss"), given.pop("over")
    if (lost is None) != (over is None):
        missing = "--over" if over is None else "--loss"
        what = "is missing: a loss needs its amount and its time"
        raise InputError(what, where=missing, allowed="--loss '0.5 kg' --over '18 months'")
    told = [] if lost is None else [("loss", f"{lost}/{over}", "--loss")]
    if given.pop("charge_weighed"):
        told.append(("charge_weighed", "yes", "--charge-weighed"))
    for name, value in given.items():
        option = f"--{name.replace('_', '-')}"
        values = value if name in SEVERAL else () if value is None else (value,)
        told += [(name, text, option) for text in values]
    return told


def _past(given: Mapping[str, Any], charge_kg: float) -> dict[str, Any]:
    """Age and loss from the dates of the first charge and of top-ups.

    Raises:
        InputError: dates that cannot be, or an age or a loss told twice.
    """
    if given["commissioned"] is None:
        alone = next((name for name in HISTORY if given[name]), None)
        if alone is not None:
            what = "needs --commissioned"
            raise InputError(what, where=f"--{alone.replace('_', '-')}", allowed="--commissioned 2019-05-01")
        return {}
    for name, option in (("age", "--age"), ("loss", "--loss")):
        if given[name] is not None:
            raise InputError("is told twice, --commissioned tells it", where=option, allowed="one of the two")
    today = date.today() if given["today"] is None else day_of(given["today"], "--today")
    missing = None if given["missing_now"] is None else parse_quantity(given["missing_now"], "mass", "--missing-now")
    top_ups = [dated_mass(text, "--top-up") for text in given["top_up"]]
    begun_on = day_of(given["commissioned"], "--commissioned")
    return from_history(begun_on, today, top_ups, missing, charge_kg)


@click.command("fact")
@job_argument
@click.argument("facts", metavar="NAME=VALUE...", nargs=-1, required=True)
@who_option
@json_option
def fact(path: Path, priors: Path | None, facts: tuple[str, ...], who: str, as_json: bool) -> None:
    """Tell or change facts of a job, as air=wind, gauges=on, loss='0.4 kg/14 months', seen=litter_at_compressor.

    \b
    system     refrigerant charge charge_weighed age loss tight_ago volume
               rating_high rating_low fitted not_fitted matters
    around it  seen not_there maybe (a circumstance)
               noticed not_noticed (something to tell the owner)
    now        state heating test isolated high low gauges air outdoor indoor
    you        at opened closed time_left consent on_van not_on_van
               in_place not_in_place untried_operator (nobody has yet seen
               whether the operator finds what is there)
    answers    false_cause no_false_cause

    The value 'none' forgets a loss, a time, a rating, a volume or a gauge reading. A new state forgets gauge readings
    and the test pressure.
    """  # noqa: D301 - a backspace keeps the lines of the next paragraph
    with opened(path, priors) as held:
        told = [pair(text, "fact") for text in facts]
        changed = read_facts(to_builtins(held.job.facts), told, held.job.catalogue)
        job, _ = tell(held, FACTS, changed, who=who, where="fact")
    _show(path, job, as_json, held.notices)


def _show(path: Path, job: Job, as_json: bool, notices: Sequence[str]) -> None:
    """The facts as they stand now, below what should be known of the priors."""
    if as_json:
        facts = to_builtins(job.facts)
        about = {"job": str(path), "system": job.system.id, "sites": len(job.sites)}
        print_json({**about, "facts": facts, "notices": list(notices)})
        return
    if notices:
        click.echo(bullets(notices, "note"))
    click.echo(pairs([("job", str(path)), *fact_rows(job, chosen_units())]))
    click.echo(wrapped(f"Where to look: leakinfer next {path}", first="\n  "))

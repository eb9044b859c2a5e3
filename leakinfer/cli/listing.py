"""``systems`` and ``methods``: the names that the other commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from msgspec import to_builtins

from leakinfer.catalogue.model import Method
from leakinfer.circuit.model import System
from leakinfer.circuit.reader import load_system, shipped_systems, system_to_data
from leakinfer.cli.answer import print_json
from leakinfer.cli.options import chosen_units, json_option, priors_option
from leakinfer.job.facts import circumstance_ids
from leakinfer.job.finding import outcome_names
from leakinfer.reading import known
from leakinfer.session.priors import priors_of

BY = {"valves": "its valves", "cut": "cutting the pipe"}


@click.command("systems")
@click.argument("name", metavar="[NAME|FILE]", required=False)
@json_option
def systems(name: str | None, as_json: bool) -> None:
    """The systems that come with the program; with a NAME or FILE, all its parts and what they are called."""
    system = load_system(name) if name else None
    if as_json:
        shipped = [{"id": found, "name": words} for found, words in shipped_systems().items()]
        print_json({"systems": shipped} if system is None else {"system": system_to_data(system)})
        return
    from leakinfer.cli import screen

    if system is None:
        click.echo(screen.pairs(list(shipped_systems().items())))
        return
    usual = f"{', '.join(system.refrigerants)}, usually {chosen_units().mass_words(system.charge.typical)}"
    click.echo(screen.wrapped(f"{system.name}: {usual}"))
    for head, rows in _parts(system).items():
        click.echo(screen.heading(head))
        click.echo(screen.table(["", ""], rows, fixed=(0,)).lstrip("\n"))


def _parts(system: System) -> dict[str, list[tuple[str, str]]]:
    """By kind of part, ids and names."""
    exposed = [name for name in circumstance_ids(system) if ":" in name]
    return {
        "Places to stand": [(part.id, part.name) for part in system.places],
        "Zones to sweep": [(part.id, part.name) for part in system.zones],
        "Parts that can be shut off": [(part.id, f"{part.name}, by {BY[part.by]}") for part in system.isolations],
        "Spots where oil drips": [(part.id, part.name) for part in system.spots],
        "Sections": [(part.id, part.name) for part in system.sections],
        "Sites": [(part.id, part.name + (f" (x {part.count})" if part.count > 1 else "")) for part in system.sites],
        "Circumstances": [(c.id, c.name) for c in system.circumstances] + [(name, "") for name in exposed],
    }


@click.command("methods")
@click.argument("name", metavar="[METHOD]", required=False)
@priors_option("A priors folder of your own, or a file of learned priors.")
@json_option
def methods(name: str | None, priors: Path | None, as_json: bool) -> None:
    """The ways of testing, with their outcomes and false causes; with a METHOD also how it is done and its cautions."""
    catalogue = priors_of(priors, "", untrusted=True).catalogue
    every = catalogue.methods
    chosen = [every[known(name, every, what="method", where="method")]] if name else list(every.values())
    if as_json:
        print_json({"methods": [_method_answer(method) for method in chosen]})
        return
    from leakinfer.cli import screen

    for method in chosen:
        click.echo(screen.heading(f"{method.id}: {method.name}"))
        if name:
            click.echo(screen.bullets(method.cautions, "!"))
        click.echo(screen.pairs(_method_rows(method, details=name is not None)))


ON = {
    "point": "one site",
    "sweep": "a zone",
    "spot": "a spot where oil drips",
    "exposure": "a circumstance",
    "total": "the whole system",
    "hold": "the whole system, or a part that can be shut off",
    "gather": "a zone",
}


READS = {
    "total": ", or a weight as '1.9 kg'",
    "hold": ", or what the gauge showed ('leakinfer record --help')",
    "gather": ", or what the meter showed ('leakinfer record --help')",
}


def _method_rows(method: Method, *, details: bool) -> list[tuple[str, str]]:
    causes = ", ".join(f"{cause.id} ({cause.name})" if details else cause.id for cause in method.false_causes)
    rows = [("on", ON[method.kind]), ("outcomes", ", ".join(outcome_names(method)) + READS.get(method.kind, ""))]
    rows += [("also answers to", causes)] if causes else []
    rows += [("in state", ", ".join(method.states)), ("kind of work", method.tier)] if details else []
    return [*rows, ("how", method.how), ("known by", f"{method.known}: {method.source}")] if details else rows


def _method_answer(method: Method) -> dict[str, Any]:
    return {
        "method": method.id,
        "name": method.name,
        "kind": method.kind,
        "outcomes": list(outcome_names(method)),
        "minutes": method.minutes,
        "wait_minutes": method.wait_minutes,
        "states": list(method.states),
        "tier": method.tier,
        "tools": list(method.tools),
        "needs": list(method.needs),
        "pinpoint": method.pinpoint,
        "false_causes": [to_builtins(cause) for cause in method.false_causes],
        "cautions": list(method.cautions),
        "how": method.how,
        "source": method.source,
        "known": method.known,
    }

"""All that reads a file from outside, each with a file to begin from: what the fuzz tries."""

from __future__ import annotations

import json
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import msgspec

from leakinfer.catalogue.laying import with_learned
from leakinfer.catalogue.learned import learned_text, read_learned
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import WHOLE
from leakinfer.circuit.reader import check_against, load_system
from leakinfer.cli.scenario import begin, play, read_scenario
from leakinfer.fleet.cells.model import load, save
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.history.badrows import Log
from leakinfer.fleet.history.writing import write_history
from leakinfer.fleet.invented.plan import load_invented
from leakinfer.fleet.orders.begin import begin_mapping
from leakinfer.fleet.orders.book import understand
from leakinfer.fleet.orders.mapping import load_mapping
from leakinfer.fleet.orders.tables import order_tables
from leakinfer.fleet.settings import load_settings
from leakinfer.job.belief import Belief
from leakinfer.job.events import begin_body, body_of, job_of
from leakinfer.job.facts import start_facts
from leakinfer.job.job import Job
from leakinfer.physics.units import Dimension, parse_quantity
from leakinfer.reading import shipped
from leakinfer.rules.book import load_rules
from leakinfer.store import Event, Journal, create, export_json, export_text, import_json, live, parse_export
from leakinfer.study.policies.checklists import read_checklists
from leakinfer.study.running.plan import load_plan
from leakinfer.study.world.truths import load_truths
from tests.bench.fuzz_inputs import Form, inline
from tests.fleet.histories import invent
from tests.job.sequences import made_by_hand
from tests.job.small import CATALOGUE, found
from tests.report.fleet.example import example

CATALOGUE_FILES = ("components", "exposures", "shared", "methods", "setups", "repairs", "advice", "settings")
HISTORY = ("systems", "sites", "visits", "leaks", "findings", "repairs", "exposures")
DIMENSIONS: dict[str, Dimension] = {name: name for name in get_args(Dimension)}
WORDS = ("mass|2 lb 3 oz", "gauge_pressure|350 psig", "temperature|-4 F", "absolute_pressure|500 micron", "time|1 h")


@dataclass(frozen=True)
class Reader:
    """A reader of a file: by what name the file is written, from what it begins, and what is done with it."""

    name: str
    form: Form
    file: Path
    seed: bytes
    read: Callable[[Path], object]


def readers(work: Path) -> list[Reader]:
    """All readers, with folders of their own to write in."""
    priors, study, demo = shipped("priors"), shipped("data_demo", "study"), shipped("data_demo")
    plain: list[tuple[str, Path, Callable[[Path], object]]] = [
        ("system", priors / "systems" / "ductless_split.toml", _system),
        ("rules", priors / "rules.toml", load_rules),
        ("fleet settings", priors / "fleet.toml", load_settings.__wrapped__),
        ("invented fleet", demo / "fleet" / "invented.toml", load_invented.__wrapped__),
        ("study", study / "small.toml", load_plan),
        ("checklists", priors / "study_checklists.toml", read_checklists),
        ("mapping", demo / "orders" / "mapping.toml", _mapping),
        ("scenario", demo / "scenario.toml", _scenario),
    ]
    made = [Reader(name, "toml", _in(work, name, seed.name), seed.read_bytes(), read) for name, seed, read in plain]
    orders = (demo / "orders" / "work_orders.csv").read_bytes()
    made += [
        Reader("learned priors", "toml", _in(work, "learned", "l.toml"), learned_text(example()).encode(), _learned),
        Reader("orders", "csv", _in(work, "orders", "orders.csv"), orders, _orders),
        Reader("begun mapping", "csv", _in(work, "begun", "orders.csv"), orders, begin_mapping),
        Reader("truths", "toml", _in(work, "truths", "truths.toml"), _truths(), lambda path: load_truths(path)),
        Reader("quantity", "text", _in(work, "quantity", "q.txt"), "\n".join(WORDS).encode(), _quantities),
        Reader("small system", "toml", _in(work, "small", "small.toml"), _small_system(), _believed),
        *_catalogues(work),
        *_histories(work),
        *_jobs(work),
    ]
    return made


def _in(work: Path, folder: str, name: str) -> Path:
    (work / folder).mkdir(exist_ok=True)
    return work / folder / name


def _catalogues(work: Path) -> list[Reader]:
    """The catalogue with one of its files changed; all others as shipped."""
    made = []
    for name in CATALOGUE_FILES:
        folder = work / f"catalogue {name}"
        shutil.copytree(shipped("priors"), folder)
        file = folder / f"{name}.toml"
        made.append(
            Reader(f"catalogue: {name}", "toml", file, file.read_bytes(), lambda path: load_catalogue(path.parent))
        )
    return made


def _histories(work: Path) -> list[Reader]:
    """A small history with one of its tables changed, and the cells of it."""
    made = []
    for name in HISTORY:
        folder = work / f"history {name}"
        write_history(invent(1), folder)
        file = next(folder.glob(f"{name}.csv"))
        made.append(Reader(f"history: {name}", "csv", file, file.read_bytes(), _history))
    cells = work / "cells.json"
    save(reduce_history([work / "history sites"], CATALOGUE, load_settings()), cells)
    return [*made, Reader("cells", "json", _in(work, "cells", "cells.json"), cells.read_bytes(), load)]


def _jobs(work: Path) -> list[Reader]:
    """A job as events, as an exported file and as the file of its journal."""
    made = made_by_hand()
    given = {"loss": {"kg": 0.4, "years": 2.0}, "circumstances": {"seal_lost": True}, "consent": "intrusive"}
    events = [("begin", begin_body(made, given, CATALOGUE)), *_told()]
    path = work / "seed.job"
    with create(path, events[0][1]) as journal:
        for kind, body in events[1:]:
            journal.append(kind, body, who="Ada", expected_last=None)
        journal.undo_last("Ada")
        exported = export_text(export_json(journal)).encode()
    plain = json.dumps([{"kind": kind, "body": body} for kind, body in events]).encode()
    return [
        Reader("events", "json", _in(work, "events", "events.json"), plain, _events),
        Reader("export", "json", _in(work, "export", "job.json"), exported, _import),
        Reader("journal", "bytes", _in(work, "journal", "one.job"), path.read_bytes(), _journal),
    ]


def _told() -> list[tuple[str, dict[str, Any]]]:
    hold = {"start_kpa": 1000.0, "end_kpa": 930.0, "start_c": 24.0, "end_c": 24.0, "hours": 1.0}
    nitrogen = {"state": "nitrogen", "air": "still", "outdoor_c": 24.0, "indoor_c": 22.0, "test_kpa": 1000.0}
    whole = {"method": "hold_hour", "target": WHOLE, "outcome": "fell", "condition": nitrogen, "hold": hold}
    return [
        ("finding", body_of(found("probe_point", "core", "response"))),
        ("finding", body_of(found("bubbles", "flare", "slow_foam", false_causes=("cleaner",)))),
        ("skip", {"target": "closet", "reason": "locked"}),
        ("aired", {"place": "yard"}),
        ("finding", whole),
        ("repair", {"target": "flare", "exchanged": True}),
        ("return", {"years": 1.5, "missing_kg": 0.2}),
        ("facts", {"outdoor_c": 10.0, "air": "wind", "not_fitted": ["joint"], "matters_g_per_year": 20.0}),
    ]


def _truths() -> bytes:
    """The shipped truths under ids of their own."""
    told = tomllib.loads(shipped("priors", "study.toml").read_text("utf-8"))["truth"]
    return f"truth = {inline([{**truth, 'id': 'own_' + truth['id']} for truth in told])}\n".encode()


def _small_system() -> bytes:
    plain = msgspec.to_builtins(made_by_hand())
    return "".join(f"{key} = {inline(json.loads(json.dumps(value)))}\n" for key, value in plain.items()).encode()


def _system(path: Path) -> None:
    made = load_system(str(path))
    check_against(made, CATALOGUE.components, CATALOGUE.exposures, str(path))
    Job(made, CATALOGUE, start_facts(made, {}, "facts"))


def _believed(path: Path) -> None:
    """A system that is read must also be one that a job can be begun on."""
    made = load_system(str(path))
    check_against(made, CATALOGUE.components, CATALOGUE.exposures, str(path))
    if sum(site.count for site in made.sites) < 100:
        Belief(Job(made, CATALOGUE, start_facts(made, {"loss": {"kg": 0.1, "years": 1.0}}, "facts")))


def _learned(path: Path) -> None:
    learned = read_learned(path)
    with_learned(CATALOGUE, learned, "walk_in_cooler")


def _scenario(path: Path) -> None:
    scenario = read_scenario(path)
    job, _ = begin(scenario, CATALOGUE, str(path))
    if len(scenario.steps) < 4:
        list(play(scenario, job, str(path)))


def _mapping(path: Path) -> None:
    _understood(shipped("data_demo", "orders", "work_orders.csv"), path)


def _orders(path: Path) -> None:
    _understood(path, shipped("data_demo", "orders", "mapping.toml"))


def _understood(orders: Path, mapping: Path) -> None:
    dictionary = load_mapping(mapping, CATALOGUE)
    book = understand(orders, dictionary, Log(lambda bad: None))
    if book.rows:
        order_tables(book, dictionary.mapping.record, CATALOGUE)


def _history(path: Path) -> None:
    reduce_history([path.parent], CATALOGUE, load_settings(), on_bad=lambda bad: None)


def _quantities(path: Path) -> None:
    for line in path.read_text("utf-8", errors="replace").split("\n"):
        kind, _, text = line.partition("|")
        if kind in DIMENSIONS:
            parse_quantity(text, DIMENSIONS[kind], "told")


def _events(path: Path) -> None:
    """Bodies as a journal holds them, up to the belief."""
    data = parse_export('{"events": ' + path.read_text("utf-8", errors="replace") + "}", str(path))["events"]
    if isinstance(data, list) and all(isinstance(e, dict) and isinstance(e.get("body"), dict) for e in data):
        told = [Event(n, str(e.get("kind")), e["body"], "", "") for n, e in enumerate(data, start=1)]
        Belief(job_of(told, CATALOGUE, str(path)))


def _import(path: Path) -> None:
    to = path.with_suffix(".job")
    to.unlink(missing_ok=True)
    import_json(parse_export(path.read_text("utf-8", errors="replace"), str(path)), to)


def _journal(path: Path) -> None:
    for left in path.parent.glob("one.job-*"):
        left.unlink()
    with Journal.open(path) as journal:
        job_of(live(journal.events()), CATALOGUE, str(path))

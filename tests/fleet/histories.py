"""Small invented histories for tests, with everything in them that makes counting hard, and ways to write them down."""

from __future__ import annotations

import csv
import gzip
import io
import random
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from leakinfer.fleet.history.tables import BY_NAME, TABLES

Row = dict[str, str]
Tables = dict[str, list[Row]]
FIRST = date(2010, 3, 1)
COMPONENTS = ("flare", "valve_core", "brazed_joint", "coil_header")
EXPOSURES = ("cap_missing", "vibration", "coastal_air")
METHODS = {
    "probe_point": ("silent", "response"),
    "bubbles": ("none", "slow_foam", "fast_bubbles"),
    "probe_sweep": ("silent", "response"),
}


class Dice(random.Random):
    """Random numbers, with the step in days on which all dates lie."""

    step = 1


def invent(seed: int, systems: int = 3, step: int = 1) -> Tables:
    """A history in which every row is in order; with a larger ``step`` many dates fall on the same day."""
    rng = Dice(seed)
    rng.step = step
    tables: Tables = {table.name: [] for table in TABLES}
    for number in range(systems):
        _system(rng, f"S{seed}-{number}", tables)
    return tables


def _full(table: str, **given: str) -> Row:
    return {name: given.get(name, "") for name in BY_NAME[table].names}


def _date(rng: Dice, low: int, high: int) -> str:
    return (FIRST + timedelta(days=rng.randint(low, high) // rng.step * rng.step)).isoformat()


def _some(rng: Dice, chance: float, text: str) -> str:
    return text if rng.random() < chance else ""


def _system(rng: Dice, name: str, tables: Tables) -> None:
    built = _date(rng, 0, 300)
    tables["systems"].append(
        _full(
            "systems",
            system=name,
            type=rng.choice(["ducted_split", "own; type"]),
            commissioned=built,
            installer=rng.choice(["", "crew 1", "crew 2"]),
            refrigerant=rng.choice(["R-410A", "R-32", "", "secret mix"]),
            charge_kg=rng.choice(["", "2.5"]),
            followed_from=_some(rng, 0.6, _date(rng, 300, 900)),
            followed_until=_some(rng, 0.4, _date(rng, 1500, 2200)),
            tight_then=rng.choice(["", "yes", "no"]),
        )
    )
    for number in range(rng.randint(0, 7)):
        _site(rng, name, f"p{number}", built, tables)
    days = [_date(rng, 250, 2300) for _ in range(rng.randint(0, 8))]
    for number, day in enumerate(days[:1] + days if days and rng.random() < 0.3 else days):
        searched = rng.choice(["yes", "yes", "no", ""])
        tables["visits"].append(_full("visits", system=name, visit=f"v{number}", date=day, searched=searched))
        _done(rng, name, f"v{number}", day, tables)


def _site(rng: Dice, system: str, name: str, built: str, tables: Tables) -> None:
    fitted = _some(rng, 0.3, _date(rng, 300, 1500))
    begin = (date.fromisoformat(fitted or built) - FIRST).days
    gone = _date(rng, begin, begin + 1500)
    said: dict[str, list[str]] = {"present": [], "absent": [], "unknown": [], "": []}
    for exposure in EXPOSURES:
        said[rng.choice(list(said))].append(exposure)
    row = {"component": rng.choice(COMPONENTS), "count": rng.choice(["", "1", "3"]), "side": rng.choice(["", "high"])}
    words = {column: ";".join(said[column]) for column in ("present", "absent", "unknown")}
    row |= words if rng.random() < 0.6 else {}
    row |= {"fitted": fitted, "removed": _some(rng, 0.3, gone)}
    tables["sites"].append(_full("sites", system=system, site=name, **row))
    for _ in range(rng.choice([0, 0, 1, 3])):
        since, until = sorted([rng.randint(200, 2200), rng.randint(200, 2200)])
        dates = {"since": _some(rng, 0.8, _date(rng, since, since)), "until": _some(rng, 0.6, _date(rng, until, until))}
        tables["exposures"].append(
            _full("exposures", system=system, site=name, exposure=rng.choice(EXPOSURES), **dates)
        )


def _done(rng: Dice, system: str, visit: str, day: str, tables: Tables) -> None:
    """Leaks, findings and repairs of a visit."""
    there = [
        site
        for site in tables["sites"]
        if site["system"] == system and _fitted(site, tables) <= day <= (site["removed"] or "9999-01-01")
    ]
    head = {"system": system, "visit": visit}
    for _ in range(rng.choice([0, 0, 1, 2, 4])):
        where = rng.choice(there) if there and rng.random() < 0.6 else None
        component = (where["component"] if where else rng.choice(COMPONENTS)) if rng.random() < 0.6 else ""
        told = {"confirmed": rng.choice(["", "yes", "no"]), "there_before": rng.choice(["", "yes", "no"])}
        loss = rng.choice(["", "0", "12.5", "340", "2.5e3"])
        place = {"site": where["site"] if where else "", "component": component}
        tables["leaks"].append(_full("leaks", **head, **place, **told, loss_g_per_year=loss))
    for site in there:
        for method in rng.choices(list(METHODS), k=rng.choice([0, 0, 1, 3])):
            found = {"method": method, "outcome": rng.choice(METHODS[method])}
            tables["findings"].append(_full("findings", **head, site=site["site"], **found))
        if rng.random() < 0.2:
            done = {"exchanged": rng.choice(["", "yes", "no"]), "held": rng.choice(["", "yes", "no"])}
            tables["repairs"].append(_full("repairs", **head, site=site["site"], **done))


def _fitted(site: Row, tables: Tables) -> str:
    return site["fitted"] or next(s["commissioned"] for s in tables["systems"] if s["system"] == site["system"])


def write(folder: Path, tables: Mapping[str, Sequence[Row]], form: str = "csv", parts: int = 1) -> Path:
    """Write a history: ``form`` csv, csv.gz or parquet; in more than one part, as folders of parts."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        for part in range(parts):
            path = folder / f"{name}.{form}"
            if parts > 1:
                (folder / name).mkdir(exist_ok=True)
                path = folder / name / f"part{part}.{form}"
            write_table(path, rows[part::parts], BY_NAME[name].names)
    return folder


def write_table(path: Path, rows: Sequence[Row], names: Sequence[str]) -> None:
    """One file, in the form that its name says."""
    if path.suffix == ".parquet":
        pq.write_table(
            pa.table({name: pa.array([row[name] or None for row in rows], pa.string()) for name in names}), path
        )
        return
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, names)
    writer.writeheader()
    writer.writerows(rows)
    data = text.getvalue().encode()
    path.write_bytes(gzip.compress(data) if path.suffix == ".gz" else data)

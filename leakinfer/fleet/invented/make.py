"""Invented fleets with known truth: ``python -m leakinfer.fleet.invented FOLDER``.

Nothing in them is real. They serve the demonstration, and to test a fit against what is true.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.invented.fleet import Fleet, make_fleet
from leakinfer.fleet.invented.life import Life, live
from leakinfer.fleet.invented.plan import Plan, load_invented
from leakinfer.fleet.invented.tables import Writer
from leakinfer.fleet.invented.tests import make_tests
from leakinfer.fleet.invented.truth import Truth, draw_truth, mild_truth

if TYPE_CHECKING:
    from pandas import DataFrame

SMALL_BYTES = 150_000  # of a table that anybody can read in a spreadsheet or an editor

__all__ = ["Plan", "Truth", "draw_truth", "invent", "invent_all", "load_invented", "mild_truth", "write"]


def invent(truth: Truth, plan: Plan, catalogue: Catalogue, rng: np.random.Generator) -> dict[str, DataFrame]:
    """The tables of an invented history, by name, with the columns of :mod:`leakinfer.fleet.history.tables` as text."""
    return invent_all(truth, plan, catalogue, rng)[0]


def invent_all(
    truth: Truth, plan: Plan, catalogue: Catalogue, rng: np.random.Generator
) -> tuple[dict[str, DataFrame], Fleet, Life]:
    """The tables, and what stands behind them: the fleet, and every leak with its day of birth and its size."""
    fleet = make_fleet(truth, plan, catalogue, rng)
    life = live(fleet, truth, plan, catalogue, rng)
    tests = make_tests(fleet, life, truth, plan, catalogue, rng)
    writer = Writer(fleet, life, truth, plan, rng)
    tables = {
        "systems": writer.systems(),
        "sites": writer.sites(),
        "exposures": writer.exposures(),
        "visits": writer.visits(),
        "findings": writer.findings(tests, catalogue),
        "leaks": writer.leaks(tests),
        "repairs": writer.repairs(),
    }
    return tables, fleet, life


def digest(tables: Mapping[str, DataFrame]) -> str:
    """SHA-256 of the content of tables."""
    found = hashlib.sha256()
    for name in sorted(tables):
        found.update(f"{name}\n{tables[name].to_csv(index=False, lineterminator=chr(10))}".encode())
    return found.hexdigest()


def write(tables: Mapping[str, DataFrame], truth: Truth, folder: Path) -> None:
    """Write the tables, small ones as CSV, large ones as Parquet if that is smaller, with ``truth.json`` beside."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        for ending in (".csv", ".parquet"):
            (folder / f"{name}{ending}").unlink(missing_ok=True)
        _write_smaller(table, folder / name)
    plain = {key: _whole(value) for key, value in truth.as_data().items()}
    (folder / "truth.json").write_bytes(msgspec.json.format(msgspec.json.encode(plain), indent=1) + b"\n")


def _write_smaller(table: DataFrame, path: Path) -> None:
    csv, parquet = path.with_suffix(".csv"), path.with_suffix(".parquet")
    table.to_csv(csv, index=False, lineterminator="\n")
    if csv.stat().st_size > SMALL_BYTES:
        table.mask(table == "").to_parquet(parquet, index=False, compression="zstd")
        larger = csv if parquet.stat().st_size < csv.stat().st_size else parquet
        larger.unlink()


def _whole(value: Any) -> Any:
    """Numbers with nine figures; one that is not a number becomes nothing."""
    if isinstance(value, float):
        return None if math.isnan(value) else float(f"{value:.9g}")
    return [_whole(each) for each in value] if isinstance(value, list | tuple) else value


def main() -> None:
    """Write an invented fleet near the shipped numbers to a folder."""
    import click
    from msgspec.structs import replace

    from leakinfer.catalogue.reader import load_catalogue

    @click.command(help=__doc__)
    @click.argument("folder", type=click.Path(path_type=Path))
    @click.option("--seed", default=1, show_default=True)
    @click.option("--systems", type=click.IntRange(min=1), help="How many; else as in invented.toml.")
    def command(folder: Path, seed: int, systems: int | None) -> None:
        catalogue, plan = load_catalogue(), load_invented().plan
        plan = replace(plan, systems=systems or plan.systems)
        truth = mild_truth(catalogue, seed, plan)
        tables = invent(truth, plan, catalogue, np.random.default_rng([seed, 2]))
        write(tables, truth, folder)
        click.echo(f"{folder}: {', '.join(f'{len(table)} {name}' for name, table in tables.items())}")

    command()

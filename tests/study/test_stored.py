"""What README says of the search is what the stored jobs tell; ``tests/bench/strategy.py`` plays some of them again."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from leakinfer.study.running import read
from tests.bench.stored_jobs import STORED, folder_of, is_stored, parts_of
from tests.bench.strategy import CHECKLIST, LIKELY, POLICIES, measured, with_parts

README = " ".join((Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8").split())
SYSTEMS = {"ducted_split": "ducted split", "ductless_split": "ductless split", "walk_in_cooler": "walk-in cooler"}


@cache
def figures() -> dict[str, Any]:
    tables = {study: with_parts(read(folder_of(study)), parts_of(study)) for study in POLICIES if is_stored(study)}
    return measured(tables)


def interval(ends: list[float], places: int = 2, times: float = 1) -> str:
    value, low, high = (f"{end * times:.{places}f}" for end in ends)
    return f"{value} ({low} to {high})"


def share(ends: list[float]) -> str:
    value, low, high = (f"{100 * end:.0f}" for end in ends)
    return f"{value} % ({low} to {high})"


def test_as_many_jobs_as_are_said() -> None:
    assert figures()["jobs_per_system"][CHECKLIST] == 500
    assert "500 simulated jobs in each of three systems" in README


def test_both_ways_side_by_side() -> None:
    whole = figures()["intervals"]["all"]
    own, other = whole["expected_cost"], whole[CHECKLIST]
    rows = {
        "minutes of searching, mean": (interval(one["minutes"], 0) for one in (own, other)),
        "the same with the price of what was left and repaired in vain": (
            interval(one["cost"], 0) for one in (own, other)
        ),
        "share of jobs in which a leak that matters was left": (share(one["missed_share"]) for one in (own, other)),
        "repairs in vain, per 100 jobs": (interval(one["wrong_per_100"], 1) for one in (own, other)),
        "set-ups and tests that open the circuit, mean": (interval(one["openings"]) for one in (own, other)),
    }
    for name, told in rows.items():
        assert f"| {name} | {' | '.join(told)} |" in README


def test_ratios_and_who_confirmed() -> None:
    whole = figures()["intervals"]["all"][f"vs_{CHECKLIST}"]
    minutes, missed = ([f"{end:.2f}" for end in whole[name]] for name in ("minutes", "missed"))
    assert f"{minutes[0]} times the list's minutes on the same job (median, {minutes[1]} to {minutes[2]};" in README
    assert f"{missed[0]} times as many jobs with a leak ({missed[1]} to {missed[2]})" in README
    both, own, other = (whole[name] for name in ("compared", "only_default", f"only_{CHECKLIST}"))
    jobs = both + own + other + whole["neither"]
    counts = (
        f"Of {jobs:,} jobs with such a leak both ways confirm all in {both}, only its own way in {own}, only the list"
    )
    assert f"{counts} in {other}, neither in {whole['neither']}:" in README


def test_beside_the_likeliest_first() -> None:
    whole = figures()["intervals"]["all"]
    pair, other = whole[f"vs_{LIKELY}"], whole[LIKELY]
    own, (value, low, high) = pair["expected_cost"], (f"{end:.2f}" for end in pair["minutes"])
    assert f"it took {value} times the minutes until all was confirmed ({low} to {high};" in README
    assert f"{own['minutes'][0]:.0f} minutes of searching to {other['minutes'][0]:.0f}," in README
    assert f"({100 * own['missed_share'][0]:.0f} % and {100 * other['missed_share'][0]:.0f} %)" in README
    assert f"{own['wrong_per_100'][0]:.1f} repairs in vain to {other['wrong_per_100'][0]:.1f} in 100:" in README
    jobs, compared = figures()["jobs_per_system"][LIKELY], pair["compared"] + pair["only_default"]
    assert f"{3 * jobs} jobs only, {jobs} of each system, of which {compared} could be compared" in README
    assert pair["only_most_likely"] == 0  # else it would be among those compared, too


@pytest.mark.parametrize("system", SYSTEMS)
def test_each_system(system: str) -> None:
    told = figures()["intervals"][system]
    minutes = interval(told[f"vs_{CHECKLIST}"]["minutes"])
    left, other = share(told["expected_cost"]["missed_share"]), f"{100 * told[CHECKLIST]['missed_share'][0]:.0f} %"
    assert f"| {SYSTEMS[system]} | {minutes} | {left} | {other} |" in README


def test_its_chances_and_what_it_says_remains() -> None:
    chances = figures()["calibration"]["all all"]
    slope = [f"{end:.2f}" for end in chances["slope"]]
    assert f"Of the {chances['chances']:,} chances" in README
    assert f"lay {100 * chances['ece']:.2f} % apart" in README
    assert f"slope of the log-odds of {slope[0]} ({slope[1]} to {slope[2]};" in README
    stop = figures()["stop_risk"]["all expected_cost"]
    value, low, high = (f"{100 * end:.1f}" for end in stop["seen"])
    assert f"a risk of {100 * stop['told']:.1f} % on average" in README
    assert f"one was in {value} % ({low} to {high})" in README


def test_worlds_that_are_not_as_believed() -> None:
    worlds = json.loads((STORED / "truths.json").read_text("utf-8"))
    assert len(worlds) == 10
    for row in worlds.values():
        change = "" if row["cost_change"] is None else f" {interval(row['cost_change'], 0).replace('-0 ', '0 ')}"
        left, vain = (f"{number:g}" for number in (100 * row["missed"][0], row["wrong_per_100"][0]))
        assert f"| {row['cost'][0]:.0f} |{change} | {row['checklist_cost'][0]:.0f} | {left} % | {vain} |" in README
        assert row["cost"][0] < row["checklist_cost"][0]

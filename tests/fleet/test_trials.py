"""Trials against a slow recount in plain Python, and sizes of measured losses against a root finder."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.model import FORMATS, NO_SIZE, joined
from leakinfer.fleet.cells.sizes import loss_of_size, size_bin, size_of_loss
from leakinfer.fleet.cells.trials import trials_of
from leakinfer.fleet.settings import load_settings
from leakinfer.physics.flow import leak_rate
from leakinfer.physics.properties import load_properties
from leakinfer.physics.units import ATMOSPHERE

REDUCTION = load_settings().cells
CATALOGUE = load_catalogue()
ANSWERS = {
    "probe_point": ("silent", "response"),
    "bubbles": ("none", "slow_foam", "fast_bubbles"),
    "oil_point": ("no_oil", "oil"),
    "probe_sweep": ("silent", "response"),  # of an area, so no test of a site
}
Row = dict[str, Any]


def invented(seed: int, systems: range) -> dict[str, list[Row]]:
    """A small history of tests, with everything that may be missing in it."""
    rng = np.random.default_rng(seed)

    def one_of(*choices: Any) -> Any:
        return choices[int(rng.integers(len(choices)))]

    tables: dict[str, list[Row]] = {"systems": [], "sites": [], "findings": [], "leaks": []}
    for system in systems:
        named = one_of("R-410A", "r 22", "R134a", "no such gas", None)
        tables["systems"].append({"system": system, "refrigerant": named})
        for site in ("a", "b", "c"):
            part = one_of("valve_core", "flare")
            tables["sites"].append({"system": system, "site": site, "component": part})
        for _ in range(int(rng.integers(0, 14))):
            method = str(rng.choice(list(ANSWERS)))
            spot = {"system": system, "visit": str(rng.integers(3)), "site": str(rng.choice(list("abcd")))}
            tables["findings"].append({**spot, "method": method, "outcome": str(rng.choice(ANSWERS[method]))})
        for _ in range(int(rng.integers(0, 4))):
            spot = {"system": system, "visit": str(rng.integers(3)), "site": one_of("a", "b", "c", None)}
            loss = one_of(None, 0.0, 35.0, 800.0)
            tables["leaks"].append({**spot, "confirmed": one_of("yes", "no", None), "loss_g_per_year": loss})
    return tables


def reduced(tables: dict[str, list[Row]], numbers: bool = False) -> pd.DataFrame:
    """The project's answer; names of places may be numbers."""
    frames = {name: pd.DataFrame(rows, columns=COLUMNS[name]) for name, rows in tables.items()}
    if numbers:
        for frame in frames.values():
            if "site" in frame:
                frame["site"] = frame["site"].map({"a": 1, "b": 2, "c": 3, "d": 4})
    findings, leaks, sites, systems = (frames[name] for name in ("findings", "leaks", "sites", "systems"))
    return trials_of(findings, leaks, sites, systems, CATALOGUE, REDUCTION)


COLUMNS = {
    "systems": ["system", "refrigerant"],
    "sites": ["system", "site", "component"],
    "findings": ["system", "visit", "site", "method", "outcome"],
    "leaks": ["system", "visit", "site", "confirmed", "loss_g_per_year"],
}


def recounted(tables: dict[str, list[Row]]) -> Counter[tuple[Any, ...]]:
    """The same, row by row."""
    proper = {"R-410A": "R-410A", "r 22": "R-22", "R134a": "R-134a"}
    fluid = {row["system"]: proper.get(row["refrigerant"], "") for row in tables["systems"]}
    part = {(row["system"], row["site"]): row["component"] for row in tables["sites"]}
    said: dict[tuple[Any, ...], dict[str, list[bool]]] = defaultdict(lambda: defaultdict(list))
    for row in tables["findings"]:
        if row["method"] != "probe_sweep" and (row["system"], row["site"]) in part:
            spot = (row["system"], row["visit"], row["site"])
            said[spot][row["method"]].append(row["outcome"] not in ("silent", "none", "no_oil"))
    counted: Counter[tuple[Any, ...]] = Counter()
    for (system, visit, site), methods in said.items():
        there = [row for row in tables["leaks"] if (row["system"], row["visit"], row["site"]) == (system, visit, site)]
        leaks = [row for row in there if row["confirmed"] != "no"]
        truth = "leak" if leaks else "tight" if there else ""
        size = NO_SIZE
        if len(leaks) == 1 and leaks[0]["loss_g_per_year"] and fluid[system]:
            hole = rooted(leaks[0]["loss_g_per_year"], fluid[system])
            size = int(np.floor(np.log10(hole) * REDUCTION.size_per_decade))
        tests = ";".join(f"{name}:{sum(hits)}/{len(hits)}" for name, hits in sorted(methods.items()))
        counted[part[system, site], fluid[system], tests, truth, size] += 1
    return counted


def rooted(loss: float, refrigerant: str) -> float:
    """The size of a hole that loses so much (g/yr), by a root finder."""
    fluid, kelvin = load_properties().fluid(refrigerant), 273.15 + REDUCTION.measured_at_c

    def above(log_size: float) -> float:
        rate = leak_rate(np.exp(log_size), fluid, fluid.dew_pressure(kelvin), ATMOSPHERE, kelvin, "vapour")
        return float(rate) * 1000 * 365.25 * 86_400 - loss

    return float(np.exp(brentq(above, np.log(1e-16), np.log(1e4), xtol=1e-13)))


@pytest.mark.parametrize("seed", range(6))
def test_trials_are_those_of_a_slow_recount(seed: int) -> None:
    tables = invented(seed, range(40))
    expected = recounted(tables)
    assert len(expected) > 40
    for numbers in (False, True):
        table = reduced(tables, numbers)
        assert list(table) == [*FORMATS["trials"][0], *FORMATS["trials"][1]]
        found = {tuple(row[:-1]): row[-1] for row in table.itertuples(index=False)}
        assert found == expected
        assert table["times"].dtype == np.int64


def test_trials_of_parts_add_to_those_of_the_whole() -> None:
    parts = [invented(seed, range(30 * seed, 30 * seed + 30)) for seed in range(3)]
    whole: dict[str, list[Row]] = {name: [row for part in parts for row in part[name]] for name in COLUMNS}
    added = joined("trials", [reduced(part) for part in parts])
    pd.testing.assert_frame_equal(added, reduced(whole))


def test_a_history_without_tests_has_no_trials() -> None:
    tables = invented(1, range(3))
    for name in ("findings", "leaks"):
        assert (reduced({**tables, name: []}).empty) is (name == "findings")


def test_sizes_of_losses_are_those_of_a_root_finder() -> None:
    losses = np.array([0.2, 5.0, 31.0, 900.0, 4e5, 0.0, np.nan, 50.0, 50.0])
    names = np.array(["R-410A", "R-22", "R-744", "R-134a", "R-290", "R-410A", "R-410A", "", "nitrogen"])
    sizes = size_of_loss(losses, names, REDUCTION.measured_at_c)
    expected = [rooted(loss, name) for loss, name in zip(losses[:5], names[:5], strict=True)]
    np.testing.assert_allclose(sizes[:5], expected, rtol=1e-9)
    assert np.isnan(sizes[5:]).all()


def test_a_size_and_its_loss_are_inverse_over_all_sizes() -> None:
    sizes = np.geomspace(1e-12, 1e-1, 3000).reshape(3, 1000)
    back = size_of_loss(loss_of_size(sizes, "R-32", 21.0), np.full(sizes.shape, "R-32"), 21.0)
    np.testing.assert_allclose(back, sizes, rtol=1e-10)


def test_bins_of_sizes_begin_at_their_edges() -> None:
    """A bin holds its lower edge and not its upper one; what has no size has no bin."""
    numbers = np.arange(-48, 9)
    edges = 10.0 ** (numbers / 4)
    assert size_bin(edges, 4).tolist() == numbers.tolist()
    assert size_bin(edges * (1 - 1e-6), 4).tolist() == (numbers - 1).tolist()
    assert size_bin(edges * 10 ** (1 / 8), 4).tolist() == numbers.tolist()
    assert size_bin([np.nan, 0.0, np.inf], 4).tolist() == [NO_SIZE] * 3

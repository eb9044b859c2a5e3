"""Cells: adding, saving, and the windows of a small history counted by hand."""

from __future__ import annotations

import json
from math import erf, log, sqrt
from pathlib import Path

import numpy as np
import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.fleet.cells.expected import expected_bin
from leakinfer.fleet.cells.model import FORMATS, Cells, Counts, load, save
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.settings import load_settings
from tests.fleet.made import cells_of

LEAK = ("flare", "split", "", 1, 0)


def test_cells_with_the_same_key_add_and_empty_ones_go() -> None:
    one = cells_of({"found": [(*LEAK, 2, 1, 0), ("stub", "split", "", 1, 0, 0, 0, 0)]})
    both = one.plus(cells_of({"found": [(*LEAK, 3, 0, 0), ("cap", "split", "", 0, 2, 1, 1, 1)]}))
    assert both.tables["found"].to_numpy().tolist() == [["cap", "split", "", 0, 2, 1, 1, 1], [*LEAK, 5, 1, 0]]


def test_cells_on_different_scales_do_not_add() -> None:
    with pytest.raises(InputError, match="other bands or priors"):
        cells_of({}).plus(cells_of({}, ages=(0.0, 2.0, 1e6)))


def test_counts_add_by_reason_and_keep_the_outer_days() -> None:
    both = Counts(3, {"a": 1, "b": 2}, 1, 10, 20).plus(Counts(4, {"b": 1}, 2, None, None))
    assert both.plus(Counts(first_day=5, last_day=6)) == Counts(7, {"a": 1, "b": 3}, 3, 5, 20)


def test_saved_cells_come_back_and_other_files_are_refused(tmp_path: Path) -> None:
    path, cells = tmp_path / "cells.json", cells_of({"found": [(*LEAK, 2, 1, 0)]})
    save(cells, path)
    assert load(path).as_bytes() == cells.as_bytes()
    for text in ("", "{}", "[1]", '{"scale": 1, "counts": {}, "tables": {}}'):
        path.write_text(text)
        with pytest.raises(InputError):
            load(path)
    with pytest.raises(InputError, match="cannot be read"):
        load(tmp_path / "none.json")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("component", []),
        ("component", 3),
        ("band", "young"),
        ("found", "2"),
        ("found", 0.5),
        ("found", None),
        ("band", {}),
    ],
)
def test_cells_of_another_kind_are_refused_with_their_column(tmp_path: Path, key: str, value: object) -> None:
    """A list as a key cannot be grouped, and texts as figures would add to one longer text."""
    path = tmp_path / "cells.json"
    save(cells_of({"found": [(*LEAK, 2, 1, 0)]}), path)
    plain = json.loads(path.read_text())
    plain["tables"]["found"][key][0] = value
    path.write_text(json.dumps(plain))
    with pytest.raises(InputError, match=f"found.{key}"):
        load(path)


@pytest.mark.parametrize("per_decade", [1, 2, 6])
def test_expected_bins_begin_at_whole_decades(per_decade: int) -> None:
    micro = np.array([1, 9, 10, 999, 1000, 10**6, 10**12], dtype=np.int64)
    decades = np.array([0, 0, 1, 2, 3, 6, 12])
    bins = expected_bin(micro, per_decade)
    assert (bins // per_decade).tolist() == decades.tolist()
    whole = np.isin(micro, [1, 10, 1000, 10**6, 10**12])
    assert (bins[whole] % per_decade == 0).all()


BY_HAND = {
    # Taken over on 2011-01-01, 365 days old; an age band ends at 365 (1 year, in whole days) and one at 1096 (3 years).
    "systems": "system,type,commissioned,followed_from,installer\nA,split,2010-01-01,2011-01-01,crew\n",
    "sites": "system,site,component,count,unknown\nA,f,flare,2,vibration\n",
    "visits": "system,visit,date,searched\n"
    "A,1,2011-04-11,yes\nA,2,2013-05-10,\nA,3,2013-05-20,no\nA,4,2013-05-30,yes\n",
    "leaks": "system,visit,site,there_before\nA,2,f,no\n",
}


def by_hand(folder: Path, **more: str) -> Cells:
    for name, text in {**BY_HAND, **more}.items():
        (folder / f"{name}.csv").write_text(text)
    return reduce_history([folder], load_catalogue(), load_settings())


def rows_of(cells: Cells, table: str) -> list[list[object]]:
    frame = cells.tables[table]
    return [list(row) for row in zip(*(frame[name].tolist() for name in frame), strict=True)]


def test_the_windows_of_a_small_history_are_those_counted_by_hand(tmp_path: Path) -> None:
    # Visits on days 100, 860 and 880 of the record (that on day 870 was no search and found nothing). Ages then: 465,
    # 1225, 1245 days. Windows of one flare: 100 days in band 1; 731 - 100 = 631 in band 1 and 129 in band 2, half of
    # which (315 and 64) goes for the leak that was found; 20 days in band 2. Two flares, so all is doubled first.
    cells = by_hand(tmp_path)
    at = ["flare", "split", "vibration?"]
    first, second, third = [*at, 1, 1], [*at, 0, 2], [*at, 1, 2]
    begun = "vibration?"
    expected = [
        [*first, begun, -1, 0, 0, 2],
        [*first, begun, 1, 0, 0, 200],
        [*second, begun, -1, 1, 0, 2],
        [*second, begun, 1, 1, 0, 200],
        [*second, begun, 1, 0, 0, 2 * 631 - 315],
        [*second, begun, 2, 0, 0, 2 * 129 - 64],
        [*third, begun, -1, 1, 1, 2],
        [*third, begun, 1, 1, 1, 200],
        [*third, begun, 1, 0, 1, 2 * 631 - 315],
        [*third, begun, 2, 0, 1, 2 * 129 - 64],
        [*third, begun, 2, 0, 0, 40],
    ]
    assert sorted(map(str, rows_of(cells, "risk"))) == sorted(map(str, expected))
    assert rows_of(cells, "found") == [[*second, 1, 1, 0]]
    assert list(cells.tables["risk"]) == [*FORMATS["risk"][0], *FORMATS["risk"][1]]


def test_a_system_proved_tight_when_it_was_taken_over_has_no_backlog(tmp_path: Path) -> None:
    text = BY_HAND["systems"].replace("installer\n", "installer,tight_then\n")
    for word, rows in (("yes", 0), ("no", 3)):
        cells = by_hand(tmp_path, systems=text.replace("crew\n", f"crew,{word}\n"))
        assert (cells.tables["risk"]["begun_band"] == -1).sum() == rows


def test_the_expected_number_is_that_of_the_shipped_priors(tmp_path: Path) -> None:
    # From the definition: 2 flares, days at no visit missed (100 + 631 - 157.5) and (129 - 32 + 20) each, by the
    # Weibull law (H = mean x 10 x (age / 10)^k, mean over a band), half the leaks of a class above its size median.
    catalogue, settings = load_catalogue(), load_settings()
    flare, vibration = catalogue.components["flare"], catalogue.exposures["vibration"]
    k = flare.age.weibull

    def hazard(low: float, high: float) -> float:
        return float(flare.hazard.mean * 10 * ((high / 10) ** k - (low / 10) ** k) / (high - low))

    ratio = 1 + vibration.prevalence.value * (vibration.ratio.median - 1)
    depth = log(settings.cells.found_least / flare.size.median) / flare.size.log_sd
    share = 0.5 - 0.5 * erf(depth / sqrt(2))
    young = (2 * 100 + 2 * 631 - 315) / 365.25 * hazard(1, 3)
    old = (2 * 129 - 64 + 40) / 365.25 * hazard(3, 6)
    micro = [round(part * ratio * share * 1e6) for part in (young, old)]
    ((type_, installer, _, leaks, systems, expected),) = rows_of(by_hand(tmp_path), "systems")
    assert (type_, installer, leaks, systems, expected) == ("split", "crew", 1, 1, sum(micro))
    assert catalogue.numbers["hazard_reference_years"] == 10

"""Bad rows of every kind: said with their place, counted, and without any effect on the cells."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.model import Cells
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.history.badrows import BadRow
from leakinfer.fleet.history.tables import BY_NAME
from leakinfer.fleet.settings import load_settings
from tests.fleet.histories import Tables, invent, write

HISTORY: dict[str, tuple[str, ...]] = {
    "systems": (
        "system,type,commissioned,followed_from,followed_until,refrigerant",
        "A,split,2012-05-01,2014-01-01,2020-12-31,R-410A",
        "B,split,2012-05-01,,,odd mix",
    ),
    "sites": (
        "system,site,component,present,absent,unknown,fitted,removed",
        "A,core,valve_core,,,,,",
        "A,old,flare,vibration,,,,2016-06-01",
        "A,new,flare,vibration,,,2016-06-01,",
        "B,core,valve_core,,,,,",
    ),
    "visits": (
        "system,visit,date,searched",
        "A,early,2013-06-01,yes",
        "A,1,2015-06-01,yes",
        "A,2,2017-06-01,yes",
        "A,late,2021-06-01,yes",
        "B,1,2015-06-01,yes",
    ),
    "leaks": ("system,visit,site,component,loss_g_per_year", "A,1,old,flare,50", "B,1,core,,80"),
    "exposures": ("system,site,exposure,since,until", "A,new,cap_missing,2017-01-01,"),
    "findings": ("system,visit,site,method,outcome", "A,1,old,bubbles,slow_foam"),
    "repairs": ("system,visit,site,exchanged,held", "A,1,old,no,yes"),
}
ALSO_SAID = "loss of refrigerant 'odd mix'"  # said of the history as it stands, and nothing is left out
CASES = [
    ("systems", "A,split,2012-05-01,,,", "system", "'A' is there already"),
    ("systems", "C,split,2012-05-01,2012-04-30,,", "followed_from", "is before commissioned"),
    ("systems", "C,split,2012-05-01,2014-01-01,2013-12-31,", "followed_until", "is before the begin of the record"),
    ("sites", "C,core,valve_core,,,,,", "system", "unknown system 'C'"),
    ("sites", "A,core,flare,,,,,", "site", "'core' is there already"),
    ("sites", "A,x,flare,vibration,vibration,,,", "present", "'vibration' is in two columns"),
    ("sites", "A,x,flare,,,,2012-04-30,", "fitted", "is before commissioned"),
    ("sites", "A,x,flare,,,,,2012-04-30", "removed", "is before fitted"),
    ("sites", "A,x,flare,,,,2016-01-01,2015-12-31", "removed", "is before fitted"),
    ("sites", "A,x", "system", "2 fields"),
    ("visits", "C,1,2015-06-01,", "system", "unknown system 'C'"),
    ("visits", "A,1,2016-06-01,", "visit", "'1' is there already"),
    ("leaks", "C,1,core,,", "system", "unknown system 'C'"),
    ("leaks", "A,9,core,,", "visit", "unknown visit '9'"),
    ("leaks", "A,1,gone,,", "site", "unknown site 'gone'"),
    ("leaks", "A,1,new,,", "site", "'new' was not in place on the day of the visit"),
    ("leaks", "A,2,old,,", "site", "'old' was not in place on the day of the visit"),
    ("leaks", "A,1,core,flare,", "component", "is flare"),
    ("exposures", "A,gone,cap_missing,,", "site", "unknown site 'gone'"),
    ("exposures", "A,core,cap_missing,2016-01-01,2015-12-31", "until", "is before since"),
    ("findings", "A,9,core,bubbles,none", "visit", "unknown visit '9'"),
    ("findings", "A,1,gone,bubbles,none", "site", "unknown site 'gone'"),
    ("findings", "A,2,old,bubbles,none", "site", "'old' was not in place on the day of the visit"),
    ("repairs", "A,9,core,,yes", "visit", "unknown visit '9'"),
    ("repairs", "A,1,new,,yes", "site", "'new' was not in place on the day of the visit"),
]


def written(folder: Path, extra: dict[str, str]) -> Path:
    folder.mkdir(exist_ok=True)
    for name, lines in HISTORY.items():
        more = (extra[name],) if name in extra else ()
        (folder / f"{name}.csv").write_text("\n".join([*lines, *more]) + "\n")
    return folder


def reduced(folder: Path) -> tuple[Cells, list[BadRow]]:
    said: list[BadRow] = []
    return reduce_history([folder], load_catalogue(), load_settings(), on_bad=said.append), said


def same_tables(one: Cells, other: Cells) -> bool:
    return all(one.tables[name].equals(other.tables[name]) for name in one.tables)


@pytest.mark.parametrize(("table", "row", "column", "what"), CASES)
def test_a_bad_row_is_said_counted_and_without_effect(
    tmp_path: Path, table: str, row: str, column: str, what: str
) -> None:
    clean, _ = reduced(written(tmp_path, {}))
    dirty, said = reduced(written(tmp_path, {table: row}))
    (bad,) = [each for each in said if ALSO_SAID not in each.what]
    line = len(HISTORY[table]) + 1
    assert (bad.table, bad.file, bad.spot) == (table, str(tmp_path / f"{table}.csv"), f"line {line}")
    assert (bad.column, bad.what) == (column, what)
    assert bad.allowed
    more = dict(dirty.counts.left_out)
    assert more.pop(bad.reason) == 1
    assert (more, dirty.counts.rows) == (clean.counts.left_out, clean.counts.rows + 1)
    assert same_tables(clean, dirty)


def test_what_lies_outside_the_record_is_counted_and_not_said(tmp_path: Path) -> None:
    extra = {"leaks": "A,late,core,,", "findings": "A,early,core,bubbles,none", "repairs": "A,early,core,,yes"}
    clean, _ = reduced(written(tmp_path, {}))
    cells, said = reduced(written(tmp_path, extra))
    outside = {f"{name}: at a visit outside the record": 1 for name in extra}
    assert cells.counts.left_out == {**outside, "visits: outside the record": 2}
    assert [ALSO_SAID in bad.what for bad in said] == [True]
    assert same_tables(clean, cells)


def test_a_loss_that_says_nothing_of_the_size_is_said_and_the_leak_is_kept(tmp_path: Path) -> None:
    cells, said = reduced(written(tmp_path, {}))
    (bad,) = said
    assert (bad.spot, bad.column, bad.reason) == ("line 3", "loss_g_per_year", "")
    assert cells.tables["sizes"]["leaks"].sum() == 1
    assert cells.tables["found"]["found"].sum() == 2


def test_a_bad_system_takes_all_its_rows_with_it(tmp_path: Path) -> None:
    folder = written(tmp_path, {"systems": "C,split,not a day,,,", "sites": "C,core,flare,,,,,"})
    cells, said = reduced(folder)
    assert [(bad.table, bad.column) for bad in said][:2] == [("systems", "commissioned"), ("sites", "system")]
    assert cells.counts.systems == 2


@pytest.mark.parametrize("seed", range(8))
def test_bad_rows_anywhere_in_a_history_change_nothing(tmp_path: Path, seed: int) -> None:
    rng, tables = random.Random(seed), invent(seed, systems=3)
    clean, _ = reduced(write(tmp_path / "clean", tables))
    added = 0
    for name, rows in tables.items():
        for _ in range(rng.randint(1, 5)):
            rows.insert(rng.randint(0, len(rows)), _spoilt(rng, name, tables))
            added += 1
    dirty, said = reduced(write(tmp_path / "dirty", tables))
    assert same_tables(clean, dirty)
    more = Counter(dirty.counts.left_out) - Counter(clean.counts.left_out)
    assert more.total() == added
    unsaid = sum(count for reason, count in more.items() if reason.endswith("outside the record"))
    assert len([bad for bad in said if bad.reason]) == added - unsaid
    assert dirty.counts.rows == clean.counts.rows + added
    for bad in (bad for bad in said if bad.reason):
        row = int(bad.spot.removeprefix("line "))
        assert "spoilt" in tables[bad.table][row - 2].values()


def _spoilt(rng: random.Random, name: str, tables: Tables) -> dict[str, str]:
    """A row with one field that cannot be."""
    row = dict(rng.choice(tables[name])) if tables[name] else dict.fromkeys(BY_NAME[name].names, "")
    columns = {
        "systems": ("commissioned", "tight_then"),
        "sites": ("component", "count", "fitted", "present", "system"),
        "exposures": ("exposure", "since", "site"),
        "visits": ("system", "date", "searched"),
        "findings": ("method", "outcome", "visit", "site"),
        "leaks": ("component", "loss_g_per_year", "visit", "site"),
        "repairs": ("held", "visit", "site"),
    }[name]
    row[rng.choice(columns)] = "spoilt"
    return row

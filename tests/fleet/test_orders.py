"""Work orders of invented firms: what is refused, and the history that comes of them."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.fleet.orders.mapping import (
    FileForm,
    Mapping,
    Phrase,
    Record,
    SystemType,
    Units,
)
from leakinfer.fleet.orders.tables import order_tables
from tests.fleet.made import rows_of
from tests.fleet.ordering import COLUMNS, CORE, NAMES, OUNCE, PHRASES, TYPES, history, order, read, write
from tests.job.small import CATALOGUE


def test_what_was_never_written_down_is_unknown(tmp_path: Path) -> None:
    tables = history([order("2020-05-01", "Fan replaced"), order("2021-05-01", "Topped up, none found")], tmp_path)
    assert rows_of(tables, "visits", "visit", "date", "searched") == [
        ("2020-05-01", "2020-05-01", ""),
        ("2021-05-01", "2021-05-01", "yes"),
    ]
    assert tables["findings"] == tables["leaks"] == tables["exposures"] == tables["repairs"] == []
    assert rows_of(tables, "systems", "type", "commissioned", "refrigerant", "followed_from", "tight_then") == [
        ("ducted_split", "2015-01-10", "R-410A", "2020-05-01", "")
    ]
    sites = {site.id: site for site in load_system("ducted_split").sites}
    assert {row["site"]: row["component"] for row in tables["sites"]} == {s.id: s.component for s in sites.values()}
    assert all(row["present"] == row["absent"] == "" for row in tables["sites"])
    assert "leaf_litter" in next(row["unknown"] for row in tables["sites"] if row["site"] == "compressor_shell")


def test_rows_of_one_order_or_day_are_one_visit_and_a_place_is_named_once(tmp_path: Path) -> None:
    rows = [
        order("2020-05-02", "leak at suction core", WO="7"),
        order("2020-05-01", "replaced suction core", WO="7", More="leak at nut"),
        order("2020-06-01", "leak at suction core"),
        order("2020-06-01", "leak search", In="200 g"),
    ]
    tables = history(rows, tmp_path)
    assert rows_of(tables, "visits", "visit", "date", "searched") == [
        ("7", "2020-05-01", ""),
        ("2020-06-01", "2020-06-01", "yes"),
    ]
    assert rows_of(tables, "leaks", "visit", "site", "component") == [
        ("7", CORE, "valve_core"),
        ("7", "", "flare"),
        ("2020-06-01", f"{CORE}#2", "valve_core"),
    ]
    assert rows_of(tables, "repairs", "visit", "site", "exchanged", "held") == [("7", CORE, "yes", "")]
    core = [row for row in rows_of(tables, "sites", "site", "fitted", "removed") if row[0].startswith(CORE)]
    assert core == [(CORE, "", "2020-05-01"), (f"{CORE}#2", "2020-05-01", "")]


def test_a_tight_place_is_written_as_not_confirmed(tmp_path: Path) -> None:
    tables = history([order("2020-05-01", "suction core was tight")], tmp_path)
    assert rows_of(tables, "leaks", "site", "confirmed") == [(CORE, "no")]


def test_a_record_that_the_analyst_vouches_for(tmp_path: Path) -> None:
    mapping = Mapping(COLUMNS, TYPES, phrase=PHRASES, record=Record(date(2018, 1, 1), date(2024, 12, 31)))
    tables = history([order("2020-05-01", "Topped up")], tmp_path, mapping)
    assert rows_of(tables, "systems", "followed_from", "followed_until") == [("2018-01-01", "2024-12-31")]


def test_a_system_built_on_its_first_day_needs_no_begin(tmp_path: Path) -> None:
    assert rows_of(history([order("2015-01-10")], tmp_path), "systems", "followed_from") == [("",)]


def losses(tmp_path: Path, *rows: dict[str, str]) -> list[str]:
    return [loss for (loss,) in rows_of(history(rows, tmp_path), "leaks", "loss_g_per_year")]


CHARGED = order("2020-05-01", "topped up", In="400 g", Charge="2.5 kg")
TWO_YEARS = 731 / 365.25  # from 2020-05-01 to 2022-05-02


def test_one_leak_between_two_charges_is_measured(tmp_path: Path) -> None:
    (loss,) = losses(tmp_path, CHARGED, order("2022-05-02", "leak at suction core, topped up", In="600 g"))
    assert float(loss) == pytest.approx(600 / TWO_YEARS, rel=1e-5)


def test_a_mass_in_the_text_stands_in_for_the_column(tmp_path: Path) -> None:
    (loss,) = losses(tmp_path, CHARGED, order("2022-05-02", "leak at suction core, topped up with 0.6 kg"))
    assert float(loss) == pytest.approx(600 / TWO_YEARS, rel=1e-5)


@pytest.mark.parametrize(
    "rows",
    [
        [order("2022-05-02", "leak at suction core, topped up", In="600 g")],
        [CHARGED, order("2022-05-02", "leak at suction core and nut, topped up", In="600 g")],
        [
            CHARGED,
            order("2021-05-02", "leak at nut"),
            order("2022-05-02", "leak at suction core, topped up", In="600 g"),
        ],
        [CHARGED, order("2022-05-02", "leak at suction core")],
        [CHARGED, order("2022-05-02", "leak at nut, tightened, topped up", In="600 g")],
        [CHARGED, order("2022-05-02", "leak at nut", In="600 g")],
        [CHARGED, order("2022-05-02", "leak at suction core, topped up", In="2.5 kg")],
        [CHARGED, order("2022-05-02", "leak at suction core, topped up", In="30 g")],
    ],
    ids=["no charge before", "two leaks", "another since", "not weighed", "refill", "maybe a refill", "empty", "error"],
)
def test_what_is_not_measured(tmp_path: Path, rows: list[dict[str, str]]) -> None:
    assert set(losses(tmp_path, *rows)) == {""}


def test_what_was_taken_out_is_no_loss(tmp_path: Path) -> None:
    (loss,) = losses(tmp_path, CHARGED, order("2022-05-02", "leak at nut, brazed", In="2.5 kg", Out="1.9 kg"))
    assert float(loss) == pytest.approx(600 / TWO_YEARS, rel=1e-5)


BAD = [
    (order("2020-05-01", Unit=""), "Unit", "is empty"),
    (order("2020-13-01"), "Day", "'2020-13-01' is not a day"),
    (order("2020-05-01", Unit="U2", Kind="chiller"), "Kind", "unknown type 'chiller'"),
    (order("2020-05-01", Unit="U3", Built=""), "Built", "nobody wrote down when 'U3' was built"),
    (order("2014-05-01"), "Day", "2014-05-01 is before 'U1' was built"),
]


def test_bad_rows_are_said_with_file_line_and_column_and_the_rest_is_kept(tmp_path: Path) -> None:
    good = order("2020-05-01", "leak at\nsuction core")
    path = write(tmp_path / "orders.csv", [good, *(row for row, _, _ in BAD), order("2021-05-01")])
    with path.open("a") as file:
        file.write("U1,2022-05-01\n\n")
    book, log, bad = read(path)
    assert [row.day for row in book.rows] == [date(2020, 5, 1), date(2021, 5, 1)]
    lines = {one.spot: one.line() for one in bad}
    assert lines.pop("line 10").startswith(f"{path}: line 10, Unit: 2 fields; allowed: 13")
    assert len(lines) == len(BAD)
    for number, (_, column, what) in enumerate(BAD, start=4):  # the first row takes two lines
        assert lines[f"line {number}"].startswith(f"{path}: line {number}, {column}: {what}; allowed: ")
    assert log.rows == 2 + len(BAD) + 1
    assert sum(log.left_out.values()) == len(BAD) + 1


def test_fields_that_cannot_be_read_are_said_and_the_row_is_kept(tmp_path: Path) -> None:
    rows = [
        order("2020-05-01", In="a bit", Search="maybe"),
        order("2020-06-01", Built="2016-01-01", Gas="R22"),
        order("2020-07-01", In="12"),
    ]
    book, log, bad = read(write(tmp_path / "orders.csv", rows))
    assert len(book.rows) == 3
    assert log.left_out == {}
    assert [(one.spot, one.column, one.what, one.reason) for one in bad] == [
        ("line 3", "Gas", "'R-22', an earlier row says 'R-410A'", ""),
        ("line 3", "Built", "'2016-01-01', an earlier row says '2015-01-10'", ""),
        ("line 2", "Search", "'maybe' is neither yes nor no", ""),
        ("line 2", "In", "'a bit' is not a mass", ""),
        ("line 4", "In", "'12' is not a mass", ""),
    ]
    assert "units.added" in bad[-1].allowed
    assert book.systems["U1"].commissioned == date(2015, 1, 10)


def test_a_column_of_yes_and_no_says_whether_it_was_a_search(tmp_path: Path) -> None:
    rows = [order(f"2020-0{n}-01", Search=word) for n, word in enumerate(["Y", "n", "", "x", "No"], start=1)]
    assert [word for (word,) in rows_of(history(rows, tmp_path), "visits", "searched")] == [
        "yes",
        "no",
        "",
        "yes",
        "no",
    ]


def test_a_row_that_stands_there_twice_counts_once(tmp_path: Path) -> None:
    book, log, bad = read(write(tmp_path / "orders.csv", [CHARGED, CHARGED, order("2020-05-01", In="100 g")]))
    assert (len(book.rows), bad) == (2, [])
    assert log.left_out == {"orders: the same as an earlier row, word for word": 1}
    tables, _ = order_tables(book, Record(), CATALOGUE)
    assert len(tables["visits"]) == 1


def test_the_age_that_the_analyst_assumes_of_a_type(tmp_path: Path) -> None:
    assumed = SystemType("ducted_split", words=("split",), commissioned=date(2012, 6, 1))
    mapping = Mapping(COLUMNS, (assumed, TYPES[1]), phrase=PHRASES)
    tables = history([order("2020-05-01", Built=""), order("2020-05-01", Unit="U2")], tmp_path, mapping)
    assert rows_of(tables, "systems", "system", "commissioned") == [("U1", "2012-06-01"), ("U2", "2015-01-10")]


def test_semicolons_other_letters_and_german_days(tmp_path: Path) -> None:
    form = FileForm(delimiter=";", encoding="cp1252", dates=("%d.%m.%Y",), decimal=",")
    mapping = Mapping(COLUMNS, TYPES, form, Units(added="kg"), phrase=(Phrase(words=("größe",), say="topped_up"),))
    path = write(tmp_path / "orders.csv", [order("05.04.2020", "Größe", In="0,6")], ";", "cp1252")
    book, _, bad = read(path, mapping)
    assert bad == []
    (row,) = book.rows
    assert (row.day, row.added_kg, row.said.topped_up) == (date(2020, 4, 5), 0.6, True)
    with pytest.raises(InputError, match=r"is not utf-8-sig text; allowed: another encoding"):
        read(path, Mapping(COLUMNS, TYPES))
    with pytest.raises(InputError, match="unknown encoding 'klingon'"):
        read(path, Mapping(COLUMNS, TYPES, FileForm(encoding="klingon")))


def test_parquet_says_the_same_as_csv(tmp_path: Path) -> None:
    rows = [CHARGED, order("2022-05-02", "leak at suction core, topped up", In="600 g"), order("soon")]
    book, _, bad = read(write(tmp_path / "orders.csv", rows))
    full = {name: [row.get(name) or None for row in rows] for name in NAMES}
    pq.write_table(
        pa.table({name: pa.array(texts, pa.string()) for name, texts in full.items()}), tmp_path / "o.parquet"
    )
    again, _, bad_again = read(tmp_path / "o.parquet")
    assert order_tables(book, Record(), CATALOGUE) == order_tables(again, Record(), CATALOGUE)
    assert [(one.spot, one.what) for one in bad_again] == [("row 3", bad[0].what)]


def test_parquet_with_days_and_numbers_of_its_own(tmp_path: Path) -> None:
    columns = {name: pa.array([None], pa.string()) for name in NAMES} | {
        "Unit": pa.array([17]),
        "Day": pa.array([datetime(2020, 5, 1, 9, 30)]),
        "Built": pa.array([date(2015, 1, 10)]),
        "Kind": pa.array(["split"]),
        "In": pa.array([8.0]),
    }
    pq.write_table(pa.table(columns), tmp_path / "orders.parquet")
    book, _, bad = read(tmp_path / "orders.parquet", Mapping(COLUMNS, TYPES, units=Units(added="oz")))
    assert bad == []
    (row,) = book.rows
    assert (row.system, row.day) == ("17", date(2020, 5, 1))
    assert row.added_kg == pytest.approx(8 * OUNCE)

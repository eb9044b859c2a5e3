"""Work orders of invented firms: what is understood, what is refused, and the history that comes of it."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.history.badrows import BadRow, Log
from leakinfer.fleet.history.writing import Tables, write_history
from leakinfer.fleet.orders.begin import begin_mapping
from leakinfer.fleet.orders.book import Book, understand
from leakinfer.fleet.orders.file import day_of, mass_of
from leakinfer.fleet.orders.mapping import (
    Columns,
    Dictionary,
    FileForm,
    Mapping,
    Phrase,
    Record,
    SystemType,
    Units,
    load_mapping,
)
from leakinfer.fleet.orders.tables import order_tables
from leakinfer.fleet.orders.text import Said, pieces_of, said_of
from leakinfer.fleet.settings import load_settings
from leakinfer.reading import shipped
from tests.job.small import CATALOGUE

POUND, OUNCE = 0.45359237, 0.028349523125  # kg; international yard and pound agreement 1959
DEMO = shipped("data_demo", "orders")

PHRASES = (
    Phrase(words=("no leak search",), say="not_searched"),
    Phrase(words=("no leak found", "none found"), say="none_found"),
    Phrase(words=("leak search",), say="searched"),
    Phrase(regex=r"\btopped\s+up\b(\s+with)?(\s+(?P<amount>[\d.]+\s*(kg|g|lb|oz)))?", say="topped_up"),
    Phrase(words=("replaced", "new"), say="exchanged"),
    Phrase(words=("tightened", "brazed"), say="repaired"),
    Phrase(words=("was tight",), say="tight"),
    Phrase(words=("suspected",), say="suspected"),
    Phrase(words=("leak", "leaking"), say="found"),
    Phrase(words=("checked",), say="named"),
    Phrase(words=("suction core",), site=("suction_port_core", "gas_port_core")),
    Phrase(words=("core",), component="valve_core"),
    Phrase(words=("drier",), component="drier_suction"),
    Phrase(words=("nut",), component="flare"),
    Phrase(words=("bend", "bends"), component="return_bend"),
    Phrase(words=("indoor coil",), unit=("indoor_coil",)),
    Phrase(words=("at", "the", "of", "and", "gas and go"), say="nothing"),
)
COLUMNS = Columns(
    system="Unit",
    date="Day",
    order="WO",
    type="Kind",
    commissioned="Built",
    charge="Charge",
    refrigerant="Gas",
    searched="Search",
    text=("Text", "More"),
    place="Where",
    added="In",
    recovered="Out",
)
TYPES = (SystemType("ducted_split", words=("split",)), SystemType("ductless_split", words=("wall unit",)))
MAPPING = Mapping(COLUMNS, TYPES, phrase=PHRASES)
NAMES = ("Unit", "Day", "WO", "Kind", "Built", "Charge", "Gas", "Search", "Text", "More", "Where", "In", "Out")


def dictionary(mapping: Mapping = MAPPING) -> Dictionary:
    return Dictionary(mapping, CATALOGUE, "map.toml")


def said(text: str, place: str = "", kind: str = "split") -> Said:
    words = dictionary()
    chosen = words.kind_of(kind)
    assert chosen is not None
    return said_of([*pieces_of(text, words, chosen), *pieces_of(place, words, chosen, place_column=True)], words)


def short(found: Said) -> dict[str, Any]:
    """What a text says, in few words; what it does not say is left out."""
    told = {
        "leaks": [leak.words for leak in found.leaks],
        "tight": [place.words for place in found.tight],
        "new": [place.words for place, new in found.repaired.items() if new],
        "mended": [place.words for place, new in found.repaired.items() if not new],
        "searched": found.searched_word,
        "topped_up": found.topped_up,
        "amount": found.amount,
    }
    return {name: value for name, value in told.items() if value}


CORE = "suction_port_core"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Topped up, none found", {"searched": "yes", "topped_up": True}),
        ("TOPPED  UP with 2.5 lb", {"topped_up": True, "amount": "2.5 lb"}),
        ("No leak search. Topped up", {"searched": "no", "topped_up": True}),
        ("No leak search; leak search", {}),  # both: nobody knows
        ("Leak at suction core", {"leaks": [CORE]}),
        ("leaking nut", {"leaks": ["flare"]}),
        ("nutty leaky cores", {}),  # whole words only
        ("checked suction core", {}),
        ("suction core", {}),
        ("leak suspected at the nut", {}),
        ("Leak at suction core, replaced", {"leaks": [CORE], "new": [CORE]}),
        ("Leak at nut; tightened", {"leaks": ["flare"], "mended": ["flare"]}),
        ("Leak at nut. Replaced capacitor", {"leaks": ["flare"]}),
        ("replaced suction core and drier", {"new": [CORE, "suction_drier"]}),
        ("suction core, drier replaced", {"new": [CORE, "suction_drier"]}),
        ("checked nut, replaced suction core", {"new": [CORE]}),
        ("tightened nut", {"leaks": ["flare"], "mended": ["flare"]}),
        ("Leak. Replaced suction core", {"leaks": [CORE], "new": [CORE]}),
        ("Leak", {"leaks": ["place unknown"]}),
        ("Leak at suction core. Core replaced", {"leaks": [CORE], "new": [CORE]}),
        ("no leak found at nut", {}),  # of that place only
        ("leak search at nut", {}),
        ("Leak at suction core, nut was tight", {"leaks": [CORE], "tight": ["flare"]}),
        (
            "leaking bends of the indoor coil, brazed",
            {"leaks": ["indoor_return_bends"], "mended": ["indoor_return_bends"]},
        ),
        ("leaking bends", {"leaks": ["return_bend"]}),  # outdoors or indoors
        ("new indoor coil", {"new": ["unit of 5 sites"]}),
        ("leak at suction core and nut", {"leaks": [CORE, "flare"]}),
        ("gas and go", {}),
    ],
)
def test_what_a_text_says(text: str, expected: dict[str, Any]) -> None:
    assert short(said(text)) == expected


def test_the_column_of_places_names_leaks() -> None:
    assert short(said("", "suction core; nut")) == {"leaks": [CORE, "flare"]}
    assert short(said("leak", "suction core")) == {"leaks": [CORE]}
    assert short(said("", "checked nut")) == {}
    assert short(said("", "behind the counter")) == {"leaks": ["place unknown"]}


def test_a_site_is_the_first_that_the_system_has() -> None:
    assert short(said("leak at suction core", kind="wall unit")) == {"leaks": ["gas_port_core"]}
    assert short(said("new indoor coil", kind="wall unit")) == {}  # it has no unit of that name


def test_a_class_with_one_site_is_that_site() -> None:
    """Counted in the shipped system file itself."""
    sites = [site.id for site in load_system("ducted_split").sites if site.component == "drier_suction"]
    assert short(said("leaking drier")) == {"leaks": sites}


def test_words_that_no_phrase_takes_are_left_over() -> None:
    words = dictionary()
    kind = words.kind_of("split")
    assert kind is not None
    pieces = pieces_of("Fan noisy, leak at 2 nuts of the roof", words, kind)
    assert [piece.left_over for piece in pieces] == [("Fan", "noisy"), ("nuts", "roof")]
    hits = [hit for piece in pieces for hit in piece.hits]
    assert [(hit.text, hit.number) for hit in hits] == [("leak", 9), ("at", 17), ("of", 17), ("the", 17)]


@pytest.mark.parametrize(
    ("text", "unit", "kg"),
    [
        ("2 lb 3 oz", None, 2 * POUND + 3 * OUNCE),
        ("2lbs. 3oz.", None, 2 * POUND + 3 * OUNCE),
        ("3#", None, 3 * POUND),
        ("14OZ", None, 14 * OUNCE),
        ("0.8 kg", None, 0.8),
        ("350g", None, 0.35),
        ("1,200 g", None, 1.2),
        ("24", "oz", 24 * OUNCE),
        (".5", "kg", 0.5),
        ("24", None, None),
        ("1,5 kg", None, None),  # a comma for a point: not read as 15 kg
        ("some", "oz", None),
        ("-2 oz", None, None),
        ("1e999 kg", None, None),
    ],
)
def test_masses_as_people_write_them(text: str, unit: Any, kg: float | None) -> None:
    assert mass_of(text, unit, FileForm()) == (None if kg is None else pytest.approx(kg, rel=1e-12))


def test_masses_with_a_decimal_comma() -> None:
    form = FileForm(decimal=",")
    assert mass_of("1,5 kg", None, form) == pytest.approx(1.5)
    assert mass_of("1.250,5 g", None, form) == pytest.approx(1.2505)
    assert mass_of("0,75", "kg", form) == pytest.approx(0.75)


@given(st.integers(0, 40), st.integers(0, 15), st.booleans())
@settings(max_examples=80, deadline=None)
def test_pounds_and_ounces_add(pounds: int, ounces: int, dots: bool) -> None:
    text = f"{pounds} lb{'s.' if dots else ''} {ounces} oz{'.' if dots else ''}"
    assert mass_of(text, None, FileForm()) == pytest.approx(pounds * POUND + ounces * OUNCE)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-02-29", date(2024, 2, 29)),
        ("2024-02-29 08:15:00", date(2024, 2, 29)),
        ("2023-02-29", None),
        ("03/04/2024", date(2024, 3, 4)),
        ("31/12/2024", date(2024, 12, 31)),
        ("12.31.2024", None),
        ("", None),
    ],
)
def test_days_as_the_firm_writes_them(text: str, day: date | None) -> None:
    assert day_of(text, FileForm(dates=("%m/%d/%Y", "%d/%m/%Y"))) == day


def write(path: Path, rows: Sequence[dict[str, str]], delimiter: str = ",", encoding: str = "utf-8") -> Path:
    with path.open("w", newline="", encoding=encoding) as file:
        writer = csv.DictWriter(file, NAMES, restval="", delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)
    return path


def order(day: str, text: str = "", **more: str) -> dict[str, str]:
    return {"Unit": "U1", "Day": day, "Kind": "split", "Built": "2015-01-10", "Gas": "R410A", "Text": text, **more}


def read(path: Path, mapping: Mapping = MAPPING) -> tuple[Book, Log, list[BadRow]]:
    bad: list[BadRow] = []
    log = Log(bad.append)
    return understand(path, dictionary(mapping), log), log, bad


def history(rows: Sequence[dict[str, str]], tmp_path: Path, mapping: Mapping = MAPPING) -> Tables:
    """The tables of these rows, which must all be in order, also for the reader of histories."""
    book, _, bad = read(write(tmp_path / "orders.csv", rows), mapping)
    assert [one.line() for one in bad] == []
    tables, _ = order_tables(book, mapping.record, CATALOGUE)
    folder = tmp_path / "history"
    write_history(tables, folder)
    cells = reduce_history([folder], CATALOGUE, load_settings(), on_bad=bad.append)
    assert [one.line() for one in bad] == []
    assert cells.counts.rows == sum(map(len, tables.values()))
    return tables


def columns(tables: Tables, table: str, *names: str) -> list[tuple[str, ...]]:
    return [tuple(row[name] for name in names) for row in tables[table]]


def test_what_was_never_written_down_is_unknown(tmp_path: Path) -> None:
    tables = history([order("2020-05-01", "Fan replaced"), order("2021-05-01", "Topped up, none found")], tmp_path)
    assert columns(tables, "visits", "visit", "date", "searched") == [
        ("2020-05-01", "2020-05-01", ""),
        ("2021-05-01", "2021-05-01", "yes"),
    ]
    assert tables["findings"] == tables["leaks"] == tables["exposures"] == tables["repairs"] == []
    assert columns(tables, "systems", "type", "commissioned", "refrigerant", "followed_from", "tight_then") == [
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
    assert columns(tables, "visits", "visit", "date", "searched") == [
        ("7", "2020-05-01", ""),
        ("2020-06-01", "2020-06-01", "yes"),
    ]
    assert columns(tables, "leaks", "visit", "site", "component") == [
        ("7", CORE, "valve_core"),
        ("7", "", "flare"),
        ("2020-06-01", f"{CORE}#2", "valve_core"),
    ]
    assert columns(tables, "repairs", "visit", "site", "exchanged", "held") == [("7", CORE, "yes", "")]
    core = [row for row in columns(tables, "sites", "site", "fitted", "removed") if row[0].startswith(CORE)]
    assert core == [(CORE, "", "2020-05-01"), (f"{CORE}#2", "2020-05-01", "")]


def test_a_tight_place_is_written_as_not_confirmed(tmp_path: Path) -> None:
    tables = history([order("2020-05-01", "suction core was tight")], tmp_path)
    assert columns(tables, "leaks", "site", "confirmed") == [(CORE, "no")]


def test_a_record_that_the_analyst_vouches_for(tmp_path: Path) -> None:
    mapping = Mapping(COLUMNS, TYPES, phrase=PHRASES, record=Record(date(2018, 1, 1), date(2024, 12, 31)))
    tables = history([order("2020-05-01", "Topped up")], tmp_path, mapping)
    assert columns(tables, "systems", "followed_from", "followed_until") == [("2018-01-01", "2024-12-31")]


def test_a_system_built_on_its_first_day_needs_no_begin(tmp_path: Path) -> None:
    assert columns(history([order("2015-01-10")], tmp_path), "systems", "followed_from") == [("",)]


def losses(tmp_path: Path, *rows: dict[str, str]) -> list[str]:
    return [loss for (loss,) in columns(history(rows, tmp_path), "leaks", "loss_g_per_year")]


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
    assert [word for (word,) in columns(history(rows, tmp_path), "visits", "searched")] == [
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
    assert columns(tables, "systems", "system", "commissioned") == [("U1", "2012-06-01"), ("U2", "2015-01-10")]


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


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("columns = 3\n", "columns"),
        ('[columns]\nsystem = "A"\ndate = "B"\n', "type"),
        ('[columns]\nsystem = "A"\ndate = "B"\n[[type]]\nsystem = "spaceship"\n', "unknown system 'spaceship'"),
        (
            '[columns]\nsystem = "A"\ndate = "B"\n[[type]]\nsystem = "heat_pump"\nnot_fitted = ["x"]\n',
            "unknown site 'x'",
        ),
    ],
)
def test_a_mapping_that_cannot_be_used(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "map.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        load_mapping(path, CATALOGUE)
    if "system" not in said:
        assert caught.value.where.startswith(str(path))


@pytest.mark.parametrize(
    ("phrase", "said"),
    [
        (Phrase(say="found"), "needs words or a regex"),
        (Phrase(words=("a",), regex="b", say="found"), "needs words or a regex"),
        (Phrase(words=("a",)), "means nothing"),
        (Phrase(regex="(", say="found"), "phrase 1: regex"),
        (Phrase(words=("a",), component="flair"), "unknown component class 'flair'.*flare"),
        (Phrase(words=("a",), site=("suction_core",)), "unknown site 'suction_core'"),
        (Phrase(words=("a",), unit=("coil",)), "unknown unit 'coil'"),
    ],
)
def test_phrases_that_mean_nothing(phrase: Phrase, said: str) -> None:
    with pytest.raises(InputError, match=said):
        dictionary(Mapping(COLUMNS, TYPES, phrase=(phrase,)))


def test_two_types_for_all_the_others() -> None:
    with pytest.raises(InputError, match="two types without words"):
        dictionary(Mapping(COLUMNS, (SystemType("heat_pump"), SystemType("ducted_split"))))


def test_a_column_that_the_file_has_not(tmp_path: Path) -> None:
    path = write(tmp_path / "orders.csv", [order("2020-05-01")])
    with pytest.raises(InputError, match=r"columns: added: unknown column 'Into', .* has it not; allowed: In"):
        read(path, Mapping(Columns(system="Unit", date="Day", added="Into"), TYPES))


def test_a_first_mapping_of_the_demo_knows_its_columns(tmp_path: Path) -> None:
    begun = begin_mapping(DEMO / "work_orders.csv")
    path = tmp_path / "map.toml"
    path.write_text(begun.text)
    mapping = load_mapping(path, CATALOGUE).mapping
    assert mapping == begun.mapping
    assert mapping.columns == load_mapping(DEMO / "mapping.toml", CATALOGUE).mapping.columns
    assert (mapping.file.dates[0], mapping.units.added) == ("%m/%d/%Y", "oz")
    assert any("chiller" in doubt for doubt in begun.doubts)
    assert [one.system for one in mapping.type] == ["ductless_split", "heat_pump", "walk_in_cooler", "ducted_split"]


def test_a_first_mapping_of_a_file_in_another_style(tmp_path: Path) -> None:
    path = tmp_path / "orders.csv"
    text = "Asset;Date;Type;Notes;Amount\nA1;05.04.2020;Heat pump;größer;0,6\nA1;28.04.2020;Heat pump;;1,25\n"
    path.write_bytes(text.encode("cp1252"))
    begun = begin_mapping(path)
    form = begun.mapping.file
    assert (form.delimiter, form.encoding, form.dates, form.decimal) == (";", "cp1252", ("%d.%m.%Y",), ",")
    assert begun.mapping.columns == Columns(system="Asset", date="Date", type="Type", text=("Notes",), added="Amount")
    assert [doubt.split(":")[0] for doubt in begun.doubts] == [
        "masses without a unit in 'Amount'",
        "no column says when a system was built",
    ]


def test_days_that_can_be_read_two_ways_are_doubted(tmp_path: Path) -> None:
    path = tmp_path / "orders.csv"
    path.write_text("Unit,Date,Installed\nA,03/04/2020,01/02/2010\n")
    assert any("fit %m/%d/%Y and %d/%m/%Y alike" in doubt for doubt in begin_mapping(path).doubts)


def test_a_file_without_systems_is_no_work_orders(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("x,y\n1,2\n")
    with pytest.raises(InputError, match="no column looks like a system"):
        begin_mapping(path)


SHIPPED_TEXTS = [
    ("Topped up, no leak found", {"searched": "yes", "topped_up": True}),
    ("Could not find the leak. Added 2 lbs 3 oz", {"searched": "yes", "topped_up": True, "amount": "2 lbs 3 oz"}),
    ("gas and go", {"topped_up": True}),
    ("customer declined leak search", {"searched": "no"}),
    ("No leak search done", {"searched": "no"}),
    ("Checked the whole system for leaks, none found", {"searched": "yes"}),
    ("Full leak search, no further leaks", {"searched": "yes"}),
    ("possible leak at suction schrader", {}),
    ("Leak at suction side schrader, core replaced", {"leaks": [CORE], "new": [CORE]}),
    ("leak found at liquid line flare, reflared", {"leaks": ["flare"], "mended": ["flare"]}),
    ("U-bend of evap coil leaking", {"leaks": ["indoor_return_bends"]}),
    ("joint of the suction line drier leaking, rebrazed", {"leaks": ["brazed_joint"], "mended": ["brazed_joint"]}),
    ("Replaced liquid line drier", {"new": ["drier_liquid"]}),
    ("New evap coil installed", {"new": ["unit of 5 sites"]}),
    ("oil at suction valve stem", {"leaks": ["service_valve_stem"]}),
    ("Replaced contactor and capacitor", {}),
]


@pytest.mark.parametrize(("text", "expected"), SHIPPED_TEXTS)
def test_the_shipped_phrases_understand_the_trade(tmp_path: Path, text: str, expected: dict[str, Any]) -> None:
    path = tmp_path / "orders.csv"
    path.write_text("Unit,Date,Notes\nA,2020-04-03,x\n")
    words = dictionary(begin_mapping(path).mapping)
    kind = words.kind_of("")
    assert kind is not None
    assert short(said_of(pieces_of(text, words, kind), words)) == expected


def test_the_demo_becomes_a_sound_history(tmp_path: Path) -> None:
    bad: list[BadRow] = []
    log = Log(bad.append)
    words = load_mapping(DEMO / "mapping.toml", CATALOGUE)
    book = understand(DEMO / "work_orders.csv", words, log)
    faults = [one for one in bad if one.reason]
    assert len(faults) == 4
    assert log.rows == len(book.rows) + sum(log.left_out.values())
    tables, _ = order_tables(book, words.mapping.record, CATALOGUE)
    write_history(tables, tmp_path / "history")
    faults.clear()
    cells = reduce_history([tmp_path / "history"], CATALOGUE, load_settings(), on_bad=faults.append)
    assert [one.line() for one in faults] == []
    assert cells.counts.left_out == {}
    confirmed = sum(row["confirmed"] == "yes" for row in tables["leaks"])
    assert int(cells.tables["found"]["found"].sum() + cells.tables["unplaced"]["found"].sum()) == confirmed

"""Work orders: mappings, first mappings, and the phrases that come with the program."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from leakinfer.errors import InputError
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.history.badrows import BadRow, Log
from leakinfer.fleet.history.writing import write_history
from leakinfer.fleet.orders.begin import begin_mapping
from leakinfer.fleet.orders.book import understand
from leakinfer.fleet.orders.mapping import (
    Columns,
    Mapping,
    Phrase,
    SystemType,
    load_mapping,
)
from leakinfer.fleet.orders.tables import order_tables
from leakinfer.fleet.orders.text import pieces_of, said_of
from leakinfer.fleet.settings import load_settings
from tests.fleet.ordering import COLUMNS, CORE, DEMO, TYPES, dictionary, order, read, short, write
from tests.job.small import CATALOGUE


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
    ("possible leak at suction core", {}),
    ("Leak at suction side core, core replaced", {"leaks": [CORE], "new": [CORE]}),
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

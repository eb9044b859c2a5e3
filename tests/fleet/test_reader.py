"""Reading a history's files: forms, true line numbers, and what is said about files that cannot be used."""

from __future__ import annotations

import csv
import datetime
import gzip
import random
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.fleet.history import files
from leakinfer.fleet.history.badrows import BadRow, Log
from leakinfer.fleet.history.reader import EPOCH, NO_DAY, Rows, open_history, read_rows

SYSTEMS = "system,type,commissioned\nA,split,2015-06-01\n"
SITES = "system,site,component\nA,core,valve_core\n"
VISITS = "system,visit,date\nA,1,2016-06-01\n"


def folder_of(path: Path, **texts: str | bytes) -> Path:
    """A history of the three needed tables, some of them given."""
    path.mkdir(exist_ok=True)
    for name, text in {"systems": SYSTEMS, "sites": SITES, "visits": VISITS, **texts}.items():
        data = text if isinstance(text, bytes) else text.encode()
        (path / f"{name}.csv").write_bytes(data)
    return path


def read(folder: Path, table: str, chunk_rows: int = 1000) -> tuple[list[Rows], list[BadRow], Log]:
    said: list[BadRow] = []
    log = Log(said.append)
    history = open_history([folder], log)
    return list(read_rows(history, table, load_catalogue(), chunk_rows, log)), said, log


def names(parts: list[Rows], column: str) -> list[str]:
    return [rows.text(column).word(row) for rows in parts for row in range(len(rows))]


def lines(parts: list[Rows]) -> list[int]:
    return [int(line) for rows in parts for line in rows.origin.line]


def test_lines_are_those_of_the_file_with_quoted_newlines_blank_and_ragged_rows(tmp_path: Path) -> None:
    text = (
        "system,note,site,component\r\n"  # line 1
        'A,"two\r\nlines",a,flare\r\n'  # 2, 3
        "\r\n"  # 4
        "A,x,b\r\n"  # 5: ragged
        'A,"an ""odd""\n\n\nnote",c,flare\r\n'  # 6 to 9
        'A,"ragged\n",d,flare,more\r\n'  # 10, 11
        ",,,\r\n"  # 12
        "A,,e,flange\r\n"  # 13: no such class
        "A,,f,flare"  # 14
    )
    for chunk_rows in (1, 2, 1000):
        parts, said, log = read(folder_of(tmp_path, sites=text), "sites", chunk_rows)
        assert names(parts, "site") == ["a", "c", "f"]
        assert lines(parts) == [2, 6, 14]
        bad = sorted((row.spot, row.column, row.what) for row in said if row.reason)
        assert [(spot, column) for spot, column, _ in bad] == [
            ("line 10", "system"),
            ("line 13", "component"),
            ("line 5", "system"),
        ]
        assert [what for _, _, what in bad] == ["5 fields", "unknown component 'flange'", "3 fields"]
        assert [(row.spot, row.column) for row in said if not row.reason] == [("header", "note")]
        assert log.rows == 6
        assert sum(log.left_out.values()) == 3


@pytest.mark.parametrize("seed", range(12))
def test_lines_of_any_file_are_those_that_the_csv_module_counts(
    tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "BLOCK_BYTES", 300)  # many blocks, so that rows lie across their edges
    rng = random.Random(seed)
    text = 'system,site,component,"no\nte"\n'
    for number in range(200):
        note = "".join(rng.choices('ab,"\n', k=rng.randint(0, 9))).replace('"', '""')
        fields = ["A", f"s{number}", "flare", f'"{note}"'][: rng.choice([4, 4, 4, 3])]
        text += rng.choice(["", "", "\n"]) + ",".join(fields) + "\n"
    path = folder_of(tmp_path, sites=text) / "sites.csv"
    expected, begin = {}, 1
    with path.open(newline="") as file:
        reader = csv.reader(file)
        for fields in reader:
            expected[begin] = fields
            begin = reader.line_num + 1
    whole = {line: row[1] for line, row in expected.items() if len(row) == 4 and line > 1}
    ragged = [f"line {line}" for line, row in expected.items() if len(row) == 3]
    for chunk_rows in (7, 1000):
        parts, said, _ = read(tmp_path, "sites", chunk_rows)
        assert dict(zip(lines(parts), names(parts, "site"), strict=True)) == whole
        assert [row.spot for row in said if row.reason] == ragged


def test_every_form_is_read_alike(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, sites=SITES + "A,cap,cap_plastic\n")
    parts, _, _ = read(folder, "sites")
    assert names(parts, "site") == ["core", "cap"]
    text = (folder / "sites.csv").read_bytes()
    (folder / "sites.csv").unlink()
    (folder / "sites.csv.gz").write_bytes(gzip.compress(text))
    assert names(read(folder, "sites")[0], "site") == ["core", "cap"]
    (folder / "sites.csv.gz").unlink()
    (folder / "sites").mkdir()
    (folder / "sites" / "b.csv.gz").write_bytes(gzip.compress(text.replace(b"A,core,valve_core\n", b"")))
    core = pa.table({"system": ["A"], "site": ["core"], "component": ["valve_core"]})
    pq.write_table(core, folder / "sites" / "a.parquet")
    (folder / "sites" / "_done.csv").write_text("")
    assert names(read(folder, "sites")[0], "site") == ["core", "cap"]


def test_columns_of_parquet_may_have_types_of_their_own(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    (folder / "visits.csv").unlink()
    day = datetime.date(2016, 6, 1)
    table = {
        "system": pa.array(["A", "A", "A"]).dictionary_encode(),
        "visit": pa.array([1, 2, 3], pa.int64()),
        "date": pa.array([datetime.datetime(2016, 6, 1, 13, 30), datetime.datetime(1969, 12, 31, 23), None]),
        "searched": pa.array([True, None, False]),
    }
    pq.write_table(pa.table(table), folder / "visits.parquet")
    (rows,), said, _ = read(folder, "visits")
    assert names([rows], "visit") == ["1", "2"]
    assert rows.figures("date").tolist() == [day.toordinal() - EPOCH, -1]
    assert names([rows], "searched") == ["yes", ""]
    assert [(row.spot, row.column, row.what) for row in said] == [("row 3", "date", "is empty")]


def test_numbers_and_lists_of_parquet(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    (folder / "sites.csv").unlink()
    table = {
        "system": ["A", "A", "A"],
        "site": ["a", "b", "c"],
        "component": ["flare"] * 3,
        "count": pa.array([2.0, float("nan"), 1.5]),
        "present": pa.array([["vibration", "cap_missing"], [], None], pa.list_(pa.string())),
        "fitted": pa.array([datetime.date(2016, 1, 1), None, None]),
    }
    pq.write_table(pa.table(table), folder / "sites.parquet")
    (rows,), said, _ = read(folder, "sites")
    assert rows.figures("count").tolist() == [2, 0]
    assert names([rows], "present") == ["vibration;cap_missing", ""]
    assert rows.figures("fitted").tolist() == [datetime.date(2016, 1, 1).toordinal() - EPOCH, NO_DAY]
    assert [(row.spot, row.column) for row in said] == [("row 3", "count")]


def test_a_type_that_is_no_text_is_refused(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    (folder / "sites.csv").unlink()
    table = {"system": ["A"], "site": ["a"], "component": pa.array([{"id": 1}])}
    pq.write_table(pa.table(table), folder / "sites.parquet")
    with pytest.raises(InputError, match=r"sites.parquet: component: holds struct.*; allowed: text"):
        read(folder, "sites")


CHARGED = "system,type,commissioned,charge_kg\n"
TESTED = "system,visit,site,method,outcome\n"
BAD_FIELDS = [
    ("sites", "system,site,component,count\n", "A,x,flare,0", "count", "'0' is not a whole number"),
    ("sites", "system,site,component,count\n", "A,x,flare,1.5", "count", "'1.5' is not a whole number"),
    ("sites", "system,site,component,count\n", "A,x,flare,1e9", "count", "'1e9' is not a whole number"),
    ("sites", "system,site,component,side\n", "A,x,flare,left", "side", "unknown word 'left'"),
    ("sites", "system,site,component,present\n", "A,x,flare,vibration;damp", "present", "unknown exposure 'damp'"),
    ("sites", "system,site,component,fitted\n", "A,x,flare,20160101", "fitted", "'20160101' is not a date"),
    ("sites", "system,site,component,fitted\n", "A,x,flare,2015-02-29", "fitted", "'2015-02-29' is not a date"),
    ("sites", "system,site,component\n", "A, ,flare", "site", "is empty"),
    ("sites", "system,site,component\n", 'A,"x\ny",flare', "site", "'x\ny' holds a line break"),
    (
        "systems",
        CHARGED,
        "B,x,2015-01-01,-1",
        "charge_kg",
        "'-1' is not a number in range",
    ),
    (
        "systems",
        CHARGED,
        "B,x,2015-01-01,inf",
        "charge_kg",
        "'inf' is not a number in range",
    ),
    (
        "systems",
        CHARGED,
        "B,x,2015-01-01,much",
        "charge_kg",
        "'much' is not a number in range",
    ),
    ("systems", "system,type,commissioned\n", "B,x,", "commissioned", "is empty"),
    ("findings", TESTED, "A,1,core,nose,silent", "method", "unknown method 'nose'"),
    (
        "findings",
        TESTED,
        "A,1,core,bubbles,hiss",
        "outcome",
        "unknown outcome 'hiss' of bubbles",
    ),
]


@pytest.mark.parametrize(("table", "header", "row", "column", "what"), BAD_FIELDS)
def test_a_bad_field_is_said_with_its_place_and_the_rest_is_kept(
    tmp_path: Path, table: str, header: str, row: str, column: str, what: str
) -> None:
    good = {
        "sites": "A,a,flare",
        "systems": "A,split,2015-01-01",
        "findings": "A,1,core,bubbles,slow_foam",
    }[table]
    good += "," * (header.count(",") - good.count(","))
    parts, said, log = read(folder_of(tmp_path, **{table: f"{header}{good}\n{row}\n{good}\n"}), table)
    assert sum(len(rows) for rows in parts) == 2
    (bad,) = said
    assert (bad.file, bad.spot, bad.column, bad.what) == (str(tmp_path / f"{table}.csv"), "line 3", column, what)
    assert bad.allowed
    assert bad.line().startswith(f"{tmp_path / table}.csv: line 3, {column}: ")
    assert "\n" not in bad.line()
    assert log.left_out == {bad.reason: 1}
    assert bad.reason.startswith(f"{table}, {column}: ")


def test_a_choice_names_near_words_first(tmp_path: Path) -> None:
    _, said, _ = read(folder_of(tmp_path, sites=SITES + "A,x,valve_cor\n"), "sites")
    assert said[0].allowed.startswith("valve_core, ")


def test_text_that_is_not_utf8_is_a_bad_row(tmp_path: Path) -> None:
    parts, said, _ = read(folder_of(tmp_path, sites=SITES.encode() + b"A,k\xe4lte,flare\nA,b,flare\n"), "sites")
    assert names(parts, "site") == ["core", "b"]
    assert [(row.spot, row.column, row.what) for row in said] == [("line 3", "site", "is not UTF-8 text")]


def test_a_byte_order_mark_and_blanks_around_names_are_no_part_of_them(tmp_path: Path) -> None:
    text = b"\xef\xbb\xbf" + b"system , site,component\n A ,core ,valve_core\n"
    parts, said, _ = read(folder_of(tmp_path, sites=text), "sites")
    assert (names(parts, "system"), names(parts, "site"), said) == (["A"], ["core"], [])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty; allowed: a line with the names"),
        ("system,site\nA,x\n", "column 'component' is missing; allowed: system, site, component"),
        ("system,site,component,site\n", "column 'site' is there twice"),
        ('system,site,component\nA,x,"' + "flare\n" * 400, "every quote closed"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_whole(
    tmp_path: Path, text: str, message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "BLOCK_BYTES", 1000)
    with pytest.raises(InputError, match=message):
        read(folder_of(tmp_path, sites=text), "sites")


@pytest.mark.parametrize("name", ["sites.csv.gz", "sites.parquet"])
def test_a_damaged_file_is_refused(tmp_path: Path, name: str) -> None:
    folder = folder_of(tmp_path)
    (folder / "sites.csv").unlink()
    (folder / name).write_bytes(b"not what it says")
    with pytest.raises(InputError, match=f"{name}: cannot be read"):
        read(folder, "sites")


def test_a_gzip_file_that_breaks_off_is_refused(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    (folder / "sites.csv").unlink()
    noise = np.random.default_rng(1).integers(0, 10**9, 20_000)
    data = SITES + "".join(f"A,s{number},flare\n" for number in noise)
    (folder / "sites.csv.gz").write_bytes(gzip.compress(data.encode())[:-50_000])
    with pytest.raises(InputError, match=r"sites.csv.gz: cannot be read"):
        read(folder, "sites")


def test_missing_folders_and_tables_are_refused(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "h")
    with pytest.raises(InputError, match="is not a folder"):
        open_history([tmp_path / "nowhere"], Log())
    (folder / "visits.csv").rename(folder / "sites.csv.gz")
    with pytest.raises(InputError, match=r"holds the table of sites twice: sites.csv, sites.csv.gz; allowed"):
        open_history([folder], Log())
    (folder / "sites.csv.gz").unlink()
    with pytest.raises(InputError, match=r"no table of visits; allowed: visits.csv"):
        open_history([folder], Log())


def test_a_column_that_nobody_reads_is_said_once(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    (folder / "sites.csv").unlink()
    (folder / "sites").mkdir()
    for name in ("a", "b"):
        (folder / "sites" / f"{name}.csv").write_text(f"system,site,component,colour\nA,{name},flare,red\n")
    parts, said, log = read(folder, "sites")
    assert [(row.column, row.spot, row.reason) for row in said] == [("colour", "header", "")]
    assert (names(parts, "site"), log.left_out) == (["a", "b"], {})


def test_a_table_with_a_header_alone_has_no_rows(tmp_path: Path) -> None:
    parts, said, log = read(folder_of(tmp_path, sites="system,site,component\n"), "sites")
    assert (sum(len(rows) for rows in parts), said, log.rows) == (0, [], 0)

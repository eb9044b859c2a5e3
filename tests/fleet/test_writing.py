"""The folder of tables that jobs and work orders are written to."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from leakinfer.errors import InputError
from leakinfer.fleet.history.tables import TABLES
from leakinfer.fleet.history.writing import (
    Row,
    Tables,
    refuse_taken,
    row_of,
    systems_in,
    together,
    write_history,
)


def history(*names: str) -> Tables:
    built = [row_of("systems", system=name, type="own", commissioned="2020-01-01") for name in names]
    return together([{"systems": built}])


def test_a_history_is_added_to_and_every_table_is_there(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "history"
    assert systems_in(folder) == ()
    write_history(history("one", 'two, "quoted"'), folder)
    (folder / "systems.csv").write_bytes((folder / "systems.csv").read_bytes().removesuffix(b"\n"))
    assert systems_in(folder) == ("one", 'two, "quoted"')
    write_history(history("three"), folder)
    assert systems_in(folder) == ("one", 'two, "quoted"', "three")
    assert sorted(path.name for path in folder.iterdir()) == sorted(f"{table.name}.csv" for table in TABLES)
    for table in TABLES:
        with (folder / f"{table.name}.csv").open(newline="") as file:
            assert next(csv.reader(file)) == list(table.names)


def test_a_folder_that_holds_a_history_is_not_written_over(tmp_path: Path) -> None:
    write_history(history("one"), tmp_path)
    with pytest.raises(InputError, match="already"):
        refuse_taken(tmp_path)
    refuse_taken(tmp_path / "new")


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [("systems.csv", b"system,type\n", "other columns"), ("visits.csv.gz", b"", "cannot be added to")],
)
def test_a_history_in_another_form_is_not_added_to(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=said):
        systems_in(tmp_path)


def test_nothing_changes_when_a_file_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_history(history("one"), tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    whole = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if ".leaks." in path.name:
            raise OSError(28, "No space left on device", str(path))
        return whole(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="No space"):
        write_history(history("two"), tmp_path)
    monkeypatch.undo()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_row_has_no_columns_of_its_own() -> None:
    with pytest.raises(KeyError):
        row_of("visits", when="2020-01-01")
    plain: Row = row_of("visits", visit="v")
    assert plain["searched"] == ""

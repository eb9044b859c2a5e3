"""``fleet check`` and ``fleet cells``, and the group that they belong to."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from leakinfer.cli.fleet import COMMANDS, fleet_libraries
from leakinfer.cli.fleet_fit import effort_of
from leakinfer.errors import InputError
from leakinfer.fleet.cells.model import load
from leakinfer.fleet.history.tables import TABLES
from tests.fleet.histories import Tables, invent, write

from .helpers import answer, as_object, contents, group_alone, page, refusal, run


def listed(seed: int, systems: int) -> Tables:
    """A history without remarks: the refrigerant of each system is known, so that measured losses mean a size."""
    made = invent(seed, systems)
    for row in made["systems"]:
        row["refrigerant"] = "R-32"
    return made


@pytest.fixture
def tables() -> Tables:
    return listed(11, systems=6)


@pytest.fixture
def folder(tmp_path: Path, tables: Tables) -> Path:
    return write(tmp_path / "history", tables)


def spoilt(tmp_path: Path, tables: Tables, rows: int) -> Path:
    """A history with so many rows of visits that name no system."""
    tables["visits"] += [{**tables["visits"][0], "system": "nowhere", "visit": f"x{n}"} for n in range(rows)]
    return write(tmp_path / "spoilt", tables)


def test_a_sound_history_is_counted_table_by_table(folder: Path, tables: Tables) -> None:
    told = answer("fleet", "check", folder)
    assert told["tables"] == {name: len(rows) for name, rows in tables.items()}
    assert told["rows"] == sum(map(len, tables.values()))
    assert (told["sound"], told["systems"], told["bad_rows"]) == (True, 6, 0)
    assert told["rows_left_out"] == sum(told["left_out"].values())
    days = sorted(row["date"] for row in tables["visits"])
    assert days[0] <= told["last_day"] <= days[-1]
    said = run("fleet", "check", folder)
    assert said.exit_code == 0
    assert f"{told['rows']:,}" in said.stdout


def test_a_row_with_a_fault_is_named_and_the_exit_code_tells(tmp_path: Path, tables: Tables) -> None:
    line = len(tables["visits"]) + 2
    bad = spoilt(tmp_path, tables, 1)
    result = run("fleet", "check", bad)
    assert result.exit_code == 2
    expected = f"leakinfer: {bad / 'visits.csv'}: line {line}, system: unknown system 'nowhere'; allowed: "
    assert any(said.startswith(expected) for said in result.stderr.splitlines())
    assert "visits, system: unknown system" in " ".join(result.stdout.split())
    told = as_object(run("fleet", "check", bad, "--json").stdout)
    assert (told["sound"], told["bad_rows"]) == (False, 1)
    (fault,) = told["faults"]
    assert (fault["table"], fault["spot"], fault["column"]) == ("visits", f"line {line}", "system")


def test_many_faults_are_not_all_named(tmp_path: Path, tables: Tables) -> None:
    bad = spoilt(tmp_path, tables, 30)
    result = run("fleet", "check", bad, "--show", "3")
    assert sum("nowhere" in line for line in result.stderr.splitlines()) == 3
    assert "leakinfer: 27 more rows with a fault (--show)" in result.stderr
    assert as_object(run("fleet", "check", bad, "--show", "3", "--json").stdout)["bad_rows"] == 30


def test_a_column_that_nobody_reads_is_a_remark_and_no_fault(tmp_path: Path, folder: Path) -> None:
    path = folder / "systems.csv"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([f"{lines[0]},colour", *(f"{line},blue" for line in lines[1:])]))
    result = run("fleet", "check", folder)
    assert result.exit_code == 0
    assert "nobody reads column 'colour'" in result.stderr
    assert any("colour" in one["what"] for one in answer_of(folder)["remarks"])


def answer_of(folder: Path) -> dict[str, list[dict[str, str]]]:
    result = run("fleet", "check", folder, "--json")
    assert result.exit_code == 0
    return as_object(result.stdout)


def test_several_folders_are_one_history(tmp_path: Path, tables: Tables) -> None:
    more = listed(12, systems=2)
    first, second = write(tmp_path / "a", tables), write(tmp_path / "b", more, "parquet")
    told = answer("fleet", "check", first, second)
    assert told["systems"] == 8
    assert told["tables"] == {name: len(rows) + len(more[name]) for name, rows in tables.items()}


def test_what_is_no_history_is_refused(tmp_path: Path) -> None:
    assert "no folder; allowed: HISTORY..., or --format" in refusal("fleet", "check")
    assert "is not a folder" in refusal("fleet", "check", tmp_path / "none")
    assert "no table of systems" in refusal("fleet", "check", tmp_path)
    assert "no table of systems" in refusal("fleet", "cells", tmp_path, "--out", tmp_path / "cells.json")


def test_the_format_is_shown_column_by_column() -> None:
    said = page("fleet", "check", "--format", columns=100)
    for table in TABLES:
        assert f"\n{table.name}" in said
        for column in table.columns:
            assert f"\n  {column.name} " in said
    assert "yes or no" in said
    formats = answer("fleet", "check", "--format")["tables"]
    assert [one["name"] for one in formats] == [table.name for table in TABLES]
    assert formats[0]["columns"][0]["needed"] is True


def test_cells_are_written_and_are_those_of_the_reduction(tmp_path: Path, folder: Path) -> None:
    from leakinfer.catalogue.reader import load_catalogue
    from leakinfer.fleet.cells.reduce import reduce_history
    from leakinfer.fleet.settings import load_settings

    before, out = contents(folder), tmp_path / "cells.json"
    told = answer("fleet", "cells", folder, "--out", out)
    expected = reduce_history([folder], load_catalogue(), load_settings())
    assert load(out).as_bytes() == expected.as_bytes()
    assert told["digest"] == expected.digest
    assert told["cells"]["risk"] == len(expected.tables["risk"])
    assert contents(folder) == before
    page_out = tmp_path / "again.json"
    said = run("fleet", "cells", folder, "--out", page_out, "--processes", "2")
    assert said.exit_code == 0
    assert "fleet fit" in said.stdout
    assert page_out.read_bytes() == out.read_bytes()


def test_cells_leave_out_rows_with_a_fault_and_say_so(tmp_path: Path, tables: Tables) -> None:
    out = tmp_path / "cells.json"
    result = run("fleet", "cells", spoilt(tmp_path, tables, 2), "--out", out)
    assert result.exit_code == 2
    assert result.stderr.count("nowhere") == 2
    assert load(out).counts.left_out["visits, system: unknown system"] == 2


def test_cells_are_not_written_where_they_cannot_be(tmp_path: Path, folder: Path) -> None:
    assert "is a folder" in refusal("fleet", "cells", folder, "--out", tmp_path)
    assert "cannot be used" in refusal("fleet", "cells", folder, "--out", tmp_path / "no" / "cells.json")


def test_the_group_lists_its_commands_without_importing_them() -> None:
    shown = group_alone("fleet", "leakinfer.cli.fleet_", "pandas", "numpy")
    assert all(f"\n  {name} " in shown for name in COMMANDS)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_each_command_of_the_group_says_how_it_is_used(name: str) -> None:
    assert f"Usage: leakinfer fleet {name}" in page("fleet", name, "--help")


def test_an_unknown_command_of_the_group_is_refused() -> None:
    assert "unknown command 'chek'; allowed: check" in refusal("fleet", "chek")


def test_a_library_that_is_missing_is_one_line(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "pyarrow"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    said = refusal("fleet", "check", folder)
    assert said == "leakinfer: fleet: pyarrow is missing, needs pip install 'leakinfer[fleet]'"


def test_a_fault_of_our_own_is_not_taken_for_a_missing_library() -> None:
    with pytest.raises(ModuleNotFoundError), fleet_libraries():
        raise ModuleNotFoundError("No module named 'leakinfer.nothing'", name="leakinfer.nothing")
    with pytest.raises(InputError, match="scipy is missing"), fleet_libraries():
        raise ModuleNotFoundError("No module named 'scipy.sparse'", name="scipy.sparse")


@pytest.mark.parametrize(("terminal", "quiet", "bars"), [("1", False, True), ("1", True, False), ("", False, False)])
def test_sampling_shows_bars_only_where_somebody_watches(
    terminal: str, quiet: bool, bars: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file or a pipe behind stderr gets none: PyMC draws them on the stderr of its first import, which may be closed
    by now. FORCE_COLOR makes rich see a terminal: https://rich.readthedocs.io/en/stable/console.html."""
    monkeypatch.setenv("FORCE_COLOR", terminal)
    assert effort_of({"chains": 2, "tune": 10, "draws": 10}, quiet).progress is bars

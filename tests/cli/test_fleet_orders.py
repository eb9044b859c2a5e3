"""``fleet orders``: work orders tried against a mapping, and written as a history."""

from __future__ import annotations

from pathlib import Path

import pytest

from leakinfer.reading import shipped

from .helpers import answer, as_object, contents, page, refusal, run

DEMO = shipped("data_demo", "orders")
ORDERS, MAP = DEMO / "work_orders.csv", DEMO / "mapping.toml"
CLEAN = 'Unit,Date,Type,Installed,Notes\nU1,2020-04-03,split,2015-01-01,"Leak at liquid core, replaced. Fan noisy"\n'


@pytest.fixture
def clean(tmp_path: Path) -> tuple[Path, Path]:
    """Work orders without a fault, and a first mapping of them."""
    path, mapping = tmp_path / "orders.csv", tmp_path / "map.toml"
    path.write_text(CLEAN)
    page("fleet", "orders", path, "--mapping", mapping, "--begin")
    return path, mapping


def test_begin_writes_a_mapping_once_and_says_what_to_look_at(tmp_path: Path) -> None:
    mapping = tmp_path / "map.toml"
    told = answer("fleet", "orders", ORDERS, "--mapping", mapping, "--begin")
    assert told["mapping"] == str(mapping)
    assert "what 'chiller' is: type" in told["look_at"]
    assert "Look at this" in mapping.read_text()
    before = mapping.read_bytes()
    assert "exists already" in refusal("fleet", "orders", ORDERS, "--mapping", mapping, "--begin")
    assert mapping.read_bytes() == before


def test_try_shows_which_phrase_decided_and_what_is_left_over(clean: tuple[Path, Path]) -> None:
    path, mapping = clean
    before = contents(path.parent)
    said = page("fleet", "orders", path, "--mapping", mapping, "--try", columns=100)
    assert "line 2: U1, 2020-04-03, Ducted split air conditioner" in said
    row = answer("fleet", "orders", path, "--mapping", mapping, "--try")["rows"][0]
    number = next(hit["phrase"] for hit in row["understood"] if hit["text"] == "liquid core")
    assert f"'liquid core' = liquid_port_core (phrase {number})" in " ".join(said.split())
    assert "not understood  Fan noisy" in said
    assert "so              leak at liquid_port_core; liquid_port_core exchanged; search unknown" in said
    assert (row["leaks"], row["repaired"]) == (["liquid_port_core"], {"liquid_port_core": "exchanged"})
    assert row["not_understood"] == ["Fan", "noisy"]
    assert contents(path.parent) == before


def test_only_rows_with_something_unclear(tmp_path: Path, clean: tuple[Path, Path]) -> None:
    path, mapping = clean
    with path.open("a") as file:
        file.write("U1,2021-04-03,split,2015-01-01,topped up\n")
    every = answer("fleet", "orders", path, "--mapping", mapping, "--try")
    assert len(every["rows"]) == every["rows_used"] == 2
    unclear = answer("fleet", "orders", path, "--mapping", mapping, "--try", "--unclear")
    assert [row["spot"] for row in unclear["rows"]] == ["line 2"]
    assert unclear["words_not_understood"] == {"fan": 1, "noisy": 1}


def test_a_history_is_written_and_sound(tmp_path: Path, clean: tuple[Path, Path]) -> None:
    path, mapping = clean
    out = tmp_path / "history"
    told = answer("fleet", "orders", path, "--mapping", mapping, "--out", out)
    assert told["tables"]["leaks"] == told["tables"]["repairs"] == told["tables"]["visits"] == 1
    checked = answer("fleet", "check", out)
    assert (checked["sound"], checked["tables"]) == (True, told["tables"])
    assert "holds a table of systems already" in refusal("fleet", "orders", path, "--mapping", mapping, "--out", out)


def test_the_demo_says_its_bad_rows_and_keeps_the_rest(tmp_path: Path) -> None:
    out = tmp_path / "history"
    result = run("fleet", "orders", ORDERS, "--mapping", MAP, "--out", out, "--json")
    assert result.exit_code == 2
    told = as_object(result.stdout)
    assert told["bad_rows"] == len(told["faults"]) == 4
    assert told["rows_read"] == told["rows_used"] + sum(told["left_out"].values())
    lines = result.stderr.splitlines()
    assert all(line.startswith(f"leakinfer: {ORDERS}: line ") for line in lines)
    assert len(lines) == 4 + len(told["remarks"])
    tried = run("fleet", "orders", ORDERS, "--mapping", MAP, "--try")
    assert tried.exit_code == 2
    assert "nichts gefunden" in tried.stdout
    assert answer("fleet", "check", out)["sound"]


def test_the_same_work_orders_give_the_same_history(tmp_path: Path) -> None:
    for name in ("a", "b"):
        run("fleet", "orders", ORDERS, "--mapping", MAP, "--out", tmp_path / name)
    assert contents(tmp_path / "a") == contents(tmp_path / "b")


def test_what_cannot_be_used_is_refused(tmp_path: Path, clean: tuple[Path, Path]) -> None:
    path, mapping = clean
    assert "one of three is wanted" in refusal("fleet", "orders", path, "--mapping", mapping)
    both = ("--try", "--out", tmp_path / "history")
    assert "one of three is wanted" in refusal("fleet", "orders", path, "--mapping", mapping, *both)
    assert "is not a file" in refusal("fleet", "orders", tmp_path / "none.csv", "--mapping", mapping, "--try")
    assert "cannot be read" in refusal("fleet", "orders", path, "--mapping", tmp_path / "none.toml", "--try")
    path.write_text(CLEAN.splitlines()[0] + "\n")
    out = tmp_path / "history"
    assert "no row can be used" in refusal("fleet", "orders", path, "--mapping", mapping, "--out", out)
    assert not out.exists()

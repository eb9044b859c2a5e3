"""``history``: job files as the tables of a history."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from leakinfer.fleet.history.tables import TABLES
from leakinfer.store import journal

from .helpers import answer, as_object, begun, contents, page, refusal, run

CORE = "suction_port_core"


class Clock:
    """What the journal takes for now."""

    now = "2024-05-06T09:30:00.000Z"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(journal, "_now", lambda: made.now)
    return made


@pytest.fixture
def job(tmp_path: Path, clock: Clock) -> Path:
    """A leak confirmed, measured and mended at a first visit; all of it searched a year later."""
    path = begun(tmp_path, "--age", "8 years", "--loss", "0.9 kg", "--over", "18 months", name="cellar.job")
    page("fact", path, "seen=litter_at_compressor", "not_there=salt_on_outdoor_unit", "not_fitted=suction_drier")
    page("record", path, "probe_point", CORE, "response", "--who", "Ada")
    page("record", path, "bubbles", CORE, "fast_bubbles", "--who", "Ada")
    page("repair", path, CORE, "--exchanged", "--who", "Ada")
    clock.now = "2025-05-10T14:00:00.000Z"
    page("back", path, "--after", "1 year", "--who", "Ben")
    zones = [zone["id"] for zone in answer("systems", "ducted_split")["system"]["zones"]]
    for zone in zones:
        if zone != "hidden":
            page("record", path, "probe_sweep", zone, "silent", "--who", "Ben")
    return path


def table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_job_becomes_a_system_of_a_history(tmp_path: Path, job: Path) -> None:
    out = tmp_path / "history"
    said = page("history", job, "--out", out, "--installer", "crew 4")
    assert "cellar" in said
    assert "fleet check" in said
    (system,) = table(out, "systems")
    assert (system["system"], system["type"], system["installer"]) == ("cellar", "ducted_split", "crew 4")
    assert (system["commissioned"], system["followed_from"]) == ("2016-05-06", "2024-05-06")  # 8 x 365.25 = 2922 days
    visits = [(row["date"], row["searched"], row["technician"]) for row in table(out, "visits")]
    assert visits == [("2024-05-06", "", "Ada"), ("2025-05-10", "yes", "Ben")]
    (leak,) = table(out, "leaks")
    assert (leak["visit"], leak["site"], leak["component"], leak["confirmed"]) == ("visit 1", CORE, "valve_core", "yes")
    (repair,) = table(out, "repairs")
    assert (repair["site"], repair["exchanged"], repair["held"]) == (CORE, "yes", "yes")
    sites = {row["site"]: row for row in table(out, "sites")}
    assert "suction_drier" not in sites
    assert (sites[CORE]["removed"], sites[f"{CORE}#2"]["fitted"]) == ("2024-05-06", "2024-05-06")
    assert "leaf_litter" in sites["compressor_shell"]["present"]
    assert "coastal_air" in sites["compressor_shell"]["absent"]
    assert sites["outdoor_fin_tubes"]["count"] == "24"


def test_the_history_is_sound(tmp_path: Path, job: Path) -> None:
    out = tmp_path / "history"
    told = answer("history", job, "--out", out)
    assert told["systems"] == ["cellar"]
    assert told["not_usable"] == []
    checked = answer("fleet", "check", out)
    assert (checked["sound"], checked["left_out"], checked["tables"]) == (True, {}, told["rows"])


def test_a_second_run_adds_and_refuses_the_same_system(tmp_path: Path, job: Path) -> None:
    out = tmp_path / "history"
    page("history", job, "--out", out)
    before = contents(out)
    line = refusal("history", job, "--out", out)
    assert "holds a table of systems already" in line
    assert "--add" in line
    again = run("history", job, "--out", out, "--add")
    assert (again.exit_code, again.stdout) == (2, "")
    assert "system 'cellar' is there already" in again.stderr
    assert contents(out) == before
    other = begun(tmp_path, "--age", "2 years", name="attic.job")
    page("history", other, "--out", out, "--add")
    assert [row["system"] for row in table(out, "systems")] == ["cellar", "attic"]
    assert (out / "sites.csv").read_bytes().startswith(before["sites.csv"])


def test_one_bad_job_does_not_keep_the_others_back(tmp_path: Path, job: Path) -> None:
    out, empty = tmp_path / "history", tmp_path / "empty.job"
    empty.write_bytes(b"")
    (tmp_path / "copy").mkdir()
    twin = tmp_path / "copy" / "cellar.job"
    twin.write_bytes(job.read_bytes())
    result = run("history", job, empty, twin, "--out", out, "--json")
    assert result.exit_code == 2
    told = as_object(result.stdout)
    assert told["systems"] == ["cellar"]
    assert [(one["where"], one["what"]) for one in told["not_usable"]] == [
        (str(empty), "is empty"),
        (str(twin), "system 'cellar' is there already"),
    ]
    assert told["error"] == told["not_usable"][0]
    assert len(result.stderr.splitlines()) == 2
    assert len(table(out, "systems")) == 1


def test_nothing_is_written_where_no_job_can_be_used(tmp_path: Path) -> None:
    result = run("history", tmp_path / "none.job", "--out", tmp_path / "history")
    assert (result.exit_code, result.stdout) == (2, "")
    assert not (tmp_path / "history").exists()


def test_an_age_that_nobody_told_is_not_made_up(tmp_path: Path, clock: Clock) -> None:
    path, out = begun(tmp_path), tmp_path / "history"
    refused = run("history", path, "--out", out)
    assert refused.exit_code == 2
    assert "nobody told how old the system is; allowed: --commissioned DATE" in refused.stderr
    page("history", path, "--out", out, "--commissioned", "2012-03-04")
    assert table(out, "systems")[0]["commissioned"] == "2012-03-04"
    page("fact", path, "age=3 years")
    page("history", path, "--out", tmp_path / "told")
    assert table(tmp_path / "told", "systems")[0]["commissioned"] == "2021-05-06"


def test_days_on_which_systems_were_built_are_told_by_job(tmp_path: Path, clock: Clock) -> None:
    jobs = [begun(tmp_path, name=name) for name in ("a.job", "b.job")]
    told = ("--commissioned", "b=2011-01-01", "--commissioned", f"{jobs[0]}=2012-01-01")
    page("history", *jobs, "--out", tmp_path / "history", *told)
    built = {row["system"]: row["commissioned"] for row in table(tmp_path / "history", "systems")}
    assert built == {"a": "2012-01-01", "b": "2011-01-01"}


@pytest.mark.parametrize(
    ("given", "said"),
    [("2011-01-01", "says not of which job"), ("c=2011-01-01", "no job 'c'"), ("a=soon", "'soon' is no day")],
)
def test_days_that_cannot_be_used(tmp_path: Path, clock: Clock, given: str, said: str) -> None:
    jobs = [begun(tmp_path, name=name) for name in ("a.job", "b.job")]
    assert said in refusal("history", *jobs, "--out", tmp_path / "history", "--commissioned", given)
    assert not (tmp_path / "history").exists()


def test_a_visit_typed_in_afterwards_is_dated_back(tmp_path: Path, clock: Clock) -> None:
    path = begun(tmp_path, "--age", "4 years")
    page("back", path, "--after", "2 years")
    page("history", path, "--out", tmp_path / "history")
    assert [row["date"] for row in table(tmp_path / "history", "visits")] == ["2022-05-07", "2024-05-06"]  # 730 days


def test_what_was_taken_back_is_not_told(tmp_path: Path, job: Path) -> None:
    page("record", job, "bubbles", "metering_inlet_flare", "fast_bubbles")
    page("undo", job)
    page("history", job, "--out", tmp_path / "history")
    assert {row["site"] for row in table(tmp_path / "history", "findings")} == {CORE}


def test_it_needs_none_of_the_heavy_libraries(tmp_path: Path, job: Path) -> None:
    from .helpers import process

    script = (
        "import sys\nfrom leakinfer.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as done:\n    assert not done.code\n"
        "heavy = {'pandas', 'pyarrow', 'pymc', 'arviz', 'scipy', 'matplotlib'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    run_alone = process(script, "history", job, "--out", tmp_path / "history")
    _, errors = run_alone.communicate(timeout=120)
    assert (run_alone.returncode, errors) == (0, "")
    assert {path.stem for path in (tmp_path / "history").iterdir()} == {part.name for part in TABLES}

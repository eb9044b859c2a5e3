"""``export``, ``import`` and ``backup``: a job as a plain file and back, the same, and copies to be safe."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from leakinfer.store import Journal

from .helpers import answer, as_object, begun, contents, page, refusal, run


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job with a finding and an undo."""
    monkeypatch.chdir(tmp_path)
    path = begun(tmp_path, "--age", "11 years", "--who", "Ada")
    page("record", path, "oil_point", "liquid_port_core", "no_oil")
    page("skip", path, "closet", "--reason", "no key")
    page("undo", path)
    return path


def test_a_job_comes_back_the_same(job: Path, tmp_path: Path) -> None:
    assert page("export", job, "--out", "a.json") == "  Written: a.json, events 4\n"
    assert page("export", job) == (tmp_path / "a.json").read_text("utf-8")
    assert page("import", "a.json", "b.job") == "  Imported: b.job, events 4\n"
    with Journal.open(job) as one, Journal.open(tmp_path / "b.job") as other:
        assert one.rows() == other.rows()
    assert page("log", "b.job") == page("log", job).replace(str(job), "b.job")
    assert answer("next", "b.job") == answer("next", job)


def test_answers_as_objects(job: Path) -> None:
    whole = answer("export", job)
    assert whole == as_object(page("export", job))
    assert [event["kind"] for event in whole["events"]] == ["begin", "finding", "skip", "undo"]
    assert answer("export", job, "--out", "a.json") == {"exported": "a.json", "events": 4}
    assert answer("import", "a.json", "b.job") == {"imported": "b.job", "events": 4, "note": ""}


def test_a_job_whose_priors_are_elsewhere_is_imported_with_a_word_on_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on another machine; with the priors named it can be worked with."""
    from leakinfer.reading import shipped

    monkeypatch.chdir(tmp_path)
    shutil.copytree(shipped("priors"), "mine")
    begun(tmp_path, "--priors", "mine")
    page("export", "a.job", "--out", "a.json")
    shutil.rmtree("mine")
    shown = page("import", "a.json", "b.job")
    assert shown.startswith("  Imported: b.job, events 1\n  It cannot be worked with here yet. ")
    assert answer("import", "a.json", "c.job")["note"] != ""
    assert answer("sites", "c.job", "--priors", shipped("priors"))["sites"]


def test_a_job_and_a_folder_are_backed_up(job: Path, tmp_path: Path) -> None:
    begun(tmp_path, name="b.job")
    (tmp_path / "copies").mkdir()
    shown = page("backup", job, "--to", "copies", columns=100)
    found = re.fullmatch(r"  Saved: (copies/[0-9-]+/a\.job), events 4\n", shown)
    assert found
    with Journal.open(job) as one, Journal.open(tmp_path / found[1]) as other:
        assert one.rows() == other.rows()
    made = answer("backup", ".", "--to", "copies")
    assert [Path(one["copy"]).name for one in made["saved"]] == ["a.job", "b.job"]
    assert [one["events"] for one in made["saved"]] == [4, 1]
    assert made["damaged"] == []
    assert answer("next", Path(made["folder"]) / "a.job") == answer("next", job)


def test_a_damaged_job_is_told_of_and_the_others_are_backed_up(job: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.job").write_text("oil on the flare nut")
    (tmp_path / "copies").mkdir()
    result = run("backup", tmp_path, "--to", "copies")
    assert result.exit_code == 2
    assert result.stdout.count("Saved: ") == 1
    line = f"leakinfer: {tmp_path / 'bad.job'}: is not a job file; allowed: a job file written by leakinfer\n"
    assert result.stderr == line
    as_json = run("backup", tmp_path, "--to", "copies", "--json")
    assert (as_json.exit_code, as_json.stderr) == (2, line)
    found = as_object(as_json.stdout)
    assert found["damaged"] == [found["error"]]
    assert len(found["saved"]) == 1


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (("export", "nowhere.job"), ("nowhere.job", "does not exist")),
        (("export", "a.job", "--out", "a.job"), ("exists already", "a new name")),
        (("export", "a.job", "--out", "nowhere/a.json"), ("nowhere",)),
        (("import", "a.json", "a.job"), ("a.job", "exists already")),
        (("import", "nowhere.json", "b.job"), ("nowhere.json", "No such file")),
        (("import", "a.job", "b.job"), ("a.job", "not a text file")),
        (("import", "notes.json", "b.job"), ("notes.json", "is not JSON")),
        (("import", "changed.json", "b.job"), ("changed.json", "was changed (event 2 is not as it was written)")),
        (("import", "short.json", "b.job"), ("short.json", "was changed (it ends too early)")),
        (("import", "a.json"), ("import", "JOB")),
        (("backup", "a.job"), ("--to",)),
        (("backup", "a.job", "--to", "nowhere"), ("nowhere", "does not exist")),
        (("backup", "nowhere.job", "--to", "."), ("nowhere.job", "does not exist")),
        (("backup", "empty", "--to", "."), ("empty", "holds no job file")),
    ],
)
def test_what_is_not_usable_changes_nothing(
    job: Path, tmp_path: Path, arguments: tuple[str, ...], named: tuple[str, ...]
) -> None:
    page("export", job, "--out", "a.json")
    text = (tmp_path / "a.json").read_text("utf-8")
    (tmp_path / "changed.json").write_text(text.replace("no_oil", "oil"), "utf-8")
    short = json.loads(text)
    short["events"].pop()
    (tmp_path / "short.json").write_text(json.dumps(short), "utf-8")
    (tmp_path / "notes.json").write_text("oil on the flare nut")
    (tmp_path / "empty").mkdir()
    before = contents(tmp_path)
    line = refusal(*arguments)
    assert all(word in line for word in named), line
    assert contents(tmp_path) == before

"""What is not usable is refused in one line with code 2, and nothing is changed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from leakinfer.reading import shipped

from .helpers import answer, begun, contents, page, refusal, run

JOB = "JOB"  # stands for a sound job's path

BAD = [
    ("fly",),
    ("--fly",),
    ("next",),
    ("next", JOB, "more"),
    ("next", JOB, "--objective", "bit"),
    ("next", JOB, "--top", "0"),
    ("next", JOB, "--priors", "nowhere"),
    ("why", JOB, "attic_joint"),
    ("record", JOB, "probe_pint", "liquid_port_core", "silent"),
    ("record", JOB, "probe_point", "liquid_core", "silent"),
    ("record", JOB, "probe_point", "liquid_port_core", "loud"),
    ("record", JOB, "probe_point", "elsewhere", "silent"),
    ("record", JOB, "probe_point", "liquid_port_core", "silent", "--false-cause", "ghosts"),
    ("record", JOB, "probe_point", "liquid_port_core", "silent", "--air", "gale"),
    ("record", JOB, "probe_point", "liquid_port_core", "silent", "--outdoor", "75"),
    ("record", JOB, "probe_point", "liquid_port_core", "silent", "--outdoor", "300 F"),
    ("record", JOB, "probe_point", "liquid_port_core", "1.9 kg"),
    ("record", JOB, "weigh_charge", "whole", "1.9 stone"),
    ("record", JOB, "weigh_charge", "whole", "19 kg"),
    ("record", JOB, "weigh_charge", "whole", "-1 kg"),
    ("record", JOB, "weigh_charge", "whole", "1.9 kg", "--state", "running"),
    ("record", JOB, "look", "litter_at_compressor", "present"),  # a fact already
    ("fact", JOB),
    ("fact", JOB, "age"),
    ("fact", JOB, "aeg=3 years"),
    ("fact", JOB, "age=3"),
    ("fact", JOB, "age=-3 years"),
    ("fact", JOB, "age=300 years"),
    ("fact", JOB, "age=1e999 years"),
    ("fact", JOB, "charge=0 kg"),
    ("fact", JOB, "charge=2.6 stone"),
    ("fact", JOB, "loss=0.4 kg"),
    ("fact", JOB, "loss=9 kg/1 year"),
    ("fact", JOB, "loss=0.5 kg/30 years"),
    ("fact", JOB, "tight_ago=30 years"),
    ("fact", JOB, "seen=ghosts"),
    ("fact", JOB, "not_fitted=elsewhere"),
    ("fact", JOB, "fitted=suction_drier"),
    ("fact", JOB, "gauges=perhaps"),
    ("fact", JOB, "at=moon"),
    ("fact", JOB, "matters=0 g/yr"),
    ("fact", JOB, "refrigerant=R-1"),
    ("fact", JOB, "false_cause=ghosts"),
    ("skip", JOB, "moon", "--reason", "no key"),
    ("skip", JOB, "closet", "--reason", " "),
    ("skip", JOB, "closet", "--reason", "no key", "--method", "probe_point"),
    ("site", JOB, "--id", "mine", "--name", "n", "--component", "brick", "--zone", "hidden", "--section", "indoor"),
    ("site", JOB, "--id", "mine", "--name", "n", "--component", "flare", "--zone", "moon", "--section", "indoor"),
    ("site", JOB, "--id", "Mine!", "--name", "n", "--component", "flare", "--zone", "hidden", "--section", "indoor"),
    (
        "site",
        JOB,
        "--id",
        "elsewhere",
        "--name",
        "n",
        "--component",
        "flare",
        "--zone",
        "hidden",
        "--section",
        "indoor",
    ),
    ("new", JOB, "--system", "ducted_split"),  # exists
    ("new", "new.job"),
    ("new", "new.job", "--system", "ducted_splt"),
    ("new", "new.job", "--system", "nowhere.toml"),
    ("new", "new.job", "--system", "rack_store:many"),
    ("new", "new.job", "--system", "ducted_split", "--refrigerant", "R-1"),
    ("new", "new.job", "--system", "ducted_split", "--age", "-3 years"),
    ("new", "new.job", "--system", "ducted_split", "--loss", "1 kg"),
    ("new", "new.job", "--system", "ducted_split", "--over", "1 year"),
    ("new", "nowhere/new.job", "--system", "ducted_split"),
    ("undo", JOB),
    ("systems", "ducted_splt"),
    ("methods", "nose"),
    ("check", "nowhere.job"),
]


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return begun(tmp_path, "--age", "11 years", "--seen", "litter_at_compressor")


@pytest.mark.parametrize("arguments", BAD, ids=" ".join)
def test_what_is_not_usable_changes_nothing(job: Path, arguments: tuple[str, ...]) -> None:
    before = contents(job.parent)
    if arguments[0] == "check":
        result = run(*arguments)
        assert (result.exit_code, result.stderr.count("\n"), result.stderr[:11]) == (2, 1, "leakinfer: ")
    else:
        refusal(*(str(job) if one == JOB else one for one in arguments))
    assert contents(job.parent) == before


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (("record", "probe_point", "liquid_port_core", "loud"), ("outcome", "silent, response")),
        (("record", "probe_pint", "liquid_port_core", "silent"), ("method", "probe_point")),
        (("record", "probe_point", "liquid_core", "silent"), ("target", "liquid_port_core")),
        (("fact", "age=3"), ("age", "years")),
        (("fact", "refrigerant=R-1"), ("refrigerant", "R-410A")),
        (("fact", "seen=ghosts"), ("circumstance", "liquid_port_seal_lost")),
    ],
)
def test_the_line_names_what_is_wrong_and_what_is_allowed(
    job: Path, arguments: tuple[str, ...], named: tuple[str, ...]
) -> None:
    line = refusal(arguments[0], job, *arguments[1:])
    assert all(word in line for word in named)
    assert "; allowed: " in line


def test_unknown_systems_and_commands_list_the_known_ones(tmp_path: Path) -> None:
    line = refusal("new", tmp_path / "a.job", "--system", "house")
    assert all(name in line for name in ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store"))
    assert "record" in refusal("recrod")


@pytest.mark.parametrize("command", ["next", "sites", "undo"])
def test_a_damaged_file_is_refused_and_left_alone(job: Path, command: str) -> None:
    page("record", job, "probe_point", "liquid_port_core", "silent")
    whole = job.read_bytes()
    spoiled = {
        "torn": whole[: len(whole) // 2],
        "short": whole[:50],
        "empty": b"",
        "binary": bytes(range(256)) * 40,
        "text": b"a job\n" * 100,
        "flipped": whole.replace(b"silent", b"silenT"),
    }
    for name, content in spoiled.items():
        bad = job.parent / f"{name}.job"
        bad.write_bytes(content)
        before = contents(job.parent)
        assert str(bad) in refusal(command, bad)
        assert contents(job.parent) == before


def test_a_folder_is_no_job(tmp_path: Path) -> None:
    assert str(tmp_path) in refusal("next", tmp_path)


def own_priors(folder: Path, file: str, old: str, new: str) -> Path:
    """The shipped priors with one text changed wherever it stands."""
    copy = folder / "priors"
    shutil.copytree(shipped("priors"), copy)
    text = (copy / file).read_text("utf-8")
    assert old in text
    (copy / file).write_text(text.replace(old, new), "utf-8")
    return copy


@pytest.mark.parametrize("value", ["1.5", "-0.1", "nan"])
def test_a_probability_outside_its_range_is_refused(tmp_path: Path, value: str) -> None:
    priors = own_priors(tmp_path, "exposures.toml", "prevalence = { value = 0.04", f"prevalence = {{ value = {value}")
    line = refusal("new", tmp_path / "a.job", "--system", "ducted_split", "--priors", priors)
    assert "exposures.toml" in line
    assert "prevalence" in line
    assert run("check", priors).exit_code == 2
    assert not (tmp_path / "a.job").exists()


def test_impossible_evidence_is_refused_before_it_is_written(tmp_path: Path) -> None:
    """A new system cannot leak, and with a probe that never errs a response is impossible."""
    priors = own_priors(tmp_path, "methods.toml", "slope = 2.0, false_alarm = 0.03", "slope = 2.0, false_alarm = 0.0")
    path = begun(tmp_path, "--age", "0 years", "--priors", str(priors))
    before = contents(tmp_path)
    assert "impossible" in refusal("record", path, "probe_point", "liquid_port_core", "response")
    assert contents(tmp_path) == before
    page("record", path, "probe_point", "liquid_port_core", "response", "--false-cause", "foam")


def test_facts_cannot_take_away_what_a_finding_was_made_on(tmp_path: Path) -> None:
    path = begun(tmp_path)
    page("record", path, "probe_point", "suction_drier", "silent")
    page("record", path, "look", "compressor_shakes", "present")
    before = contents(tmp_path)
    assert "suction_drier" in refusal("fact", path, "not_fitted=suction_drier")
    assert "compressor_shakes" in refusal("fact", path, "not_there=compressor_shakes")
    assert contents(tmp_path) == before
    page("undo", path)
    page("fact", path, "not_there=compressor_shakes")


def test_check_reports_every_file(job: Path) -> None:
    page("check")
    (job.parent / "bad.job").write_bytes(b"")
    (job.parent / "bad.toml").write_text("id = 3\n", "utf-8")
    system = shipped("priors", "systems", "heat_pump.toml")
    names = [str(name) for name in ("bad.job", job, "bad.toml", shipped("priors"), system, "rack_store:500")]
    result = run("check", *names)
    assert result.exit_code == 2
    assert [line.split(": ")[1] for line in result.stderr.splitlines()] == ["bad.job", "bad.toml"]
    assert result.stdout.count("sound: ") == 4
    assert page("check", job, "--json").startswith('{"sound": true')
    found = run("check", *names, "--json")
    assert found.exit_code == 2
    assert found.stdout.count("\n") == 1


def test_a_job_keeps_the_folder_of_its_priors(tmp_path: Path) -> None:
    own = own_priors(tmp_path, "methods.toml", "minutes = 75.0", "minutes = 90.0")
    path = begun(tmp_path, "--priors", str(own), "--consent", "intrusive")
    weighing = [test for test in answer("next", path)["next"] if test["method"] == "weigh_charge"]
    assert weighing[0]["minutes"] >= 90
    assert answer("next", path)["notices"] == []
    changed = answer("next", path, "--priors", shipped("priors"))
    assert "priors" in changed["notices"][0]
    shutil.rmtree(own)
    assert str(own) in refusal("next", path)

"""Plans of studies: what is read, and what is refused in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from leakinfer.errors import InputError
from leakinfer.reading import shipped
from leakinfer.study.running import load_plan, read, run
from leakinfer.study.running.files import replacing, write_whole

from . import standin

PLAN = """
name = "A plan"
seed = 5
jobs = 7
systems = ["ducted_split"]
truths = ["as_believed"]
policies = ["bits", "checklist"]
most_tests = 30
most_minutes = 240
"""

TRUTHS = """
[[truth]]
id = "dull_probes"
name = "Probes need twice as much"
rate50 = 2.000000123
unit = "1"
known = "judgement"
source = "invented"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text)
    return path


def test_a_plan_is_read(tmp_path: Path) -> None:
    plan = load_plan(written(tmp_path, PLAN))
    assert (plan.name, plan.seed, plan.jobs, plan.systems) == ("A plan", 5, 7, ("ducted_split",))
    assert (plan.policies, plan.most_tests, plan.most_minutes) == (("bits", "checklist"), 30, 240.0)
    assert plan.chances == ("start", "during", "end")
    assert plan.blocks == 7


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"ducted_split"', '"duct_split"', "plan.toml: system: unknown system 'duct_split'; allowed: ducted_split"),
        ('"as_believed"', '"believed"', "plan.toml: truths: unknown truth 'believed'; allowed: as_believed"),
        ('"bits"', '"bit"', "plan.toml: policies: unknown policy 'bit'; allowed: bits"),
        ('"bits"', '"nowhere_at_all:best"', "plan.toml: policies: nowhere_at_all:best: cannot import"),
        ('"bits"', '"checklist"', "plan.toml: policies: 'checklist' twice; allowed: each once"),
        ('["ducted_split"]', '["ducted_split", "ducted_split"]', "plan.toml: systems: 'ducted_split' twice"),
        ('["ducted_split"]', "[]", "plan.toml: systems: Expected array of length >= 1"),
        ("jobs = 7", "jobs = 0", "plan.toml: jobs: Expected int >= 1"),
        ("jobs = 7", "", "missing required field jobs"),
        ("jobs = 7", "jobs = 7.5", "plan.toml: jobs: Expected int, got float"),
        ("jobs = 7", "job = 7", "plan.toml: "),
        ("seed = 5", "seed = -5", "plan.toml: seed: Expected int >= 0"),
        ("240", "0", "plan.toml: most_minutes: Expected float > 0.0"),
        ("240", "nan", "plan.toml: most_minutes: Expected float > 0.0"),
        ("seed = 5", 'seed = 5\nchances = ["now"]', "plan.toml: chances[0]: Invalid enum value 'now'"),
        ("seed = 5", 'seed = 5\ntruth_file = "none.toml"', "none.toml: cannot be read"),
        ("seed = 5", "seed = 5\n[[truth]]", "plan.toml: "),
    ],
)
def test_a_plan_that_cannot_be_played_is_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = PLAN.replace(old, new, 1)
    assert text != PLAN
    with pytest.raises(InputError) as refused:
        load_plan(written(tmp_path, text))
    line = refused.value.line()
    assert said in line
    assert line.startswith(str(tmp_path))
    assert "\n" not in line


def test_a_key_that_nobody_knows_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="unknown field job"):
        load_plan(written(tmp_path, PLAN + "job = 7"))


def test_truths_of_ones_own_lie_beside_the_plan_and_go_with_the_study(
    tmp_path: Path,
) -> None:
    """The copy that a run leaves is a plan of the same study, wherever it lies."""
    home = tmp_path / "home"
    home.mkdir()
    (home / "mine.toml").write_text(TRUTHS)
    text = PLAN.replace('["as_believed"]', '["as_believed", "dull_probes"]') + 'truth_file = "mine.toml"\n'
    plan = load_plan(written(home, text))
    run(plan, tmp_path / "first", task=standin.fast)
    (home / "mine.toml").unlink()
    again = load_plan(tmp_path / "first" / "study.toml")
    run(again, tmp_path / "second", task=standin.fast)
    assert standin.bytes_of(tmp_path / "first") == standin.bytes_of(tmp_path / "second")
    assert str(tmp_path) not in (tmp_path / "first" / "study.toml").read_text()
    assert [truth.name for truth in read(tmp_path / "second").truths][1] == "Probes need twice as much"
    run(again, tmp_path / "first", task=standin.failing)  # all is kept there: nothing is played


def test_other_truths_of_ones_own_are_another_study(tmp_path: Path) -> None:
    text = PLAN.replace('["as_believed"]', '["dull_probes"]') + 'truth_file = "mine.toml"\n'
    (tmp_path / "mine.toml").write_text(TRUTHS)
    run(load_plan(written(tmp_path, text)), tmp_path / "study", task=standin.fast)
    (tmp_path / "mine.toml").write_text(TRUTHS.replace("2.000000123", "2.000000124"))
    with pytest.raises(InputError, match="holds a study of other truths"):
        run(load_plan(tmp_path / "plan.toml"), tmp_path / "study", task=standin.fast)


def test_the_plan_of_the_demonstration_can_be_played(tmp_path: Path) -> None:
    plan = load_plan(shipped("data_demo", "study", "small.toml"))
    run(plan, tmp_path / "study", task=standin.fast)
    assert len(read(tmp_path / "study").jobs) == plan.jobs * len(plan.systems) * len(plan.truths) * len(plan.policies)


def half(path: Path) -> None:
    with replacing(path) as unfinished:
        unfinished.write_bytes(b"half")
        raise ZeroDivisionError


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "file"
    write_whole(path, b"old")
    mode = path.stat().st_mode
    with pytest.raises(ZeroDivisionError):
        half(path)
    assert path.read_bytes() == b"old"
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    (tmp_path / "usual").write_bytes(b"")
    assert path.stat().st_mode == mode == (tmp_path / "usual").stat().st_mode
    assert {found.name for found in tmp_path.iterdir()} == {"file", "usual"}

"""Folders and workers that do not fit a study are refused in one line, and nothing in them is changed."""

from __future__ import annotations

import sys
from importlib import invalidate_caches
from pathlib import Path
from typing import Any

import pytest
from msgspec import structs

from leakinfer.errors import InputError
from leakinfer.study.running import program, read, run
from leakinfer.study.running.blocks import blocks_of, play_block
from leakinfer.study.running.files import held
from leakinfer.study.running.plan import truths_of
from leakinfer.study.running.program import program_of

from . import standin
from .standin import plan


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A small study."""
    run(plan(jobs=2, policies=("bits",)), tmp_path / "study", task=standin.fast)
    return tmp_path / "study"


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"seed": 4}, "(seed: 3, not 4)"),
        ({"jobs": 3}, "(jobs: 2, not 3)"),
        ({"name": "Another"}, "(name: A study of stand-ins, not Another)"),
        ({"policies": ("random",)}, "(policies: bits, not random)"),
        (
            {"truths": ("as_believed", "weaker_detectors")},
            "(truths: weaker_detectors, as_believed, not as_believed, weaker_detectors)",
        ),
        ({"most_minutes": 599.0}, "(most_minutes: 600.0, not 599.0)"),
    ],
)
def test_a_folder_with_another_plan_is_refused(kept: Path, other: dict[str, Any], said: str) -> None:
    before = contents(kept)
    with pytest.raises(InputError) as refused:
        run(plan(**{"jobs": 2, "policies": ("bits",)} | other), kept, task=standin.fast)
    assert refused.value.line().startswith(f"{kept}: holds a study of another plan {said}")
    assert "an empty folder" in refused.value.allowed
    assert contents(kept) == before


def test_a_folder_of_another_program_is_refused(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before, here = contents(kept), program_of(("bits",))
    for part, said in (
        ({"leakinfer": "9.9"}, f"is of another leakinfer ({here.leakinfer}, here 9.9)"),
        ({"numpy": "9.9"}, f"is of another numpy ({here.numpy}, here 9.9)"),
        ({"priors": "other"}, "is of other priors; "),
        ({"files": "other"}, "is of other files in priors; "),
        ({"code": "other"}, "is of another state of leakinfer's code; "),
    ):
        changed = structs.replace(here, **part)
        monkeypatch.setattr("leakinfer.study.running.runner.program_of", lambda _, changed=changed: changed)
        with pytest.raises(InputError) as refused:
            run(plan(jobs=2, policies=("bits",)), kept, task=standin.fast)
        assert refused.value.line().startswith(f"{kept}: the study there: {said}")
    assert contents(kept) == before


def test_a_folder_of_other_truths_is_refused(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The truth has kept its id, but not what it says, by less than is written down."""
    asked = plan(jobs=2, policies=("bits",))
    first, *rest = truths_of(asked, "here")
    changed = (structs.replace(first, rate50=first.rate50 * (1 + 1e-12)), *rest)
    monkeypatch.setattr("leakinfer.study.running.runner.truths_of", lambda *_: changed)
    with pytest.raises(InputError, match="holds a study of other truths"):
        run(asked, kept, task=standin.fast)


def test_a_worker_with_another_program_is_refused() -> None:
    asked = plan(jobs=1)
    truths = truths_of(asked, "here")
    there = structs.replace(program_of(asked.policies), numpy="9.9")
    (block, *_) = blocks_of(asked, truths, there)
    with pytest.raises(InputError, match=r"^worker: the study: is of another numpy \(9\.9, here .*same leakinfer"):
        play_block(block)


def test_what_is_no_folder_of_a_study_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="file: is a file"):
        run(plan(), tmp_path / "file", task=standin.fast)
    full = tmp_path / "full"
    full.mkdir()
    (full / "letter.txt").write_text("x")
    with pytest.raises(InputError, match="full: is not empty, and no study was begun there"):
        run(plan(), full, task=standin.fast)
    assert contents(full) == {"letter.txt": b"x"}
    with pytest.raises(InputError, match=r"full: holds no study; allowed: a folder that 'leakinfer study run' filled"):
        read(full)


def test_a_folder_that_another_run_is_at_work_in_is_refused(kept: Path) -> None:
    before = contents(kept)
    with held(kept, ""), pytest.raises(InputError, match=r"study: another run is at work there; allowed: waiting"):
        run(plan(jobs=2, policies=("bits",)), kept, task=standin.fast)
    assert contents(kept) == before
    run(plan(jobs=2, policies=("bits",)), kept, task=standin.fast)


def test_a_folder_with_a_plan_alone_is_refused(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text('name = "mine"\n')
    with pytest.raises(InputError, match=r"study\.toml: is a plan, no study that was begun"):
        run(plan(), tmp_path, task=standin.fast)


def test_a_kill_before_the_first_word_is_no_hindrance(tmp_path: Path) -> None:
    """What is left then is a folder with a file that never got its name."""
    (tmp_path / "study.toml.0a1b2c3d.part").write_text('name = "A stu')
    run(plan(jobs=1), tmp_path, task=standin.fast)
    assert len(read(tmp_path).jobs) == 12
    assert not list(tmp_path.glob("*.part"))


def test_the_digest_of_the_code_knows_what_plays(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A change in the engine is another program; one in a page is not, nor are other line ends or words about it."""
    package = tmp_path / "leakinfer"
    for name in ("reading.py", "inference/a.py", "study/play.py", "study/measures/m.py", "report/page.py"):
        (package / name).parent.mkdir(parents=True, exist_ok=True)
        (package / name).write_bytes(b"one = 1\ntwo = 2\n")
    monkeypatch.setattr(program, "PACKAGE", package)

    def code() -> str:
        program_of.cache_clear()
        return program_of(()).code

    try:
        first = code()
        for name in ("study/measures/m.py", "report/page.py"):
            (package / name).write_bytes(b"one = 2\n")
            assert code() == first
        (package / "study/play.py").write_bytes(b"one = 1\r\ntwo = 2\r\n")
        assert code() == first
        (package / "study/play.py").write_bytes(b'"""What it is."""\n\none = 1  # a note\n# more\ntwo = 2\n')
        assert code() == first
        (package / "study/play.py").write_bytes(b"one = '# a note'\ntwo = 2\n")
        assert code() != first
        (package / "study/play.py").write_bytes(b"one = 1\ntwo = 3\n")
        second = code()
        (package / "inference/a.py").rename(package / "inference/b.py")
        assert len({first, second, code()}) == 3
    finally:
        program_of.cache_clear()


def test_a_policy_of_ones_own_is_part_of_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "standin_ways.py"
    path.write_text("def at_once(here):\n    return None\n")
    monkeypatch.syspath_prepend(tmp_path)
    invalidate_caches()
    asked = plan(jobs=1, policies=("standin_ways:at_once",))
    run(asked, tmp_path / "study", task=standin.fast)
    path.write_text("def at_once(here):\n    return 0\n")
    program_of.cache_clear()
    with pytest.raises(InputError, match="is of another state of your own policies"):
        run(asked, tmp_path / "study", task=standin.fast)
    sys.modules.pop("standin_ways")
    program_of.cache_clear()

"""Policies by name, shipped and of one's own."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.reading import shipped
from leakinfer.study.policies import POLICIES, policy
from leakinfer.study.policies.checklists import read_checklists

from ..situations import Fixed, option


def nearest(here: Fixed) -> int:
    """A policy as somebody would write it."""
    return min(range(len(here.options)), key=lambda number: here.options[number].minutes)


def lists(path: Path, old: str = "", new: str = "") -> Path:
    """The shipped checklists with a change, in a file of one's own."""
    text = shipped("priors", "study_checklists.toml").read_text()
    assert old in text
    path.write_text(text.replace(old, new) if old else text)
    return path


def test_every_shipped_policy_is_found_under_its_own_name() -> None:
    assert len(POLICIES) == 12
    for name, one in POLICIES.items():
        assert one.name == name
        assert policy(name) is one


def test_an_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(InputError, match="unknown policy 'luckyfirst'") as caught:
        policy("luckyfirst")
    assert all(name in caught.value.allowed for name in POLICIES)


def test_a_function_of_ones_own() -> None:
    own = policy(f"{__name__}:nearest")
    assert own.name == f"{__name__}:nearest"
    assert own.choose(Fixed((option("a", minutes=3), option("b", minutes=1)))) == 1


def test_a_module_on_the_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "my_ways.py").write_text(
        "class Last:\n    name = 'last'\n    def choose(self, here):\n"
        "        return len(here.options) - 1\n\nlast = Last()\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    own = policy("my_ways:last")
    assert own.name == "last"
    assert own.choose(Fixed((option("a"), option("b")))) == 1
    sys.modules.pop("my_ways")


@pytest.mark.parametrize(
    ("name", "told"), [("no_such_module:thing", "cannot import"), ("math:nothing", "no function or policy 'nothing'")]
)
def test_what_cannot_be_loaded_is_refused(name: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        policy(name)


def test_a_checklist_of_ones_own(tmp_path: Path) -> None:
    path = lists(tmp_path / "mine.toml", 'id = "coil_first"', 'id = "mine"')
    assert policy(f"{path}:mine").name == f"{path}:mine"
    with pytest.raises(InputError, match="unknown checklist 'coil_first'"):
        policy(f"{path}:coil_first")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('steps = ["ports",', 'steps = ["prots",', "unknown step 'prots'"),
        ("\nagain_minutes", "\nagain_minuts", "unknown field|missing required field"),
        ("again_minutes = 12.0", "again_minutes = -1.0", "> 0"),
    ],
)
def test_a_bad_file_is_refused_in_one_line(tmp_path: Path, old: str, new: str, told: str) -> None:
    path = lists(tmp_path / "bad.toml", old, new)
    with pytest.raises(InputError, match=told) as caught:
        read_checklists(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_shipped_lists_name_what_the_catalogue_has() -> None:
    catalogue = load_catalogue()
    for one in read_checklists().values():
        assert {*one.following.narrow, *one.following.again} <= set(catalogue.methods)
        assert set(one.following.soap) <= {method.kind for method in catalogue.methods.values()}
        for step in one.steps:
            assert set(step.methods) | set(step.after) <= set(catalogue.methods)
            assert set(step.classes) <= set(catalogue.components)

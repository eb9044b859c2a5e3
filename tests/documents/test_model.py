"""The page on the model names functions, truths and files that exist."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

from leakinfer import documents
from leakinfer.study.world.truths import load_truths

TEXT = Path(documents.__file__).with_name("model.md").read_text(encoding="utf-8")
NAMES = sorted(set(re.findall(r"`((?:[a-z_]+\.)+[A-Za-z_]+)`", TEXT)))


def named(dotted: str) -> object:
    """The module, class, function or method below the package that a dotted name means."""
    parts = dotted.split(".")
    for length in range(len(parts), 0, -1):
        try:
            found: object = importlib.import_module(".".join(["leakinfer", *parts[:length]]))
        except ModuleNotFoundError:
            continue
        for part in parts[length:]:
            found = getattr(found, part)
        return found
    raise AssertionError(f"{dotted}: no such module")


def test_the_page_names_much_of_the_model() -> None:
    rooms = {name.split(".")[0] for name in NAMES}
    assert {"job", "inference", "physics", "planner", "study", "fleet"} <= rooms
    assert len(NAMES) > 30


@pytest.mark.parametrize("name", [name for name in NAMES if not name.endswith((".toml", ".py", ".md"))])
def test_a_name_on_the_page_exists(name: str) -> None:
    assert named(name) is not None


def test_the_truths_on_the_page_are_those_of_a_study() -> None:
    """Every way in which a truth may differ is told; the list is that of priors/study.toml."""
    assert set(load_truths()) - {"as_believed"} <= set(re.findall(r"`([a-z_]+)`", TEXT))

"""A damaged or mistaken file is refused with its name and what is wrong in it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from leakinfer.errors import InputError
from leakinfer.physics import flow, properties
from leakinfer.reading import shipped

FLOW = shipped("priors", "leak_flow.toml").read_text("utf-8")
PROPERTY = json.loads(shipped("priors", "properties.json").read_text("utf-8"))


@pytest.fixture
def replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Path]:
    """Puts a text in the place of the file that both loaders would read."""

    def put(text: str) -> Path:
        path = tmp_path / "file"
        path.write_text(text, encoding="utf-8")
        for module in (flow, properties):
            monkeypatch.setattr(module, "shipped", lambda *_: path)
        return path

    return put


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('unit = "m"', 'unit = "mm"', "channel_length: unit 'mm'; allowed: m"),
        ("value = 0.001", "value = -0.001", "channel_length"),
        ("value = 0.001", "value = '1 mm'", "channel_length"),
        ("[discharge_coefficient]", "[discharge]", "unknown field"),
        ("value = 0.001", "value = ", "TOML"),
    ],
)
def test_flow_settings(replaced: Callable[[str], Path], old: str, new: str, words: str) -> None:
    """A unit that is not SI would change every rate by thousands without a word."""
    path = replaced(FLOW.replace(old, new))
    with pytest.raises(InputError) as caught:
        flow.load_channel.__wrapped__()
    assert str(path) in str(caught.value)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "JSON"),
        ("", "empty"),
        ("[]", "object"),
        (json.dumps(PROPERTY | {"fluids": {"R-0": {"aliases": []}}}), "molar_mass"),
        (json.dumps({key: part for key, part in PROPERTY.items() if key != "water_saturation"}), "water_saturation"),
    ],
)
def test_property_file(replaced: Callable[[str], Path], text: str, words: str) -> None:
    """No half-read table."""
    path = replaced(text)
    with pytest.raises(InputError) as caught:
        properties.load_properties.__wrapped__()
    assert str(path) in str(caught.value)
    assert words in str(caught.value)

"""Screens for people: short lines, no colour, words of the trade."""

from __future__ import annotations

import io
import re
import sys
import unicodedata
from pathlib import Path

import pytest

from leakinfer.cli.entry import COMMANDS
from leakinfer.cli.screen import bar
from leakinfer.words.numbers import minutes, percent, rate

from .helpers import answer, begun, page

WORDS_OF_THE_DESK = re.compile(r"posterior|entropy|likelihood|bayes|prior probability|marginal", re.IGNORECASE)
NOT_PRINTED = re.compile(r"[\x00-\x09\x0b-\x1f\x7f]")

HOLD = ("--start", "232psi", "--end", "229psi", "--start-temp", "75F", "--end-temp", "70F", "--hours", "24")


def screens(folder: Path, columns: int) -> dict[str, str]:
    demo = page("demo", "--keep", folder, columns=columns)
    path = folder / "demo.job"
    fresh = begun(folder, "--gauges", "on", "--seen", "litter_at_compressor")
    found = {
        "demo": demo,
        "next": page("next", path, "--top", "12", columns=columns),
        "next by bits": page("next", path, "--objective", "bits", columns=columns),
        "fresh": page("next", fresh, columns=columns),
        "sites": page("sites", path, "--all", columns=columns),
        "why": page("why", path, "liquid_port_core", columns=columns),
        "fact": page("fact", path, "outdoor=86 F", columns=columns),
        "record": page("record", path, "bubbles", "liquid_port_core", "fast_bubbles", columns=columns),
        "stop": page("stop", path, columns=columns),
        "repair": page("repair", path, "suction_port_core", columns=columns),
        "back": page("back", path, "--after", "6 months", "--missing", "200 g", columns=columns),
        "log": page("log", path, columns=columns),
        "holdtime": page("holdtime", path, "--isolated", "coil_alone", columns=columns),
        "notes": page("notes", path, "liquid_port_core", columns=columns),
        "advice": page("advice", path, columns=columns),
        "hold": page("record", fresh, "hold_day", "whole", "--state", "nitrogen", *HOLD, columns=columns),
        "methods": page("methods", "probe_point", columns=columns),
        "systems": page("systems", "rack_store:2000", columns=columns),
    }
    return found


@pytest.mark.parametrize("columns", [80, 200])
def test_lines_are_short_and_plain(tmp_path: Path, columns: int) -> None:
    shown = screens(tmp_path, columns)
    for name, text in shown.items():
        long = [line for line in text.splitlines() if len(line) > min(columns, 100) and str(tmp_path) not in line]
        assert long == [], name
        assert not NOT_PRINTED.search(text), name
        assert not WORDS_OF_THE_DESK.search(text), name
        assert all(unicodedata.category(sign) != "Cn" for sign in text), name


def test_bits_are_shown_to_those_who_ask_only(tmp_path: Path) -> None:
    path = begun(tmp_path)
    assert not re.search(r"\bbits\b", page("next", path))
    assert re.search(r"\d bits$", page("next", path, "--objective", "bits"), re.MULTILINE)


def test_cautions_stand_before_the_test(tmp_path: Path) -> None:
    path = begun(tmp_path)
    shown = page("next", path, columns=100)
    first = answer("next", path)["next"][0]
    assert all(" ".join(shown.split()).find(caution) >= 0 for caution in first["cautions"])
    assert shown.index("Before you start") < shown.index("Where next") < shown.index("Likely places")
    assert shown.index("Likely places") < shown.index("Stop or go on")
    assert first["method"] in shown
    assert first["reason"] in " ".join(shown.split())


def test_a_flammable_refrigerant_is_warned_of_first(tmp_path: Path) -> None:
    """R-32 is of safety class A2L (ISO 817, ASHRAE 34; from memory), R-410A of class A1."""
    shown = page("next", begun(tmp_path, "--refrigerant", "R-32"))
    assert shown.index("Flammable refrigerant") < shown.index("Live parts")
    assert "Flammable" not in page("next", begun(tmp_path, "--refrigerant", "R-410A", name="b.job"))


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)])
def test_help_of_every_command(command: tuple[str, ...]) -> None:
    shown = page(*command, "--help")
    assert "Usage: leakinfer" in shown
    assert max(len(line) for line in shown.splitlines()) <= 100
    if not command:
        assert all(re.search(rf"^  {name} ", shown, re.MULTILINE) for name in COMMANDS)
        assert page() == shown


def test_version() -> None:
    from leakinfer import __version__

    assert page("--version") == f"leakinfer {__version__}\n"


@pytest.mark.parametrize(
    ("share", "blocks", "words"),
    [
        (0.0, "░░░░", "0%"),
        (0.001, "░░░░", "<1%"),
        (0.02, "▌░░░", "2%"),
        (0.5, "██░░", "50%"),
        (0.87, "███▌", "87%"),
        (0.9999, "████", ">99%"),
        (1.0, "████", "100%"),
    ],
)
def test_bars_and_percentages(share: float, blocks: str, words: str) -> None:
    assert (bar(share, 4), percent(share)) == (blocks, words)


def test_a_terminal_without_blocks_gets_plain_signs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "ascii"))
    assert bar(0.5, 4) == "##.."


def test_minutes_and_rates() -> None:
    assert [minutes(m) for m in (0.4, 7.2, 60, 75)] == ["1 min", "7 min", "1 h 00", "1 h 15"]
    assert [rate(g) for g in (0.0, 4.44, 372.0, 16_100.0)] == ["0 g/yr", "4.4 g/yr", "370 g/yr", "16,000 g/yr"]

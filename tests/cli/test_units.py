"""Every screen of a job speaks in the units of the person who reads it; answers for programs never change."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from .helpers import answer, begun, page, refusal, run

READING = ("--start", "232psi", "--end", "229psi", "--start-temp", "75F", "--end-temp", "70F", "--hours", "24")
METRIC_WORDS = re.compile(r"\d (kPa|bar|g/yr|kg|g|C)\b")
AMERICAN_WORDS = re.compile(r"\d (psig|psi|oz/yr|oz|lb|F)\b")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = begun(tmp_path, "--loss", "0.9 kg", "--over", "18 months", "--rating-high", "2900 kPa")
    page("fact", path, "consent=intrusive", "state=nitrogen", "test=16 bar")
    page("record", path, "bubbles", "suction_port_core", "slow_foam")
    page("record", path, "bubbles", "liquid_port_core", "none")
    return path


def screens(job: Path, units: str) -> dict[str, str]:
    """By command, what it prints; the later ones change the job."""
    told = {
        "fact": ("fact", job, "outdoor=24 C"),
        "next": ("next", job),
        "record": ("record", job, "hold_day", "whole", *READING),
        "why": ("why", job, "suction_port_core"),
        "sites": ("sites", job),
        "stop": ("stop", job),
        "holdtime": ("holdtime", job),
        "back": ("back", job, "--after", "6 months", "--missing", "200 g"),
        "log": ("log", job),
        "undo": ("undo", job),
        "systems": ("systems", "ducted_split"),
        "demo": ("demo",),
    }
    shown = {name: page("--units", units, *command) for name, command in told.items()}
    return shown | {"why": shown["why"].partition("base rate")[0]}  # what follows quotes sources


def test_no_screen_shows_units_of_others(job: Path) -> None:
    shown = screens(job, "us")
    assert {name: found[0] for name, text in shown.items() if (found := METRIC_WORDS.search(text))} == {}
    without = {name for name, text in shown.items() if not AMERICAN_WORDS.search(text)}
    assert without == set()


def test_no_metric_screen_shows_american_units(job: Path) -> None:
    shown = screens(job, "metric")
    assert {name: found[0] for name, text in shown.items() if (found := AMERICAN_WORDS.search(text))} == {}
    assert {name for name, text in shown.items() if not METRIC_WORDS.search(text)} == set()


def test_a_hold_in_the_units_that_it_was_read_in(job: Path) -> None:
    shown = " ".join(page("--units", "us", "record", job, "hold_day", "whole", *READING).split())
    assert "held (232 psig to 229 psig in 24 h, 75 F to 70 F) (nitrogen at 232 psig, still air)" in shown
    assert re.search(r"up to [\d,]+ oz/yr of R-410A at rest at [\d.]+ F", shown)


def test_who_has_not_chosen_reads_both(job: Path) -> None:
    shown = " ".join(page("fact", job, "air=still").split())
    assert "5 lb" in shown
    assert "nitrogen at 1,600 kPa (232 psi), still air, 24 C (75.2 F) outdoors" in shown
    assert "high side 2,900 kPa (421 psi)" in shown


def test_three_units_one_by_one(job: Path) -> None:
    shown = " ".join(page("--units", "bar,F,g", "fact", job, "air=still").split())
    assert "nitrogen at 16.0 bar, still air, 75.2 F outdoors" in shown


def test_the_environment_chooses_and_the_option_wins(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    american, metric = page("--units", "us", "stop", job), page("--units", "metric", "stop", job)
    monkeypatch.setenv("LEAKINFER_UNITS", "us")
    assert page("stop", job) == american != metric
    assert page("--units", "metric", "stop", job) == metric


def test_programs_get_the_same_whatever_people_read(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    commands = (("next", job), ("stop", job), ("log", job), ("holdtime", job), ("why", job, "suction_port_core"))
    plain = [answer(*command) for command in commands]
    monkeypatch.setenv("LEAKINFER_UNITS", "us")
    assert [answer(*command) for command in commands] == plain


def test_units_that_nobody_offers_are_refused(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "--units: 'yards' names no units; allowed: metric, us, or three units" in refusal(
        "--units", "yards", "next", job
    )
    assert "unit of mass" in refusal("--units", "psig,F,stone", "next", job)
    assert refusal("next", job, "--units", "us").endswith("allowed: before the command, as leakinfer --units")
    monkeypatch.setenv("LEAKINFER_UNITS", "cubits")
    assert refusal("next", job).startswith("leakinfer: LEAKINFER_UNITS: 'cubits' names no units")


def test_the_report_follows_unless_it_is_told_otherwise(job: Path, tmp_path: Path) -> None:
    def written(*told: str) -> str:
        out = tmp_path / "report.html"
        before, after = told[: told.index("report")], told[told.index("report") + 1 :]
        assert run(*before, "report", job, "--out", out, "--today", "2026-05-02", *after).exit_code == 0
        return out.read_text("utf-8")

    american = written("report", "--units", "us")
    assert written("--units", "us", "report") == american
    assert written("--units", "us", "report", "--units", "metric") == written("report") != american

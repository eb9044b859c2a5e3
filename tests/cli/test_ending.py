"""``stop``: what is confirmed, what it explains, and what to do when it ends here."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from leakinfer.job.belief import Belief
from leakinfer.planner.plan import make_plan
from leakinfer.session.ending import ending
from tests.job.small import CATALOGUE, found, shipped_job, told

from .helpers import answer, begun, page, refusal
from .test_answers import STOP_KEYS

TODAY = date(2026, 11, 25)
CORE, COIL = "suction_port_core", "indoor_coil"


@pytest.fixture(scope="module")
def belief() -> Belief:
    """One leak confirmed, part of the loss explained."""
    job = shipped_job("ducted_split", age_years=11.0, loss={"kg": 0.9, "years": 1.5})
    return Belief(told(job, found("probe_point", CORE, "response"), found("bubbles", CORE, "slow_foam")))


@pytest.fixture(scope="module")
def stop(belief: Belief) -> Any:
    return make_plan(belief).stop


def test_what_is_confirmed_is_repaired(belief: Belief, stop: Any) -> None:
    end = ending(belief, replace(stop, stop=True, likely=()), TODAY)
    assert (end.word, end.repair, end.replace, end.prove) == ("repair", (CORE,), (), ())
    assert end.unexplained_g_per_year == pytest.approx(max(0.0, 600 - stop.explained_g_per_year))
    assert ending(belief, replace(stop, stop=False), TODAY).word == "go on"


def test_a_coil_whose_places_cannot_be_told_apart_is_replaced(belief: Belief, stop: Any) -> None:
    only = replace(stop, stop=True, confirmed=(), likely=(COIL,))
    assert len(belief.units[COIL]) > 1
    end = ending(belief, only, TODAY)
    assert (end.word, end.replace, end.prove) == ("replace the unit", (COIL,), ())
    both = ending(belief, replace(only, confirmed=(CORE,)), TODAY)
    assert (both.word, both.replace) == ("repair", (COIL,))
    alone = ending(belief, replace(only, likely=("liquid_port_core",)), TODAY)
    assert (alone.word, alone.replace, alone.prove) == ("repair", (), ("liquid_port_core",))


def test_what_is_dearer_to_leave_than_to_mend_is_mended(belief: Belief, stop: Any) -> None:
    only = replace(stop, stop=True, confirmed=(), likely=(), doubtful=("liquid_port_core",))
    end = ending(belief, only, TODAY)
    assert (end.word, end.repair, end.replace, end.prove, end.unproved) == ("repair", (), (), (), ("liquid_port_core",))
    assert ending(belief, replace(only, likely=(COIL,)), TODAY).word == "replace the unit"


def test_the_screen_says_what_is_to_be_mended_unproved(tmp_path: Path) -> None:
    """One response at a core, which takes ten minutes to change, and a silence of bubbles there."""
    path = begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months")
    for _ in range(2):
        page("record", path, "probe_point", CORE, "response")
    page("record", path, "bubbles", CORE, "none")
    found = answer("stop", path)
    assert found["repair_unproved"] == found["doubtful"] == [CORE]
    assert "not proved, but dearer to leave than to repair" in " ".join(page("stop", path).split())


def test_what_is_left_is_watched_until_a_scale_would_show_it(belief: Belief, stop: Any) -> None:
    """The expected loss takes the share of the charge that counts as low: t = share m / rate."""
    grams = CATALOGUE.numbers["charge_low"] * belief.job.facts.charge_kg * 1000
    quiet = replace(stop, stop=True, confirmed=(), likely=(), observed_g_per_year=None, another=0.5)
    end = ending(belief, replace(quiet, expected_g_per_year=400.0), TODAY)
    assert end.word == "watch"
    assert end.unexplained_g_per_year is None
    assert end.watch_until == TODAY + timedelta(days=round(grams / 400 * 365.25))
    slow = ending(belief, replace(quiet, expected_g_per_year=1.0), TODAY)
    assert slow.watch_until == TODAY + timedelta(days=CATALOGUE.numbers["watch_longest_days"])
    seen = replace(quiet, expected_g_per_year=1.0, observed_g_per_year=800.0, explained_g_per_year=0.0)
    assert ending(belief, seen, TODAY).watch_until == TODAY + timedelta(days=round(grams / 800 * 365.25))
    done = ending(belief, replace(quiet, another=0.001, expected_g_per_year=0.1), TODAY)
    assert (done.word, done.watch_until) == ("done", None)


def test_the_command_answers_with_all_its_parts(tmp_path: Path) -> None:
    path = begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months")
    page("record", path, "probe_point", CORE, "response")
    page("record", path, "bubbles", CORE, "slow_foam")
    before = path.read_bytes()
    found = answer("stop", path, "--today", "2026-11-25")
    extra = {"decision", "repair", "replace", "prove_first", "repair_unproved", "watch_until", "unexplained_g_per_year"}
    assert set(found) == STOP_KEYS | extra | {"ask", "rules"}
    assert found["confirmed"] == [CORE]
    assert found["repair"][0]["site"] == CORE
    assert "probe and bubbles" in found["repair"][0]["verify"][0]
    assert found["unexplained_g_per_year"] == pytest.approx(max(0.0, 600 - found["explained_g_per_year"]))
    assert "2026-11-25" < found["watch_until"] <= "2027-11-25"
    assert page(*found["rules"][1][1:]).startswith("\nLeak checks")
    shown = page("stop", path)
    flat = " ".join(shown.split())
    for words in (
        "Stop or go on",
        f"({CORE}), about",
        "of the 600 g/yr lost",
        "unexplained",
        "going on",
        "at stake" if found["stop"] else "to know more",
        f"leakinfer notes {path.name}" if path.parent == Path() else "leakinfer notes",
        "watch until",
        "prove it",
        "leakinfer rules us --refrigerant R-410A --charge 2.6kg",
    ):
        assert words in flat, words
    assert path.read_bytes() == before


def test_a_day_that_is_none_is_refused(tmp_path: Path) -> None:
    assert "--today" in refusal("stop", begun(tmp_path), "--today", "tomorrow")

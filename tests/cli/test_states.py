"""The state of the system as facts and as options of ``record``: pressures, parts shut off, what a change ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from .helpers import answer, begun, page, refusal

PSI = 6.894757293168361  # kPa: pound-force 4.4482216152605 N over 645.16 mm2 (definitions of 1959 and 1901)

READ = [
    ("high=118 psi", "high_kpa", 118 * PSI),
    ("low=8.1 bar", "low_kpa", 810.0),
    ("rating_high=450 psig", "rating_high_kpa", 450 * PSI),
    ("rating_low=1.6 MPa", "rating_low_kpa", 1600.0),
    ("volume=7 l", "volume_l", 7.0),
    ("volume=2 gal", "volume_l", 7.570823568),  # US gallon, 231 cubic inches
    ("consent=quick", "consent", "quick"),
    ("time_left=45 min", "minutes_left", 45.0),
    ("time-left=1 h 30 min", "minutes_left", 90.0),
    ("not_on_van=dye_lamp", "not_on_van", ["dye_lamp"]),
    ("in_place=dye", "aids", ["dye"]),
    ("noticed=oil_left_behind", "seen", ["oil_left_behind"]),
    ("state=flat", "state", "flat"),
    ("state=vacuum", "state", "vacuum"),
]

FORGOTTEN = ["high", "low", "rating_high", "rating_low", "volume", "time_left"]


def facts(path: Path, *told: str) -> dict[str, Any]:
    found = answer("fact", path, *told)["facts"]
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize(("text", "name", "value"), READ)
def test_a_fact_is_read_in_its_units(tmp_path: Path, text: str, name: str, value: object) -> None:
    found = facts(begun(tmp_path), text)[name]
    assert found == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value)


def test_a_number_can_be_forgotten(tmp_path: Path) -> None:
    path = begun(tmp_path)
    page("fact", path, "high=118 psi", "low=118 psi", "rating_high=450psi", "rating_low=250psi", "volume=7l")
    page("fact", path, "time_left=1 h")
    told = facts(path, *(f"{name}=none" for name in FORGOTTEN))
    names = ("high_kpa", "low_kpa", "rating_high_kpa", "rating_low_kpa", "volume_l", "minutes_left")
    assert [told[name] for name in names] == [None] * 6


def test_lists_can_be_taken_back(tmp_path: Path) -> None:
    path = begun(tmp_path)
    told = facts(path, "not_on_van=dye_lamp", "not_on_van=nitrogen_kit", "in_place=dye", "noticed=dirty_coil")
    assert told["not_on_van"] == ["dye_lamp", "nitrogen_kit"]
    told = facts(path, "on_van=dye_lamp", "not_in_place=dye", "not_noticed=dirty_coil")
    assert (told["not_on_van"], told["aids"], told["seen"]) == (["nitrogen_kit"], [], [])
    assert "not on van" in refusal("fact", path, "on_van=dye_lamp")


@pytest.mark.parametrize("order", [1, -1])
def test_a_state_with_its_pressure_in_any_order(tmp_path: Path, order: int) -> None:
    path = begun(tmp_path)
    words = ["state=nitrogen", "test=230psi", "isolated=outdoor_unit"][::order]
    told = facts(path, *words)
    assert (told["state"], told["test_isolation"]) == ("nitrogen", "outdoor_unit")
    assert told["test_kpa"] == pytest.approx(230 * PSI)
    assert "nitrogen at 1,586 kPa" in page("fact", path, "isolated=whole")


def test_another_state_ends_what_belonged_to_the_old_one(tmp_path: Path) -> None:
    path = begun(tmp_path, "--high", "118 psi", "--low", "118 psi")
    told = facts(path, "state=nitrogen", "test=230 psi", "isolated=outdoor_unit")
    assert (told["high_kpa"], told["low_kpa"]) == (None, None)
    assert facts(path, "state=nitrogen")["test_kpa"] == pytest.approx(230 * PSI)  # the same state: all holds
    told = facts(path, "state=flat")
    assert (told["test_kpa"], told["test_isolation"]) == (0.0, None)


def test_turning_round_ends_the_gauge_readings(tmp_path: Path) -> None:
    path = begun(tmp_path, system="heat_pump")
    told = facts(path, "heating=yes", "state=running", "high=20 bar", "low=6 bar")
    assert (told["heating"], told["high_kpa"]) == (True, pytest.approx(2000.0))
    told = facts(path, "heating=no")
    assert (told["heating"], told["high_kpa"], told["low_kpa"]) == (False, None, None)
    told = facts(path, "heating=yes", "high=20 bar")
    assert told["high_kpa"] == pytest.approx(2000.0)
    assert facts(path, "state=standing")["heating"] is False


def test_all_options_of_new_reach_the_facts(tmp_path: Path) -> None:
    path = tmp_path / "a.job"
    given = ["--state", "nitrogen", "--test", "230 psi", "--isolated", "outdoor_unit", "--rating-high", "450 psi"]
    given += ["--rating-low", "250 psi", "--volume", "7 l", "--consent", "intrusive", "--time-left", "2 h"]
    given += ["--not-on-van", "dye_lamp", "--not-on-van", "dye_kit", "--in-place", "dye", "--noticed", "dirty_coil"]
    told = answer("new", path, "--system", "ducted_split", *given)["facts"]
    names = ("state", "test_isolation", "volume_l", "consent", "minutes_left", "not_on_van", "aids", "seen")
    expected = ["nitrogen", "outdoor_unit", 7.0, "intrusive", 120.0, ["dye_kit", "dye_lamp"], ["dye"], ["dirty_coil"]]
    assert [told[name] for name in names] == expected
    assert told["test_kpa"] == pytest.approx(230 * PSI)
    shown = page("fact", path, "gauges=on")
    for words in ("nitrogen at 1,586 kPa", "outdoor unit", "450 psi", "7 l", "intrusive work", "120 min", "lamp"):
        assert words in shown
    heat = answer("new", tmp_path / "b.job", "--system", "heat_pump", "--state", "running", "--heating", "yes")
    assert heat["facts"]["heating"] is True


def test_a_history_of_dates_becomes_age_and_loss(tmp_path: Path) -> None:
    path = tmp_path / "a.job"
    past = ["--commissioned", "2019-05-01", "--top-up", "2024-05-03=300g", "--top-up", "2025-05-03=14 oz"]
    told = answer("new", path, "--system", "ducted_split", *past, "--missing-now", "200 g", "--today", "2026-11-25")
    # 2,765 days from 2019-05-01 and 936 from 2024-05-03 to 2026-11-25; ounce 28.349523125 g (definition of 1959)
    assert told["facts"]["age_years"] == pytest.approx(2765 / 365.25)
    assert told["facts"]["loss"]["years"] == pytest.approx(936 / 365.25)
    assert told["facts"]["loss"]["kg"] == pytest.approx(14 * 0.028349523125 + 0.2)


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (("--top-up", "2024-05-03=300g"), "--top-up"),
        (("--missing-now", "300g"), "--missing-now"),
        (("--commissioned", "May 2019"), "--commissioned"),
        (("--commissioned", "2019-13-01"), "--commissioned"),
        (("--commissioned", "2019-05-01", "--age", "7 years"), "--age"),
        (("--commissioned", "2019-05-01", "--loss", "1 kg", "--over", "1 year"), "--loss"),
        (("--commissioned", "2019-05-01", "--top-up", "2018-05-01=300g"), "top-up 1"),
        (("--commissioned", "2019-05-01", "--top-up", "2020-05-01"), "--top-up"),
        (("--commissioned", "2019-05-01", "--top-up", "2020-05-01=300"), "--top-up"),
        (("--commissioned", "2019-05-01", "--missing-now", "-3 g"), "--missing-now"),
        (("--commissioned", "2019-05-01", "--today", "2019-04-01"), "commissioned"),
    ],
)
def test_a_history_that_cannot_be_is_refused(tmp_path: Path, more: tuple[str, ...], named: str) -> None:
    path = tmp_path / "a.job"
    assert named in refusal("new", path, "--system", "ducted_split", *more)
    assert not path.exists()


@pytest.mark.parametrize(
    "told",
    [
        ("state=nitrogen",),  # no pressure
        ("test=230psi",),  # no test gas
        ("state=nitrogen", "test=900psi"),
        ("state=nitrogen", "test=230"),
        ("isolated=outdoor_unit",),
        ("state=nitrogen", "test=230psi", "isolated=attic"),
        ("state=running", "heating=yes"),
        ("high=118 psi", "low=40 psi"),  # standing, and not equal
        ("state=flat", "high=118 psi"),
        ("not_on_van=hammer",),
        ("in_place=hope",),
        ("noticed=ghosts",),
        ("consent=all",),
        ("time_left=45",),
        ("volume=0 l",),
        ("state=frozen",),
    ],
    ids=" ".join,
)
def test_what_cannot_be_is_refused(tmp_path: Path, told: tuple[str, ...]) -> None:
    path = begun(tmp_path)
    before = path.read_bytes()
    refusal("fact", path, *told)
    assert path.read_bytes() == before


def test_a_test_made_in_another_state_tells_it(tmp_path: Path) -> None:
    path = begun(tmp_path)
    more = ("--state", "nitrogen", "--test-pressure", "230 psi", "--isolated", "outdoor_unit")
    finding = answer("record", path, "bubbles", "outdoor_coil_inlet_joint", "none", *more)["finding"]
    told = finding["condition"]
    assert (told["state"], told["sections"]) == ("nitrogen", ["outdoor_high_side", "compressor"])
    assert told["test_kpa"] == pytest.approx(230 * PSI)
    now = facts(path, "air=still")
    assert (now["state"], now["test_isolation"]) == ("nitrogen", "outdoor_unit")
    assert now["test_kpa"] == pytest.approx(230 * PSI)


def test_a_shroud_and_gauges_are_told_of_one_test(tmp_path: Path) -> None:
    path = begun(tmp_path, "--air", "wind")
    told = answer("record", path, "probe_sweep", "outside_run", "silent", "--shroud")["finding"]["condition"]
    assert told["shroud"] is True
    told = answer("record", path, "probe_sweep", "outside_run", "silent", "--high", "118psi", "--low", "118psi")
    assert told["finding"]["condition"]["high_kpa"] == pytest.approx(118 * PSI)
    heat = begun(tmp_path, name="h.job", system="heat_pump")
    told = answer("record", heat, "ear_point", "outdoor_fin_tubes", "quiet", "--state", "running", "--heating", "yes")
    assert told["finding"]["condition"]["heating"] is True


def test_the_minutes_are_the_plans_unless_told(tmp_path: Path) -> None:
    path = begun(tmp_path, "--time-left", "2 h")
    plan = {(t["method"], t["target"], t["condition"]["state"]): t for t in answer("next", path)["next"]}
    planned = plan["probe_sweep", "service_valves", "standing"]["minutes"]
    finding = answer("record", path, "probe_sweep", "service_valves", "silent")["finding"]
    assert finding["minutes"] == pytest.approx(planned, abs=0.05)
    assert facts(path, "air=still")["minutes_left"] == pytest.approx(120 - finding["minutes"])
    took = answer("record", path, "probe_sweep", "outside_run", "silent", "--took", "20 min")["finding"]
    assert took["minutes"] == 20.0
    assert "minutes" not in answer("record", path, "bubbles", "liquid_port_core", "none", "--earlier")["finding"]


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (("ear_point", "liquid_port_core", "quiet", "--heating", "yes"), "heating"),
        (("ear_point", "liquid_port_core", "quiet", "--isolated", "outdoor_unit"), "--isolated"),
        (("ear_point", "liquid_port_core", "quiet", "--state", "nitrogen"), "test_kpa"),
        (("ear_point", "liquid_port_core", "quiet", "--state", "nitrogen", "--test-pressure", "800psi"), "rating"),
        (("ear_point", "liquid_port_core", "quiet", "--state", "vacuum"), "state"),
        (("ear_point", "liquid_port_core", "quiet", "--high", "118"), "--high"),
        (("ear_point", "liquid_port_core", "quiet", "--took", "8"), "--took"),
        (("ear_point", "liquid_port_core"), "quiet, hiss"),
        (("hold_hour", "attic", "held"), "target"),
    ],
)
def test_a_condition_that_cannot_be_is_refused(tmp_path: Path, more: tuple[str, ...], named: str) -> None:
    path = begun(tmp_path)
    before = path.read_bytes()
    assert named in refusal("record", path, *more)
    assert path.read_bytes() == before

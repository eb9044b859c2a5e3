"""``new`` and ``fact``: quantities in the units of people become facts."""

from __future__ import annotations

from pathlib import Path

import pytest

from .helpers import answer, begun, page, refusal

# Definitions, not values of this project: pound 0.45359237 kg and ounce a sixteenth (yard and pound agreement 1959),
# degree Fahrenheit 5/9 K with 32 F = 0 C, Julian year of 365.25 days and month a twelfth.
POUND, OUNCE = 0.45359237, 0.45359237 / 16

READ = [
    ("charge=5 lb 12 oz", "charge_kg", 5.75 * POUND),
    ("charge=2600 g", "charge_kg", 2.6),
    ("age=132 months", "age_years", 11.0),
    ("age=4 years", "age_years", 4.0),
    ("tight_ago=3 years", "tight_years_ago", 3.0),
    ("outdoor=75 F", "outdoor_c", (75 - 32) / 1.8),
    ("indoor=295.15 K", "indoor_c", 22.0),
    ("matters=1 oz/yr", "matters_g_per_year", 1000 * OUNCE),
    ("refrigerant=r32", "refrigerant", "R-32"),
    ("air=wind", "air", "wind"),
    ("state=running", "state", "running"),
    ("gauges=on", "gauges", True),
    ("charge_weighed=yes", "first_charge_weighed", True),
    ("untried_operator=yes", "untried_operator", True),
    ("at=closet", "place", "closet"),
    ("opened=coil_box", "opened", ["coil_box"]),
    ("false_cause=foam", "false_causes", ["foam"]),
    ("not_fitted=suction_drier", "not_fitted", ["suction_drier"]),
]


@pytest.mark.parametrize(("text", "name", "value"), READ)
def test_a_fact_is_read_in_its_units(tmp_path: Path, text: str, name: str, value: object) -> None:
    path = begun(tmp_path)
    found = answer("fact", path, text)["facts"][name]
    assert found == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value)


def test_a_loss_is_an_amount_over_a_time(tmp_path: Path) -> None:
    path = begun(tmp_path, "--loss", "1 lb", "--over", "18 months")
    assert answer("fact", path, "air=still")["facts"]["loss"] == {
        "kg": pytest.approx(POUND),
        "years": pytest.approx(1.5),
        "relative_error": None,
        "since_first_charge": False,
    }
    assert answer("fact", path, "loss=0.4 kg/14 months")["facts"]["loss"]["kg"] == pytest.approx(0.4)
    assert answer("fact", path, "loss=none")["facts"]["loss"] is None


def test_all_options_of_new_reach_the_facts(tmp_path: Path) -> None:
    path = tmp_path / "a.job"
    given = ["--refrigerant", "R-22", "--charge", "3 kg", "--charge-weighed", "--age", "12 years"]
    given += ["--tight-ago", "2 years", "--seen", "litter_at_compressor", "--seen", "suction_tube:wire_rubbing"]
    given += [
        "--not-there",
        "compressor_shakes",
        "--not-fitted",
        "suction_drier",
        "--state",
        "running",
        "--air",
        "breeze",
    ]
    given += ["--outdoor", "86 F", "--indoor", "20 C", "--gauges", "on", "--at", "yard", "--matters", "20 g/yr"]
    told = answer("new", path, "--system", "ducted_split", *given)
    assert (told["job"], told["system"], told["sites"]) == (str(path), "ducted_split", 62)
    facts = told["facts"]
    assert facts["circumstances"] == {
        "litter_at_compressor": True,
        "suction_tube:wire_rubbing": True,
        "compressor_shakes": False,
    }
    names = ("refrigerant", "charge_kg", "first_charge_weighed", "state", "air", "gauges", "place", "not_fitted")
    assert [facts[name] for name in names] == ["R-22", 3.0, True, "running", "breeze", True, "yard", ["suction_drier"]]
    assert (facts["outdoor_c"], facts["indoor_c"]) == (pytest.approx(30.0), pytest.approx(20.0))
    assert facts["matters_g_per_year"] == pytest.approx(20.0)


def test_circumstances_and_lists_can_be_taken_back(tmp_path: Path) -> None:
    path = begun(tmp_path, "--seen", "litter_at_compressor", "--not-fitted", "suction_drier")
    page("fact", path, "maybe=litter_at_compressor", "fitted=suction_drier", "false_cause=foam", "opened=closet")
    facts = answer("fact", path, "no_false_cause=foam", "closed=closet")["facts"]
    assert [facts[name] for name in ("circumstances", "not_fitted", "false_causes", "opened")] == [{}, [], [], []]
    assert "maybe: unknown circumstance told before" in refusal("fact", path, "maybe=litter_at_compressor")


def test_everything_but_the_system_can_be_left_out(tmp_path: Path) -> None:
    for system in ("ducted_split", "ductless_split", "heat_pump", "walk_in_cooler", "rack_store"):
        path = begun(tmp_path, name=f"{system}.job", system=system)
        assert answer("next", path, "--top", "1")["next"]


def test_a_system_of_ones_own(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    source = Path(__file__).parents[2] / "priors" / "systems" / "ductless_split.toml"
    own.write_text(source.read_text("utf-8").replace('id = "ductless_split"', 'id = "mine"'), "utf-8")
    assert answer("new", tmp_path / "a.job", "--system", own)["system"] == "mine"


def test_facts_screen(tmp_path: Path) -> None:
    path = begun(tmp_path, "--seen", "litter_at_compressor", "--loss", "0.9 kg", "--over", "18 months")
    told = page(
        "fact", path, "air=wind", "false_cause=foam", "tight_ago=2 years", "not_fitted=suction_drier", "at=yard"
    )
    for words in ("900 g (2 lb) in 18 months, about 600 g/yr", "wet leaves", "standing, wind", "foam", "2 years ago"):
        assert words in told


def test_an_untried_searcher_is_shown(tmp_path: Path) -> None:
    path = begun(tmp_path)
    assert "not seen at work yet" not in page("fact", path, "air=still")
    assert "not seen at work yet" in page("fact", path, "untried_operator=yes")

"""The shipped rules file: complete, consistent with the list of refrigerants, and refused when wrong."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from leakinfer.errors import InputError
from leakinfer.physics.refrigerants import load_refrigerants
from leakinfer.reading import shipped
from leakinfer.rules.book import load_rules
from leakinfer.rules.history import KIND_WORDS, WHY_WORDS, Kind, Why

SHIPPED = shipped("priors", "rules.toml")


def test_every_listed_refrigerant_is_known_to_the_rules() -> None:
    for entry in load_refrigerants().refrigerant:
        fluid = load_rules().fluid(entry.name)
        assert fluid.gwp == entry.gwp_ar4
        assert sum(fluid.shares.values()) == pytest.approx(1)


@pytest.mark.parametrize("entry", load_refrigerants().refrigerant, ids=lambda entry: entry.name)
def test_listed_warming_potentials_are_the_mean_of_the_parts(entry: object) -> None:
    # IPCC AR4 Table 2.14 by component; published blend values are rounded, and count an HFO as 4 rather than below 1
    name, listed = entry.name, entry.gwp_ar4  # type: ignore[attr-defined]
    fluid = load_rules().fluid(name)
    assert fluid.annex_gwp == pytest.approx(listed if fluid.share("hfc") else 0, abs=0.5 + 4 * fluid.share("hfo"))


@pytest.mark.parametrize(
    ("name", "gwp"),
    # Published AR4 values, from memory: R-407A 2107, R-407F 1825, R-422D 2729, R-408A 3152, R-409A 1585, R-502 4657
    [("R-407A", 2107), ("R-407F", 1825), ("R-422D", 2729), ("R-408A", 3152), ("R-409A", 1585), ("R-502", 4657)],
)
def test_mixtures_of_the_file_have_their_published_warming_potential(name: str, gwp: float) -> None:
    assert load_rules().fluid(name).gwp == pytest.approx(gwp, abs=0.6)


def test_compositions_add_up_and_texts_are_dated() -> None:
    book = load_rules()
    for mixture in book.mixtures.values():
        assert sum(mixture.composition.values()) == pytest.approx(100)
    for text in book.texts.values():
        assert text.dated.year >= 2019
        assert "verify" in text.verify


def test_every_kind_and_reason_has_words_and_a_limit() -> None:
    assert set(KIND_WORDS) == set(get_args(Kind))
    assert set(WHY_WORDS) == set(get_args(Why))
    for kind in get_args(Kind):
        assert load_rules().value(f"limit_{kind}") in (10, 20, 30)


def test_masses_come_in_kilograms() -> None:
    book = load_rules()
    assert book.mass_kg("least_charge_us_ozone") == pytest.approx(22.68, abs=0.005)  # 50 lb
    assert book.mass_kg("eu_hermetic_hfo") == 2
    with pytest.raises(InputError, match="is in d; allowed: lb, kg"):
        book.mass_kg("repair_days")
    with pytest.raises(InputError, match="'nothing' is missing"):
        book.value("nothing")
    with pytest.raises(InputError, match="'nothing' is missing"):
        book.text("nothing")


def write(folder: Path, text: str) -> Path:
    path = folder / "rules.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("value = 365.0", "value = inf", "year_days"),
        ("value = 365.0", "value = -1.0", ">= 0"),
        ('id = "season_days"', 'id = "year_days"', "'year_days' is there twice"),
        ('id = "us_hfc"', 'id = "us_ozone"', "'us_ozone' is there twice"),
        ("gwp = 675", "gwp = inf", "R-32"),
        ("gwp = 675", "gwp = nan", "substance"),
        ("R115 = 51.2", "R115 = inf", "R-502: R115"),
        ("applies_from = 2026-01-01", 'applies_from = "soon"', "text"),
        ('kind = "hfo"', 'kind = "new"', "substance"),
        ("dated = 2024-10-11", "date = 2024-10-11", "date"),
    ],
)
def test_a_wrong_file_is_refused_with_its_key(tmp_path: Path, old: str, new: str, line: str) -> None:
    shipped_text = SHIPPED.read_text(encoding="utf-8")
    assert old in shipped_text
    path = write(tmp_path, shipped_text.replace(old, new, 1))
    with pytest.raises(InputError) as error:
        load_rules(path)
    assert line in str(error.value)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_part_of_a_mixture_that_is_in_no_list_is_refused(tmp_path: Path) -> None:
    text = SHIPPED.read_text(encoding="utf-8")
    book = load_rules(write(tmp_path, text.replace("{ R22 = 48.8, R115 = 51.2 }", "{ R22 = 48.8, R999 = 51.2 }")))
    with pytest.raises(InputError, match="'R999' in R-502 is in no list"):
        book.fluid("R-502")

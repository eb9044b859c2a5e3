"""Work orders: what a text, a mass and a day say."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leakinfer.circuit.reader import load_system
from leakinfer.fleet.orders.file import day_of, mass_of
from leakinfer.fleet.orders.mapping import (
    FileForm,
)
from leakinfer.fleet.orders.text import pieces_of
from tests.fleet.ordering import CORE, OUNCE, POUND, dictionary, said, short


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Topped up, none found", {"searched": "yes", "topped_up": True}),
        ("TOPPED  UP with 2.5 lb", {"topped_up": True, "amount": "2.5 lb"}),
        ("No leak search. Topped up", {"searched": "no", "topped_up": True}),
        ("No leak search; leak search", {}),  # both: nobody knows
        ("Leak at suction core", {"leaks": [CORE]}),
        ("leaking nut", {"leaks": ["flare"]}),
        ("nutty leaky cores", {}),  # whole words only
        ("checked suction core", {}),
        ("suction core", {}),
        ("leak suspected at the nut", {}),
        ("Leak at suction core, replaced", {"leaks": [CORE], "new": [CORE]}),
        ("Leak at nut; tightened", {"leaks": ["flare"], "mended": ["flare"]}),
        ("Leak at nut. Replaced capacitor", {"leaks": ["flare"]}),
        ("replaced suction core and drier", {"new": [CORE, "suction_drier"]}),
        ("suction core, drier replaced", {"new": [CORE, "suction_drier"]}),
        ("checked nut, replaced suction core", {"new": [CORE]}),
        ("tightened nut", {"leaks": ["flare"], "mended": ["flare"]}),
        ("Leak. Replaced suction core", {"leaks": [CORE], "new": [CORE]}),
        ("Leak", {"leaks": ["place unknown"]}),
        ("Leak at suction core. Core replaced", {"leaks": [CORE], "new": [CORE]}),
        ("no leak found at nut", {}),  # of that place only
        ("leak search at nut", {}),
        ("Leak at suction core, nut was tight", {"leaks": [CORE], "tight": ["flare"]}),
        (
            "leaking bends of the indoor coil, brazed",
            {"leaks": ["indoor_return_bends"], "mended": ["indoor_return_bends"]},
        ),
        ("leaking bends", {"leaks": ["return_bend"]}),  # outdoors or indoors
        ("new indoor coil", {"new": ["unit of 5 sites"]}),
        ("leak at suction core and nut", {"leaks": [CORE, "flare"]}),
        ("gas and go", {}),
    ],
)
def test_what_a_text_says(text: str, expected: dict[str, Any]) -> None:
    assert short(said(text)) == expected


def test_the_column_of_places_names_leaks() -> None:
    assert short(said("", "suction core; nut")) == {"leaks": [CORE, "flare"]}
    assert short(said("leak", "suction core")) == {"leaks": [CORE]}
    assert short(said("", "checked nut")) == {}
    assert short(said("", "behind the counter")) == {"leaks": ["place unknown"]}


def test_a_site_is_the_first_that_the_system_has() -> None:
    assert short(said("leak at suction core", kind="wall unit")) == {"leaks": ["gas_port_core"]}
    assert short(said("new indoor coil", kind="wall unit")) == {}  # it has no unit of that name


def test_a_class_with_one_site_is_that_site() -> None:
    """Counted in the shipped system file itself."""
    sites = [site.id for site in load_system("ducted_split").sites if site.component == "drier_suction"]
    assert short(said("leaking drier")) == {"leaks": sites}


def test_words_that_no_phrase_takes_are_left_over() -> None:
    words = dictionary()
    kind = words.kind_of("split")
    assert kind is not None
    pieces = pieces_of("Fan noisy, leak at 2 nuts of the roof", words, kind)
    assert [piece.left_over for piece in pieces] == [("Fan", "noisy"), ("nuts", "roof")]
    hits = [hit for piece in pieces for hit in piece.hits]
    assert [(hit.text, hit.number) for hit in hits] == [("leak", 9), ("at", 17), ("of", 17), ("the", 17)]


@pytest.mark.parametrize(
    ("text", "unit", "kg"),
    [
        ("2 lb 3 oz", None, 2 * POUND + 3 * OUNCE),
        ("2lbs. 3oz.", None, 2 * POUND + 3 * OUNCE),
        ("3#", None, 3 * POUND),
        ("14OZ", None, 14 * OUNCE),
        ("0.8 kg", None, 0.8),
        ("350g", None, 0.35),
        ("1,200 g", None, 1.2),
        ("24", "oz", 24 * OUNCE),
        (".5", "kg", 0.5),
        ("24", None, None),
        ("1,5 kg", None, None),  # a comma for a point: not read as 15 kg
        ("some", "oz", None),
        ("-2 oz", None, None),
        ("1e999 kg", None, None),
    ],
)
def test_masses_as_people_write_them(text: str, unit: Any, kg: float | None) -> None:
    assert mass_of(text, unit, FileForm()) == (None if kg is None else pytest.approx(kg, rel=1e-12))


def test_masses_with_a_decimal_comma() -> None:
    form = FileForm(decimal=",")
    assert mass_of("1,5 kg", None, form) == pytest.approx(1.5)
    assert mass_of("1.250,5 g", None, form) == pytest.approx(1.2505)
    assert mass_of("0,75", "kg", form) == pytest.approx(0.75)


@given(st.integers(0, 40), st.integers(0, 15), st.booleans())
@settings(max_examples=80, deadline=None)
def test_pounds_and_ounces_add(pounds: int, ounces: int, dots: bool) -> None:
    text = f"{pounds} lb{'s.' if dots else ''} {ounces} oz{'.' if dots else ''}"
    assert mass_of(text, None, FileForm()) == pytest.approx(pounds * POUND + ounces * OUNCE)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-02-29", date(2024, 2, 29)),
        ("2024-02-29 08:15:00", date(2024, 2, 29)),
        ("2023-02-29", None),
        ("03/04/2024", date(2024, 3, 4)),
        ("31/12/2024", date(2024, 12, 31)),
        ("12.31.2024", None),
        ("", None),
    ],
)
def test_days_as_the_firm_writes_them(text: str, day: date | None) -> None:
    assert day_of(text, FileForm(dates=("%m/%d/%Y", "%d/%m/%Y"))) == day

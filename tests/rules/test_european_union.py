"""EU leak checks: amounts in CO2 equivalent, the intervals, and mixtures judged part by part."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.errors import InputError
from leakinfer.rules.book import load_rules
from leakinfer.rules.european_union import kg_for_tonnes, leak_checks, tonnes_of

FLUORINATED = ["R-410A", "R-32", "R-404A", "R-454B", "R-454C", "R-455A", "R-1234yf", "R-513A"]


@pytest.mark.parametrize(
    ("refrigerant", "kg"),
    [
        # 5 t divided by the GWP of IPCC AR4 (2088, 675, 3922, 1430, 1774, 466), by hand
        ("R-410A", 2.39),
        ("R-32", 7.41),
        ("R-404A", 1.27),
        ("R-134a", 3.50),
        ("R-407C", 2.82),
        ("R-454B", 10.73),
    ],
)
def test_kg_for_five_tonnes(refrigerant: str, kg: float) -> None:
    assert kg_for_tonnes(refrigerant, 5) == pytest.approx(kg, abs=0.005)
    assert tonnes_of(refrigerant, kg_for_tonnes(refrigerant, 5)) == pytest.approx(5)


@pytest.mark.parametrize(
    ("refrigerant", "kg"),
    # German trade table for Regulation (EU) 517/2014, kg for 50 and for 500 t, rounded to 0.01 kg
    [
        ("R-134a", (34.96, 349.65)),
        ("R-404A", (12.75, 127.49)),
        ("R-407C", (28.18, 281.85)),
        ("R-410A", (23.95, 239.46)),
    ],
)
def test_kg_for_fifty_and_five_hundred_tonnes(refrigerant: str, kg: tuple[float, float]) -> None:
    assert kg_for_tonnes(refrigerant, 50) == pytest.approx(kg[0], abs=0.0101)
    assert kg_for_tonnes(refrigerant, 500) == pytest.approx(kg[1], abs=0.0101)


@pytest.mark.parametrize(
    ("kg", "months", "required"),
    [
        # Regulation (EU) 2024/573 Art. 5 and 6, R-32 of GWP 675
        (4.999 / 0.675, None, False),
        (5 / 0.675, 12, False),
        (49.99 / 0.675, 12, False),
        (50 / 0.675, 6, False),
        (499.9 / 0.675, 6, False),
        (500 / 0.675, 3, True),
    ],
)
def test_intervals_by_carbon_dioxide_equivalent(kg: float, months: float | None, required: bool) -> None:
    found = leak_checks("R-32", kg)
    assert (found.months, found.detection_required) == (months, required)
    doubled = leak_checks("R-32", kg, detection=True)
    assert doubled.months == (None if months is None else 2 * months)
    assert any("must be fitted" in words for words in found.follows) == required
    assert not any("must be fitted" in words for words in doubled.follows)


@pytest.mark.parametrize(
    ("kg", "months", "required"),
    [(0.99, None, False), (1, 12, False), (9.99, 12, False), (10, 6, False), (99.9, 6, False), (100, 3, True)],
)
def test_intervals_by_mass_of_an_unsaturated_gas(kg: float, months: float | None, required: bool) -> None:
    # Regulation (EU) 2024/573 Art. 5 and 6, Annex II group 1
    found = leak_checks("R-1234yf", kg)
    assert (found.months, found.detection_required, found.tonnes) == (months, required, 0)


def test_a_mixture_is_judged_part_by_part() -> None:
    # German Environment Agency, questions on the regulation, 2.1: 1.4 kg of R-455A hold 1.06 kg of R-1234yf and 0.2 t
    found = leak_checks("R-455A", 1.4)
    assert found.hfo_kg == pytest.approx(1.06, abs=0.005)
    assert found.tonnes == pytest.approx(0.2, abs=0.005)
    assert found.months == 12
    assert leak_checks("R-455A", 1.3).months is None  # 0.98 kg


def test_the_shorter_of_the_two_times_holds() -> None:
    # R-454B, 31.1 % of R-1234yf: at 35 kg 10.9 kg of it ask for 6 months, 16.3 t for 12; R-32 alone for 12
    assert leak_checks("R-454B", 35).months == 6
    assert leak_checks("R-32", 35).months == 12


@pytest.mark.parametrize(
    ("refrigerant", "kg", "residential", "months"),
    [
        # Regulation (EU) 2024/573 Art. 5(1): below 10 t, below 2 kg, in residential buildings below 3 kg
        ("R-32", 9.99 / 0.675, False, None),
        ("R-32", 10 / 0.675, False, 12),
        ("R-1234yf", 1.99, False, None),
        ("R-1234yf", 2.0, False, 12),
        ("R-1234yf", 2.99, True, None),
        ("R-1234yf", 3.0, True, 12),
        ("R-404A", 2.9, True, None),  # 11.4 t
        ("R-404A", 2.9, False, 12),
        ("R-454B", 7.0, False, 12),  # 3.3 t, yet 2.2 kg: both limits must be kept
    ],
)
def test_hermetically_sealed(refrigerant: str, kg: float, residential: bool, months: float | None) -> None:
    found = leak_checks(refrigerant, kg, hermetic=True, residential=residential)
    assert found.months == months
    assert leak_checks(refrigerant, kg, residential=residential).months == 12  # without the label
    if months is None:
        assert "hermetically sealed" in found.because


@pytest.mark.parametrize(
    ("refrigerant", "words"),
    [("R-22", "2024/590"), ("R-290", "no fluorinated"), ("R-744", "no fluorinated"), ("ammonia", "no fluorinated")],
)
def test_other_refrigerants_are_under_other_rules(refrigerant: str, words: str) -> None:
    found = leak_checks(refrigerant, 500)
    assert (found.months, found.follows, found.detection_required) == (None, (), False)
    assert words in found.because


def test_what_follows_a_repair_and_where_to_read() -> None:
    found = leak_checks("r410a", 10)
    assert found.refrigerant == "R-410A"
    words = " / ".join(found.follows)
    assert "24 running hours" in words  # Regulation (EU) 2024/573 Art. 4(5)
    assert "within 1 month" in words
    assert "indirect" in words  # Regulation (EC) 1516/2007 Art. 5
    assert "2024/573" in found.where
    assert found.verify.startswith("verify")
    assert "system is checked at least every 12 months" in " / ".join(
        leak_checks("R-410A", 300, detection=True).follows
    )


@given(st.sampled_from(FLUORINATED), st.floats(0.01, 2000), st.floats(1, 10), st.booleans(), st.booleans())
def test_more_refrigerant_is_never_checked_less_often(
    refrigerant: str, kg: float, times: float, hermetic: bool, residential: bool
) -> None:
    less = leak_checks(refrigerant, kg, hermetic=hermetic, residential=residential).months
    more = leak_checks(refrigerant, kg * times, hermetic=hermetic, residential=residential).months
    assert (more or 99) <= (less or 99)


@given(st.sampled_from(FLUORINATED), st.floats(0.01, 2000), st.booleans())
def test_neither_label_nor_detection_asks_for_more(refrigerant: str, kg: float, residential: bool) -> None:
    plain = leak_checks(refrigerant, kg, residential=residential).months
    sealed = leak_checks(refrigerant, kg, hermetic=True, residential=residential).months
    assert sealed in (None, plain)
    warned = leak_checks(refrigerant, kg, detection=True, residential=residential).months
    assert warned == (None if plain is None else 2 * plain)


@given(st.sampled_from(FLUORINATED), st.floats(0.01, 2000), st.floats(0.1, 10))
def test_equivalents_are_proportional(refrigerant: str, kg: float, times: float) -> None:
    assert tonnes_of(refrigerant, kg * times) == pytest.approx(times * tonnes_of(refrigerant, kg))
    assert leak_checks(refrigerant, kg).tonnes <= tonnes_of(refrigerant, kg) * (1 + 1e-12)


@pytest.mark.parametrize("kg", [0, -1, float("nan"), float("inf")])
def test_a_mass_that_cannot_be_is_refused(kg: float) -> None:
    for function in (leak_checks, tonnes_of):
        with pytest.raises(InputError, match=r"^kg: .* kg; allowed: above 0 kg$"):
            function("R-32", kg)
    with pytest.raises(InputError, match=r"^tonnes: .* t; allowed: above 0 t$"):
        kg_for_tonnes("R-32", kg)


def test_what_cannot_be_converted_is_refused() -> None:
    with pytest.raises(InputError, match="GWP of 0"):
        kg_for_tonnes("ammonia", 5)
    with pytest.raises(InputError, match="unknown fluid"):
        leak_checks("R-9999", 5)


def test_the_trade_s_other_names_are_understood() -> None:
    assert load_rules().fluid("hfo1234yf").name == "R-1234yf"
    assert load_rules().fluid("propane").name == "R-290"


@pytest.mark.parametrize("refrigerant", ["R-410A", "R-404A", "R-407C", "R-32"])
def test_checks_begin_at_the_mass_that_is_five_tonnes(refrigerant: str) -> None:
    # Annex I gases only: the mixture's own published GWP counts, as on its label
    least = kg_for_tonnes(refrigerant, 5)
    assert leak_checks(refrigerant, least).months == 12
    assert leak_checks(refrigerant, least * 0.9999).months is None

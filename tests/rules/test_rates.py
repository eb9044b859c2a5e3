"""Leak rates against the formulas of 40 CFR 82.152, worked by hand, and what must not change them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.errors import InputError
from leakinfer.physics.units import parse_quantity
from leakinfer.rules.history import Addition, History, Removal, Why
from leakinfer.rules.rates import annualizing, calendar_years, leak_rate, rolling_average

TODAY = date(2026, 11, 25)
POUND = 0.45359237  # kg; definition, international yard and pound 1959


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def added(days_ago: int, pound: float, why: Why = "top_up") -> Addition:
    return Addition(ago(days_ago), pound * POUND, why)


def history(*additions: Addition, charge_pound: float = 100.0, **other: date | tuple[Removal, ...]) -> History:
    whole = {"refrigerant": "R-404A", "kind": "commercial_refrigeration", "full_charge_kg": charge_pound * POUND}
    plain = whole | {"today": TODAY, "additions": additions} | other
    return History(**plain)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Worked:
    """Added after some days, and the rate: (added / charge) / (min(days, 365) / 365) * 100, by hand."""

    pound: float
    charge: float
    days: int
    percent: float


@pytest.mark.parametrize(
    "case",
    [
        Worked(10, 100, 180, 20.28),  # 0.1 * 365 / 180 = 0.202 78
        Worked(8, 120, 90, 27.04),  # 0.066 67 * 365 / 90 = 0.270 37
        Worked(8, 120, 500, 6.67),  # days end at 365: 0.066 67
        Worked(8, 120, 365, 6.67),
        Worked(8, 120, 364, 6.68),  # 0.066 67 * 365 / 364 = 0.066 85
        Worked(1, 100, 1, 365.00),
    ],
)
def test_annualizing_as_the_definition_says(case: Worked) -> None:
    given_ = history(added(case.days, 3), added(0, case.pound), charge_pound=case.charge)
    rate = annualizing(given_)
    assert rate.percent == pytest.approx(case.percent, abs=0.005)
    assert rate.days == min(case.days, 365)
    assert rate.since == ago(case.days)
    assert rate.assumed == ()


def test_additions_of_one_day_are_one_and_never_zero_days() -> None:
    parts = history(added(180, 3), added(0, 4), added(0, 6))
    assert annualizing(parts).percent == pytest.approx(annualizing(history(added(180, 3), added(0, 10))).percent)
    alone = annualizing(history(added(0, 4), added(0, 6)))
    assert alone.days == 365
    assert alone.percent == pytest.approx(10.0)
    assert "365 days" in alone.assumed[0]


def test_a_first_addition_without_an_earlier_one_says_what_is_assumed() -> None:
    unknown = annualizing(history(added(10, 5)))
    assert (unknown.days, unknown.since) == (365, None)
    assert unknown.percent == pytest.approx(5.0)
    assert unknown.assumed == ("no earlier addition is known: 365 days",)
    young = annualizing(history(added(0, 5), commissioned=ago(73)))  # a fifth of a year
    assert young.days == 73
    assert young.percent == pytest.approx(25.0)
    assert str(ago(73)) in young.assumed[0]


def test_an_addition_on_the_day_of_commissioning_is_not_divided_by_no_days() -> None:
    assert annualizing(history(added(40, 5), commissioned=ago(40))).days == 365


@pytest.mark.parametrize("why", ["installation", "retrofit"])
def test_new_installation_and_retrofit_do_not_count_but_start_the_days(why: Why) -> None:
    # 40 CFR 82.157(b): no calculation just after them; 82.152: days since refrigerant was last added
    given_ = history(added(180, 100, why), added(0, 10))
    assert annualizing(given_).percent == pytest.approx(20.28, abs=0.005)
    assert rolling_average(given_).percent == pytest.approx(10.0)
    assert annualizing(history(added(180, 100, why))).percent == 0


def test_nothing_that_counts_is_a_rate_of_nothing() -> None:
    for method in (annualizing, rolling_average):
        rate = method(history())
        assert (rate.percent, rate.kg, rate.day) == (0, 0, TODAY)
        assert rate.assumed == ("no addition that counts",)
    assert calendar_years(history()) == ()


@pytest.mark.parametrize(
    ("taken", "put", "percent"),
    [
        ([(300, 20)], 20, 0.0),  # what came out goes in again: a seasonal variance
        ([(300, 12), (200, 8)], 20, 0.0),
        ([(300, 20)], 20.5, 20.5),  # more than came out: counts
        ([(366, 20)], 20, 20.0),  # longer ago than twelve months
        ([(365, 20)], 20, 0.0),
        ([(0, 20)], 20, 20.0),  # nothing was out before
        ([], 20, 20.0),
    ],
)
def test_seasonal_variance_needs_a_removal_before_it(
    taken: list[tuple[int, float]], put: float, percent: float
) -> None:
    # 40 CFR 82.152, definition of seasonal variance, from memory
    removals = tuple(Removal(ago(days), pound * POUND) for days, pound in taken)
    rate = rolling_average(history(added(0, put, "season"), removals=removals))
    assert rate.percent == pytest.approx(percent)
    assert any("seasonal" in words for words in rate.assumed) == (percent > 0)


def test_one_removal_excuses_one_addition_only() -> None:
    removals = (Removal(ago(200), 10 * POUND),)
    twice = history(added(100, 10, "season"), added(50, 10, "season"), removals=removals)
    assert rolling_average(twice).kg == pytest.approx(10 * POUND)
    assert annualizing(twice).days == 50


def test_rolling_average_looks_back_a_year() -> None:
    given_ = history(added(800, 50), added(365, 7), added(364, 2), added(100, 3), added(0, 5))
    rate = rolling_average(given_)
    assert rate.percent == pytest.approx(10.0)  # 2 + 3 + 5 of 100
    assert rate.days == 365
    assert rate.assumed == ()


def test_rolling_average_starts_at_the_last_verification() -> None:
    additions = (added(300, 9), added(100, 4), added(60, 3), added(0, 5))
    rate = rolling_average(history(*additions, verified=ago(90)))
    assert rate.percent == pytest.approx(8.0)
    assert (rate.days, rate.since) == (90, ago(90))
    on_the_day = rolling_average(history(*additions, verified=ago(100)))
    assert on_the_day.percent == pytest.approx(8.0)
    assert "left out" in on_the_day.assumed[0]
    too_late = rolling_average(history(*additions, verified=TODAY))
    assert too_late.percent == pytest.approx(21.0)
    long_ago = rolling_average(history(*additions, verified=ago(500)))
    assert long_ago.percent == pytest.approx(21.0)
    assert long_ago.since is None


def test_rolling_average_says_when_the_records_are_short() -> None:
    assert "taken as complete" in rolling_average(history(added(100, 4))).assumed[0]
    assert rolling_average(history(added(100, 4), commissioned=ago(465))).assumed == ()


def test_the_rate_can_be_asked_for_an_earlier_addition() -> None:
    given_ = history(added(465, 1), added(100, 10), added(0, 5))
    assert annualizing(given_, ago(100)).percent == pytest.approx(10.0)
    with pytest.raises(InputError, match=r"no addition that counts on .*allowed: .*, "):
        annualizing(given_, ago(99))


def test_calendar_years_are_separate() -> None:
    # 40 CFR 82.157(j): 125 % of the full charge or more in a calendar year, report by 1 March of the next
    parts = (Addition(date(2025, 12, 31), 60.0), Addition(date(2026, 1, 1), 65.0), Addition(date(2026, 8, 1), 60.0))
    given_ = History("R-22", "industrial_process", 100.0, TODAY, (*parts, Addition(date(2025, 1, 1), 99, "retrofit")))
    first, second = calendar_years(given_)
    assert (first.year, first.chronic) == (2025, False)
    assert first.percent == pytest.approx(60.0)
    assert (second.year, second.chronic) == (2026, True)
    assert second.percent == pytest.approx(125.0)
    assert second.report_by == date(2027, 3, 1)
    less = msgspec.structs.replace(given_, full_charge_kg=100.1)
    assert not calendar_years(less)[1].chronic


additions = st.builds(
    Addition,
    st.integers(0, 1200).map(ago),
    st.floats(0.01, 50),
    st.sampled_from(["top_up", "top_up", "installation", "retrofit", "season"]),
)
removals = st.builds(Removal, st.integers(0, 1200).map(ago), st.floats(0.01, 50))
histories = st.builds(
    History,
    st.just("R-404A"),
    st.just("commercial_refrigeration"),
    st.floats(1, 500),
    st.just(TODAY),
    st.lists(additions, max_size=8).map(tuple),
    st.lists(removals, max_size=4).map(tuple),
    st.none(),
    st.none() | st.integers(0, 500).map(ago),
)


@given(histories, st.randoms(use_true_random=False))
def test_order_of_entries_does_not_matter(plain: History, chance: object) -> None:
    mixed, taken = list(plain.additions), list(plain.removals)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    chance.shuffle(taken)  # type: ignore[attr-defined]
    shuffled = msgspec.structs.replace(plain, additions=tuple(mixed), removals=tuple(taken))
    for method in (annualizing, rolling_average):
        assert method(shuffled) == method(plain)
    assert calendar_years(shuffled) == calendar_years(plain)


@given(histories, st.sampled_from([0.25, 0.5, 2.0, 8.0]))  # powers of two: no rounding can move a limit
def test_the_unit_of_mass_does_not_matter(plain: History, times: float) -> None:
    def scaled(part: Addition | Removal) -> Addition | Removal:
        return msgspec.structs.replace(part, kg=part.kg * times)

    other = msgspec.structs.replace(
        plain,
        full_charge_kg=plain.full_charge_kg * times,
        additions=tuple(scaled(part) for part in plain.additions),
        removals=tuple(scaled(part) for part in plain.removals),
    )
    for method in (annualizing, rolling_average):
        assert method(other).percent == pytest.approx(method(plain).percent, rel=1e-12)


@given(st.lists(st.floats(0.01, 20), min_size=1, max_size=6), st.floats(1, 500))
def test_once_a_year_both_methods_agree(masses: list[float], charge: float) -> None:
    # Additions exactly 365 days apart: both definitions come to added / full charge
    parts = tuple(Addition(ago(365 * number), kg) for number, kg in enumerate(masses))
    plain = History("R-404A", "commercial_refrigeration", charge, TODAY, parts)
    assert annualizing(plain).percent == pytest.approx(masses[0] / charge * 100)
    assert rolling_average(plain).percent == pytest.approx(masses[0] / charge * 100)


@given(st.lists(st.integers(0, 365), min_size=2, max_size=8, unique=True), st.floats(0.1, 9))
def test_a_steady_leak_is_found_at_its_rate(days: list[int], kg_a_day: float) -> None:
    # Each addition replaces what a steady leak lost since the one before: annualizing gives that leak at every addition
    order = sorted(days, reverse=True)
    first = Addition(ago(order[0]), 900.0, "installation")
    parts = [Addition(ago(late), kg_a_day * (early - late)) for early, late in pairwise(order)]
    plain = History("R-404A", "commercial_refrigeration", 900.0, TODAY, (first, *parts))
    for part in parts:
        assert annualizing(plain, part.day).percent == pytest.approx(kg_a_day * 365 / 900 * 100)


def test_pounds_and_ounces_are_read_at_the_edge() -> None:
    charge, put = parse_quantity("50 lb", "mass", "charge"), parse_quantity("2 lb 8 oz", "mass", "added")
    plain = History("R-22", "comfort_cooling", charge, TODAY, (Addition(ago(365), 1.0), Addition(TODAY, put)))
    assert annualizing(plain).percent == pytest.approx(5.0)  # 2.5 of 50


@pytest.mark.parametrize(
    ("wrong", "line"),
    [
        (history(added(0, -1)), "addition 1: kg: -0.453592 kg; allowed: above 0 kg"),
        (history(added(5, 1), added(0, 0)), "addition 2: kg: 0 kg; allowed: above 0 kg"),
        (history(added(0, float("nan"))), "addition 1: kg: nan kg; allowed: above 0 kg"),
        (history(charge_pound=0), "full_charge_kg: 0 kg; allowed: above 0 kg"),
        (history(charge_pound=float("inf")), "full_charge_kg: inf kg; allowed: above 0 kg"),
        (
            history(added(-1, 1)),
            "addition 1: day: 2026-11-26 is in the future; allowed: today, 2026-11-25, or earlier",
        ),
        (
            history(added(9, 1), commissioned=ago(8)),
            "addition 1: day: 2026-11-16 is before commissioning; allowed: 2026-11-17 or later",
        ),
        (history(verified=ago(-2)), "verified: 2026-11-27 is in the future; allowed: today, 2026-11-25, or earlier"),
        (history(commissioned=ago(-2)), "commissioned: 2026-11-27 is in the future"),
        (
            history(removals=(Removal(ago(3), 1.0),), commissioned=ago(2)),
            "removal 1: day: 2026-11-22 is before commissioning",
        ),
        (history(removals=(Removal(ago(3), -1.0),)), "removal 1: kg: -1 kg; allowed: above 0 kg"),
        (history(Addition(datetime(2026, 1, 1, 8), 1.0)), "addition 1: day: 2026-01-01 08:00:00 is not a day"),
        (history(Addition(TODAY, 1.0, "theft")), "addition 1: why: unknown reason 'theft'; allowed: top_up, "),  # type: ignore[arg-type]
        (History("R-22", "fridge", 9.0, TODAY), "kind: unknown kind of appliance 'fridge'"),  # type: ignore[arg-type]
    ],
)
def test_what_cannot_be_is_refused_in_one_line(wrong: History, line: str) -> None:
    for method in (annualizing, rolling_average, calendar_years):
        with pytest.raises(InputError) as error:
            method(wrong)
        assert str(error.value).startswith(line)
        assert "\n" not in str(error.value)


def test_only_the_two_methods() -> None:
    with pytest.raises(InputError, match="allowed: annualizing, rolling average"):
        leak_rate(history(), "guess")  # type: ignore[arg-type]
    given_ = history(added(180, 3), added(0, 10))
    assert leak_rate(given_) == annualizing(given_)
    assert leak_rate(given_, "rolling average") == rolling_average(given_)

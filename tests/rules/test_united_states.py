"""Which US rule covers an appliance, its limits, and what would follow."""

from __future__ import annotations

from datetime import date, timedelta

import msgspec
import pytest

from leakinfer.errors import InputError
from leakinfer.physics.units import parse_quantity
from leakinfer.rules.history import Addition, History, Kind
from leakinfer.rules.united_states import LeakRepair, leak_repair

TODAY = date(2026, 11, 25)
POUND = 0.45359237  # kg; definition, international yard and pound 1959


def appliance(
    refrigerant: str,
    charge_pound: float,
    kind: Kind = "commercial_refrigeration",
    percent: float = 5.0,
    day: date = TODAY,
) -> History:
    """One that was topped up a year before ``day`` and on it, which is a rate of ``percent`` by both methods."""
    charge = charge_pound * POUND
    parts = (Addition(day - timedelta(days=365), charge / 50), Addition(day, charge * percent / 100))
    return History(refrigerant, kind, charge, TODAY, parts)


def ozone(history: History) -> LeakRepair:
    return leak_repair(history)[0]


def hfc(history: History) -> LeakRepair:
    return leak_repair(history)[1]


@pytest.mark.parametrize(
    ("refrigerant", "pound", "by_ozone", "by_hfc"),
    [
        ("R-22", 50, True, False),  # 40 CFR 82.157(a): 50 or more pounds
        ("R-22", 49.9, False, False),
        ("R-410A", 50, False, True),  # substitutes are not under 82.157 since 10 April 2020
        ("R-410A", 15, False, True),  # 40 CFR 84.106(a): 15 or more pounds
        ("R-410A", 14.9, False, False),
        ("R-454B", 20, False, True),
        ("R-290", 100, False, False),  # GWP 3
        ("R-744", 100, False, False),  # GWP 1
        ("R-1234yf", 100, False, False),  # GWP below 1
        ("R-717", 100, False, False),  # GWP 0
        ("R-408A", 60, True, True),  # a blend of R-22 with HFCs
        ("R-409A", 60, True, False),  # a blend of class II substances only
        ("R-123", 60, True, False),
    ],
)
def test_which_rule_covers_what(refrigerant: str, pound: float, by_ozone: bool, by_hfc: bool) -> None:
    found = leak_repair(appliance(refrigerant, pound))
    assert [finding.rule for finding in found] == ["us_ozone", "us_hfc"]
    assert [finding.applies for finding in found] == [by_ozone, by_hfc]
    for finding in found:
        assert (finding.limit_percent is not None) == finding.applies
        assert finding.because


@pytest.mark.parametrize("typed", ["15 lb", "240 oz", "14 lb 16 oz", "6.80388555 kg"])
def test_a_charge_at_the_limit_is_covered_however_it_was_typed(typed: str) -> None:
    charge = parse_quantity(typed, "mass", "charge")
    assert hfc(msgspec.structs.replace(appliance("R-410A", 99), full_charge_kg=charge)).applies


def test_residential_and_light_commercial_is_left_out_of_the_hfc_rule_only() -> None:
    # 40 CFR 84.106(a) leaves this subsector out; to 82.157 it is comfort cooling, 10 %
    found = hfc(appliance("R-410A", 60, "small_air_conditioning"))
    assert not found.applies
    assert "left out" in found.because
    assert ozone(appliance("R-22", 60, "small_air_conditioning")).limit_percent == 10


@pytest.mark.parametrize(("day", "applies"), [(date(2025, 12, 31), False), (date(2026, 1, 1), True)])
def test_the_hfc_rule_applies_from_2026(day: date, applies: bool) -> None:
    found = hfc(appliance("R-410A", 60, day=day))
    assert found.applies == applies
    assert ("before the rule applies" in found.because) == (not applies)


@pytest.mark.parametrize(("day", "applies"), [(date(2018, 12, 31), False), (date(2019, 1, 1), True)])
def test_the_ozone_rule_applies_from_2019(day: date, applies: bool) -> None:
    assert ozone(appliance("R-22", 60, day=day)).applies == applies  # 40 CFR 82.157(a)


@pytest.mark.parametrize("method", ["annualizing", "rolling average"])
@pytest.mark.parametrize("refrigerant", ["R-22", "R-404A"])
@pytest.mark.parametrize(
    ("kind", "limit"),
    [("commercial_refrigeration", 20.0), ("industrial_process", 30.0), ("comfort_cooling", 10.0)],
)
def test_limits_are_exceeded_only_above_them(method: str, refrigerant: str, kind: Kind, limit: float) -> None:
    # 40 CFR 82.157(c)(2) and 84.106(c)(2): a leak rate over 20, 30 and 10 percent
    which = 0 if refrigerant == "R-22" else 1
    at = leak_repair(appliance(refrigerant, 60, kind, limit), method)[which]  # type: ignore[arg-type]
    above = leak_repair(appliance(refrigerant, 60, kind, limit + 0.01), method)[which]  # type: ignore[arg-type]
    assert at.limit_percent == above.limit_percent == limit
    assert (at.exceeded, above.exceeded) == (False, True)
    assert at.follows == ("calculate again at the next addition",)


def test_ten_pounds_into_a_hundred_after_180_days_is_too_much_for_a_shop() -> None:
    parts = (Addition(date(2026, 1, 10), 100 * POUND, "installation"), Addition(date(2026, 7, 9), 10 * POUND))
    shop = History("R-404A", "commercial_refrigeration", 100 * POUND, TODAY, parts)
    found = hfc(shop)
    assert found.rate.percent == pytest.approx(20.28, abs=0.005)  # by hand: 0.1 * 365 / 180
    assert found.exceeded
    assert "by 2026-08-08" in found.follows[0]  # 30 days after 9 July
    assert not hfc(msgspec.structs.replace(shop, kind="industrial_process")).exceeded
    assert not leak_repair(shop, "rolling average")[1].exceeded


def test_what_would_follow() -> None:
    # 40 CFR 82.157(d), (e), (g), (h), the last two from memory
    small = " / ".join(ozone(appliance("R-22", 60, "commercial_refrigeration", 40)).follows)
    for words in ("within 30 days", "initial verification test", "within 10 days after", "every year", "retrofit"):
        assert words in small
    assert "120 days" not in small
    large = " / ".join(ozone(appliance("R-22", 500, "industrial_process", 40)).follows)
    assert "120 days" in large
    assert "every quarter until 4" in large
    assert "every year" in " / ".join(ozone(appliance("R-22", 500, "comfort_cooling", 40)).follows)


def test_a_chronic_leak_is_reported_by_the_first_of_march() -> None:
    # 40 CFR 82.157(j) and 84.106(j): 125 % of the full charge or more in a calendar year
    found = hfc(appliance("R-404A", 60, percent=125))
    assert any("125 %" in words and "2027-03-01" in words for words in found.follows)
    assert not any("chronic" in words for words in hfc(appliance("R-404A", 60, percent=124.9)).follows)
    before = Addition(date(2025, 6, 1), 90.0)
    old = msgspec.structs.replace(appliance("R-404A", 60), additions=(before, Addition(TODAY, 0.1)))
    assert old.full_charge_kg * 1.25 < before.kg
    assert not any("chronic" in words for words in hfc(old).follows)  # the rule was not in force yet


def test_a_test_passed_since_is_named() -> None:
    late = appliance("R-22", 60, percent=40, day=date(2026, 10, 1))
    done = msgspec.structs.replace(late, verified=date(2026, 10, 20))
    assert "2026-10-20" in ozone(done).follows[-1]
    assert ozone(done).exceeded


def test_days_from_before_the_rule_are_pointed_out() -> None:
    parts = (Addition(date(2025, 11, 2), 1.0), Addition(date(2026, 1, 31), 1.0))
    young = History("R-404A", "commercial_refrigeration", 60 * POUND, TODAY, parts)
    assert any("before the rule applied" in words for words in hfc(young).rate.assumed)
    assert any("before the rule applied" in words for words in leak_repair(young, "rolling average")[1].rate.assumed)
    later = msgspec.structs.replace(young, additions=(Addition(date(2024, 1, 1), 1.0), parts[1]))
    assert hfc(later).rate.assumed == ()  # capped at 365 days either way
    assert hfc(appliance("R-404A", 60)).rate.since == date(2025, 11, 25)


def test_every_finding_says_where_to_read_and_to_verify() -> None:
    for finding, section in zip(leak_repair(appliance("R-22", 60)), ("82.157", "84.106"), strict=True):
        assert section in finding.where
        assert finding.verify.startswith("verify")
        assert section in finding.verify
        assert str(finding.dated) in finding.verify


def test_an_unknown_refrigerant_is_refused() -> None:
    with pytest.raises(InputError, match="unknown fluid 'R-9999'"):
        leak_repair(appliance("R-9999", 60))

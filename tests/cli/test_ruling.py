"""``rules``: the rooms' answers on the screen, each ending with the text to verify."""

from __future__ import annotations

import re

import pytest

from leakinfer.rules.european_union import leak_checks

from .helpers import answer, page, refusal

POUND = 0.45359237  # kg, by its definition
US = ("rules", "us", "--refrigerant", "R-404A", "--charge", "100lb", "--today", "2026-11-25")
EU = ("rules", "eu", "--refrigerant", "R-410A", "--charge")
VERIFY = re.compile(r"Verify: read .+ as in force today; this is taken from the text of \d{4}-\d\d-\d\d\.$")
US_KEYS = {
    *("rule", "title", "where", "dated", "verify", "applies", "because", "rate", "limit_percent", "exceeded"),
    *("years", "follows"),
}


def test_the_leak_rate_of_an_appliance_in_the_us() -> None:
    """Annualizing (40 CFR 84.102): (12 / 100) * (365 / 184 days) * 100 = 23.8 %, above 20 % (84.106(c)(2))."""
    more = ("--kind", "commercial_refrigeration", "--add", "2026-03-01=10lb", "--add", "2026-09-01=12 lb")
    ozone, hfc = answer(*US, *more)["rules"]
    assert set(ozone) == set(hfc) == US_KEYS
    assert ozone["applies"] is False
    assert (hfc["applies"], hfc["exceeded"], hfc["limit_percent"]) == (True, True, 20.0)
    assert hfc["rate"]["percent"] == pytest.approx(12 * 365 / 184)
    assert hfc["rate"]["kg"] == pytest.approx(12 * POUND)
    assert hfc["rate"]["day"] == "2026-09-01"
    shown = page(*US, *more)
    assert "23.8 %" in shown
    assert "above 20% of the full charge" in " ".join(shown.split())
    assert "repair within 30 days, by 2026-10-01" in " ".join(shown.split())


def test_reasons_removals_and_methods_reach_the_rule() -> None:
    """A top-up counts, filling after a retrofit does not (40 CFR 82.157(b)); rolling: all of the last 365 days."""
    more = ("--add", "2026-03-01=10lb,retrofit", "--add", "2026-06-01=5lb", "--add", "2026-09-01=5lb")
    hfc = answer(*US, *more, "--method", "rolling", "--commissioned", "2015-01-01")["rules"][1]
    assert (hfc["rate"]["method"], hfc["rate"]["percent"]) == ("rolling average", pytest.approx(10.0))
    hfc = answer(*US, *more, "--on", "2026-06-01")["rules"][1]
    assert hfc["rate"]["day"] == "2026-06-01"
    season = ("--remove", "2026-10-01=5 lb", "--add", "2026-11-01=4 lb,season")
    hfc = answer(*US, *season)["rules"][1]
    assert hfc["rate"]["percent"] == 0.0
    verified = answer(*US, *more, "--method", "rolling", "--verified", "2026-07-01")["rules"][1]
    assert verified["rate"]["percent"] == pytest.approx(5.0)


def test_leak_checks_in_the_eu() -> None:
    """(EU) 2024/573 Article 5: from 5 t CO2 every 12 months, doubled with a detection system (Article 5(3))."""
    told = answer(*EU, "3kg")["rules"][0]
    by_room = leak_checks("R-410A", 3.0)
    assert (told["months"], told["tonnes"]) == (12.0, pytest.approx(by_room.tonnes))
    assert answer(*EU, "3 kg", "--detection")["rules"][0]["months"] == 24.0
    assert answer(*EU, "3 kg", "--hermetic")["rules"][0]["months"] is None
    assert "none asked for" in page(*EU, "1 kg")
    assert "at least every 12 months" in page(*EU, "6 lb 10 oz")


@pytest.mark.parametrize("command", [(*US, "--add", "2026-09-01=12lb"), (*EU, "3kg"), US])
def test_every_screen_ends_with_what_to_verify(command: tuple[str, ...]) -> None:
    shown = page(*command)
    last = " ".join(shown[shown.rindex("Verify") :].split())
    assert VERIFY.search(last)
    assert shown.count("Verify: ") == (2 if command[1] == "us" else 1)
    assert max(map(len, shown.splitlines())) <= 80


def test_without_a_country_it_lists_them() -> None:
    shown = page("rules")
    assert re.search(r"^  us ", shown, re.MULTILINE)
    assert re.search(r"^  eu ", shown, re.MULTILINE)
    assert "No legal advice" in shown


@pytest.mark.parametrize(
    ("command", "named"),
    [
        (("rules", "moon"), "moon"),
        (("rules", "us"), "--refrigerant"),
        (US[:-4], "--charge"),
        ((*US[:5], "100", *US[6:]), "--charge"),
        ((*US, "--kind", "toaster"), "--kind"),
        ((*US, "--add", "2026-09-01"), "--add"),
        ((*US, "--add", "September=12lb"), "--add"),
        ((*US, "--add", "2026-09-01=12"), "--add"),
        ((*US, "--add", "2026-09-01=12lb,luck"), "--add"),
        ((*US, "--add", "2027-09-01=12lb"), "future"),
        ((*US, "--remove", "2026-09-01=12lb,season"), "--remove"),
        ((*US, "--on", "2026-09-01"), "on"),
        ((*US, "--method", "guess"), "--method"),
        ((*EU, "0 kg"), "kg"),
        (("rules", "eu", "--refrigerant", "R-1", "--charge", "3kg"), "R-1"),
    ],
)
def test_what_cannot_be_is_refused(command: tuple[str, ...], named: str) -> None:
    assert named in refusal(*command)

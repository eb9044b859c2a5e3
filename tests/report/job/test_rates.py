"""Leak rates and rules: formulas by hand, dates by dateutil."""

from __future__ import annotations

from datetime import date
from importlib import import_module
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from leakinfer.circuit.reader import load_system
from leakinfer.report.job.rates import check_due, last_lost, months_later, rates_section

from .example import TODAY, bare, begun, demo, later

delta: Any = import_module("dateutil.relativedelta").relativedelta


@given(st.dates(date(2000, 1, 1), date(2090, 1, 1)), st.integers(1, 36))
def test_months_later_as_dateutil_reckons(day: date, months: int) -> None:
    assert months_later(day, months) == day + delta(months=months)


def test_the_rate_of_the_demo_by_hand() -> None:
    """Plain: 1 kg of 2.6 kg in 1.5 years, 25.6 % a year. Annualizing (40 CFR 82.152): added over full charge, over days
    since the last addition but no more than 365, 1 / 2.6 = 38.5 %."""
    tables = rates_section(demo()).tables
    assert ("leak rate, plain", "26% of the charge of 2.6 kg a year") in tables[0].rows
    assert ("missing", "1 kg in 18 months") in tables[0].rows
    assert tables[2].caption == "If what is missing were put back on 2026-11-26: 38.5% a year, by annualizing"


def test_a_small_charge_is_not_covered_and_every_text_is_to_be_read() -> None:
    """2.6 kg are 5.7 lb, below the 15 lb of 40 CFR 84.106 (as in priors/rules.toml); R-410A depletes no ozone."""
    *_, american, notes = rates_section(demo()).tables
    assert all(row[2].startswith("no: ") for row in american.rows)
    assert sum(row[1] == "any kind" for row in american.rows) == 1
    verify = [row for row in notes.rows if row[1].startswith("verify: read ")]
    assert len(verify) == 3
    assert all("as in force today" in row[1] for row in verify)


def test_a_large_leaking_rack_is_above_the_limit_with_days() -> None:
    """20 kg of 48 kg (106 lb) of R-404A in a year: 41.7 %, above the 20 % for commercial refrigeration and the 10 % for
    comfort cooling; leaks are repaired within 30 days (40 CFR 84.106, as in priors/rules.toml)."""
    loss = {"kg": 20.0, "years": 1.0}
    told = begun(
        load_system("rack_store:60"), {"refrigerant": "R-404A", "charge_kg": 48.0, "loss": loss, "age_years": 12.0}
    )
    *_, american, notes = rates_section(told).tables
    covered = [row for row in american.rows if row[2] == "yes"]
    shown = {row[1]: (row[3], row[4]) for row in covered}
    assert shown["commercial refrigeration"][0] == "above 20%"
    assert "repair within 30 days, by 2026-12-26" in shown["commercial refrigeration"][1]
    assert shown["comfort cooling and other appliances"][0] == "above 10%"
    assert (
        "assumed",
        f"the last addition was when the charge was last right, about {date(2025, 11, 26)}",
    ) in notes.rows


def test_without_a_loss_no_rate_is_made_up() -> None:
    told = bare()
    section = rates_section(told)
    assert section.says[0] == "No loss was told, so no leak rate can be worked out."
    assert last_lost(told) is None
    assert not any("put back" in table.caption for table in section.tables)


def test_the_next_check_of_the_eu_regulation() -> None:
    """2.6 kg of R-410A, GWP 2088 (IPCC AR4): 5.4 t CO2, between 5 and 50 t: every 12 months."""
    assert check_due(demo()) == date(2027, 11, 26) == TODAY + delta(months=12)


def test_the_last_loss_is_that_of_the_last_visit_that_told_one() -> None:
    lost = last_lost(later())
    assert lost is not None
    assert (lost.kg, lost.years) == (1.0, 1.5)  # the later visit told none

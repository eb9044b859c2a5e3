"""A charge history as dates becomes age and loss: by hand from the calendar, and refused when it cannot be."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.errors import InputError
from leakinfer.job.facts import start_facts
from leakinfer.job.history import TopUp, from_history

from .small import shipped_job, site, system

BEGUN, TODAY = date(2019, 5, 1), date(2026, 11, 25)
FIRST, SECOND, THIRD = date(2024, 5, 3), date(2025, 5, 3), date(2026, 5, 3)
YEAR = 365.25  # days, Julian year (IAU)


def years(begun: date, ended: date) -> float:
    return (ended - begun).days / YEAR


def test_without_a_top_up_all_is_since_the_first_charge() -> None:
    age = years(BEGUN, TODAY)
    assert from_history(BEGUN, TODAY) == {"age_years": pytest.approx(age)}
    told = from_history(BEGUN, TODAY, [], 0.2)
    assert told["loss"] == {"kg": pytest.approx(0.2), "years": pytest.approx(age)}


@pytest.mark.parametrize(
    ("top_ups", "missing", "kg", "begun", "ended"),
    [
        ([(FIRST, 0.3)], None, 0.3, BEGUN, FIRST),  # nothing later is known: the first interval
        ([(FIRST, 0.3)], 0.2, 0.2, FIRST, TODAY),
        ([(FIRST, 0.3)], 0.0, 0.0, FIRST, TODAY),  # full today is a finding, too
        ([(FIRST, 0.3), (SECOND, 0.4)], None, 0.4, FIRST, SECOND),
        ([(FIRST, 0.3), (SECOND, 0.4)], 0.1, 0.5, FIRST, TODAY),
        ([(FIRST, 0.3), (SECOND, 0.4), (THIRD, 0.5)], 0.1, 1.0, FIRST, TODAY),
        ([(FIRST, 0.3), (SECOND, 0.4), (TODAY, 0.5)], None, 0.9, FIRST, TODAY),
    ],
)
def test_the_window_of_the_loss(
    top_ups: list[TopUp], missing: float | None, kg: float, begun: date, ended: date
) -> None:
    told = from_history(BEGUN, TODAY, top_ups, missing)
    since = {"since_first_charge": True} if begun == BEGUN else {}  # a wrong first charge can explain that one only
    assert told["loss"] == {"kg": pytest.approx(kg), "years": pytest.approx(years(begun, ended)), **since}
    assert told["age_years"] == pytest.approx(years(BEGUN, TODAY))


def test_the_first_top_up_never_counts_where_a_later_loss_is_known() -> None:
    """A wrong first charge can explain the first top-up only: its weight must not change what follows."""
    small, large = (from_history(BEGUN, TODAY, [(FIRST, kg), (SECOND, 0.4)], 0.1) for kg in (0.05, 2.0))
    assert small == large


def test_a_window_that_lost_more_than_the_charge_begins_later() -> None:
    top_ups = [(FIRST, 1.0), (SECOND, 1.5), (THIRD, 1.5)]
    whole = from_history(BEGUN, TODAY, top_ups, 0.2)
    assert whole["loss"]["kg"] == pytest.approx(3.2)
    cut = from_history(BEGUN, TODAY, top_ups, 0.2, charge_kg=2.6)
    assert cut["loss"] == {"kg": pytest.approx(1.7), "years": pytest.approx(years(SECOND, TODAY))}
    last = from_history(BEGUN, TODAY, top_ups, 0.2, charge_kg=1.0)
    assert last["loss"] == {"kg": pytest.approx(0.2), "years": pytest.approx(years(THIRD, TODAY))}


def test_what_it_gives_are_facts() -> None:
    told = from_history(BEGUN, TODAY, [(FIRST, 0.3), (SECOND, 0.4)], 0.1)
    facts = start_facts(system(site("a", "flare")), told, "facts")
    assert facts.loss is not None
    assert facts.loss.years < facts.age_years
    since_new = shipped_job("ducted_split", **from_history(BEGUN, TODAY, [], 0.4)).facts
    assert since_new.loss is not None
    assert since_new.loss.years == since_new.age_years  # so that a wrong first charge may explain it


@pytest.mark.parametrize(
    ("begun", "top_ups", "missing", "where"),
    [
        (TODAY, [], None, "commissioned"),
        (TODAY + timedelta(days=1), [], None, "commissioned"),
        (BEGUN, [(BEGUN, 0.3)], None, "top-up 1"),
        (BEGUN, [(BEGUN - timedelta(days=9), 0.3)], None, "top-up 1"),
        (BEGUN, [(TODAY + timedelta(days=1), 0.3)], None, "top-up 1"),
        (BEGUN, [(SECOND, 0.3), (FIRST, 0.3)], None, "top-up 2"),
        (BEGUN, [(FIRST, 0.3), (FIRST, 0.3)], None, "top-up 2"),
        (BEGUN, [(FIRST, 0.0)], None, "top-up 1"),
        (BEGUN, [(FIRST, -0.1)], None, "top-up 1"),
        (BEGUN, [(FIRST, float("nan"))], None, "top-up 1"),
        (BEGUN, [(FIRST, float("inf"))], None, "top-up 1"),
        (BEGUN, [], -0.1, "missing now"),
        (BEGUN, [], float("nan"), "missing now"),
        (BEGUN, [(TODAY, 0.3)], 0.1, "missing now"),
    ],
)
def test_a_history_that_cannot_be_is_refused(
    begun: date, top_ups: list[TopUp], missing: float | None, where: str
) -> None:
    with pytest.raises(InputError) as caught:
        from_history(begun, TODAY, top_ups, missing)
    assert caught.value.where == where
    assert caught.value.allowed


@given(
    days=st.lists(st.integers(1, 2764), min_size=1, max_size=6, unique=True),
    kg=st.floats(0.01, 2.0),
    missing=st.none() | st.floats(0.0, 2.0),
    charge=st.none() | st.floats(0.5, 3.0),
)
def test_any_history_gives_a_window_within_the_age(
    days: list[int], kg: float, missing: float | None, charge: float | None
) -> None:
    """2,764 days after the first charge is one before the search."""
    top_ups = [(BEGUN + timedelta(days=day), kg) for day in sorted(days)]
    told = from_history(BEGUN, TODAY, top_ups, missing, charge)
    assert 0 < told["loss"]["years"] < told["age_years"]
    known = [added for _, added in top_ups] + ([] if missing is None else [missing])
    assert 0 <= told["loss"]["kg"] <= sum(known) + 1e-9

"""Jobs as histories, on small invented systems: each expected row is written out by hand or counted anew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leakinfer.circuit.model import Circumstance
from leakinfer.errors import InputError
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.export.jobs import Attended, JobRecord, job_tables, searched, visit_days
from leakinfer.fleet.history.badrows import BadRow
from leakinfer.fleet.history.writing import (
    number_text,
    row_of,
    write_history,
)
from leakinfer.fleet.settings import load_settings
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.later import Repaired, Return
from tests.fleet.made import rows_of
from tests.job.small import CATALOGUE, COIL, found, job_on, shipped_job, site, system, told

FIRST, SECOND = date(2024, 5, 6), date(2025, 5, 7)
BUILT = date(2016, 2, 1)
LITTER = Circumstance("litter", "leaves", "leaf_litter", ("shell", "drier"))


def small(**facts: object) -> Job:
    """A core, a flare, two bends of one coil, a shell and a drier that litter can touch."""
    made = system(
        site("core", "valve_core", exposures=("cap_missing",)),
        site("nut", "flare", "liquid_line"),
        site("bends", "return_bend", zone=COIL, unit="coil", count=4),
        site("header", "coil_header", zone=COIL, unit="coil"),
        site("shell", "compressor_shell"),
        site("drier", "drier_liquid", "liquid_line"),
        circumstances=(LITTER,),
    )
    return job_on(made, CATALOGUE, **{"age_years": 8.0, "charge_kg": 2.0, **facts})


def confirmed(job: Job, name: str) -> Job:
    """The job after a probe and bubbles have spoken for a big leak there."""
    return told(job, found("probe_point", name, "response"), found("bubbles", name, "fast_bubbles"))


def record(*stages: Job, days: Sequence[date] = (FIRST, SECOND), **more: str) -> JobRecord:
    visits = tuple(Attended(day, "T7") for day in days[: len(stages[-1].returns) + 1])
    return JobRecord("cellar", stages, visits, BUILT, **more)


def test_a_system_and_its_record_begin_with_the_first_visit() -> None:
    tables = job_tables(record(small(refrigerant="R-32"), installer="crew 4")).tables
    assert tables["systems"] == [
        row_of(
            "systems",
            system="cellar",
            type="small",
            commissioned="2016-02-01",
            installer="crew 4",
            refrigerant="R-32",
            charge_kg="2",
            followed_from="2024-05-06",
        )
    ]
    assert rows_of(tables, "visits", "visit", "date", "searched", "technician") == [("visit 1", "2024-05-06", "", "T7")]


def test_the_record_begins_when_all_of_it_was_proved_tight() -> None:
    tables = job_tables(record(small(tight_years_ago=2.0))).tables
    two_years = timedelta(days=round(2 * 365.25))
    assert rows_of(tables, "systems", "followed_from", "tight_then") == [((FIRST - two_years).isoformat(), "yes")]
    since_built = job_tables(record(small(tight_years_ago=8.0), days=[BUILT + timedelta(days=2922)])).tables
    assert rows_of(since_built, "systems", "followed_from", "tight_then") == [("", "yes")]


def test_a_system_is_not_built_after_its_first_visit() -> None:
    with pytest.raises(InputError, match="after the first visit"):
        job_tables(record(small(), days=[date(2015, 1, 1)]))


def test_fitted_sites_with_counts_and_sides() -> None:
    tables = job_tables(record(small(not_fitted=("drier",)))).tables
    assert rows_of(tables, "sites", "site", "component", "count", "side", "fitted", "removed") == [
        ("core", "valve_core", "1", "low", "", ""),
        ("nut", "flare", "1", "high", "", ""),
        ("bends", "return_bend", "4", "low", "", ""),
        ("header", "coil_header", "1", "low", "", ""),
        ("shell", "compressor_shell", "1", "low", "", ""),
    ]


def test_what_was_seen_is_present_what_was_not_there_absent_and_the_rest_unknown() -> None:
    around = {name: row for name, *row in _around(small(circumstances={"core:cap_missing": False}))}
    assert around["core"] == ["", "cap_missing", ""]
    assert around["shell"] == around["drier"] == ["", "", "leaf_litter"]
    assert around["nut"] == ["", "", ""]
    looked = told(small(), found("look", "litter", "present"), found("look", "core:cap_missing", "present"))
    corrected = told(looked, found("look", "core:cap_missing", "absent"))
    around = {name: row for name, *row in _around(corrected)}
    assert around["core"] == ["", "cap_missing", ""]  # the last look counts
    assert around["shell"] == ["leaf_litter", "", ""]


def _around(job: Job) -> list[tuple[str, ...]]:
    return rows_of(job_tables(record(job)).tables, "sites", "site", "present", "absent", "unknown")


def test_what_changed_between_visits_is_dated_by_the_visit_that_saw_it() -> None:
    before = small(circumstances={"core:cap_missing": True, "litter": False})
    after = before.with_return(Return(1.0)).with_facts({"circumstances": {"core:cap_missing": False, "litter": True}})
    tables = job_tables(record(before, after)).tables
    assert rows_of(tables, "exposures", "site", "exposure", "since", "until") == [
        ("core", "cap_missing", "", SECOND.isoformat()),
        ("shell", "leaf_litter", SECOND.isoformat(), ""),
        ("drier", "leaf_litter", SECOND.isoformat(), ""),
    ]


def test_a_confirmed_leak_is_written_once_and_other_sites_are_not() -> None:
    job = confirmed(small(), "core")
    later = told(job.with_return(Return(1.0)), found("bubbles", "core", "fast_bubbles"))
    tables = job_tables(record(job, later)).tables
    names = ("visit", "site", "component", "confirmed", "there_before", "loss_g_per_year")
    assert rows_of(tables, "leaks", *names) == [("visit 1", "core", "valve_core", "yes", "", "")]
    only_probed = told(small(), found("probe_point", "core", "response"))
    assert job_tables(record(only_probed)).tables["leaks"] == []


def test_the_leaks_are_those_that_stop_calls_confirmed() -> None:
    from leakinfer.job.belief import Belief
    from leakinfer.planner.plan import make_plan

    job = confirmed(confirmed(small(), "core"), "nut")
    names = make_plan(Belief(job)).stop.confirmed
    assert len(names) == 2
    assert [name for (name,) in rows_of(job_tables(record(job)).tables, "leaks", "site")] == list(names)


def test_findings_are_those_on_single_sites_made_during_the_job() -> None:
    job = told(
        small(),
        found("probe_sweep", "valves", "silent"),
        found("bubbles", "nut", "none"),
        found("oil_point", "core", "oil", earlier=True),
        found("bubbles", "drier", "none"),
    )
    exported = job_tables(record(job.with_facts({"not_fitted": ["drier"]})))
    assert rows_of(exported.tables, "findings", "visit", "site", "method", "outcome") == [
        ("visit 1", "nut", "bubbles", "none")
    ]
    assert exported.left_out == {
        "tests of no single place": 1,
        "tests made before the job": 1,
        "tests of places struck out since": 1,
    }


SWEEPS = [found("probe_sweep", "valves", "silent"), found("probe_sweep", "coil", "silent")]
COIL_BY_POINTS = [found("probe_point", "bends", "silent"), found("bubbles", "header", "none")]


@pytest.mark.parametrize(
    ("findings", "whole"),
    [
        (SWEEPS, True),
        ([SWEEPS[0], *COIL_BY_POINTS], True),
        (SWEEPS[:1], False),
        ([SWEEPS[0], COIL_BY_POINTS[0]], False),
        ([SWEEPS[0], found("probe_sweep", "coil", "silent", earlier=True)], False),
        ([SWEEPS[0], *(found("oil_point", name, "no_oil") for name in ("bends", "header"))], False),
        ([], False),
    ],
)
def test_a_search_took_in_every_fitted_place_by_tests_that_meet_gas(findings: list[Finding], whole: bool) -> None:
    job = told(small(), *findings)
    assert searched(job, 0) is whole
    assert rows_of(job_tables(record(job)).tables, "visits", "searched") == [("yes" if whole else "",)]


def test_a_search_belongs_to_its_visit() -> None:
    first = told(small(), *SWEEPS)
    later = told(first.with_return(Return(1.0)), SWEEPS[0])
    assert rows_of(job_tables(record(first, later)).tables, "visits", "searched") == [("yes",), ("",)]


def test_what_is_not_fitted_need_not_be_searched() -> None:
    job = told(small(not_fitted=("bends", "header")), SWEEPS[0])
    assert searched(job, 0)


def test_an_exchanged_unit_gives_new_rows_and_later_findings_go_to_them() -> None:
    leaky = confirmed(small(), "bends")
    mended = leaky.with_repair(Repaired("coil", exchanged=True))
    later = told(mended.with_return(Return(1.0)), found("bubbles", "bends", "none"), found("bubbles", "nut", "none"))
    tables = job_tables(record(leaky, mended, later)).tables
    dated = [row for row in rows_of(tables, "sites", "site", "fitted", "removed") if any(row[1:])]
    day = FIRST.isoformat()
    assert dated == [("bends", "", day), ("bends#2", day, ""), ("header", "", day), ("header#2", day, "")]
    assert rows_of(tables, "leaks", "visit", "site") == [("visit 1", "bends")]
    assert rows_of(tables, "repairs", "visit", "site", "exchanged", "held") == [
        ("visit 1", "bends", "yes", "yes"),
        ("visit 1", "header", "yes", ""),
    ]
    assert rows_of(tables, "findings", "visit", "site") == [
        ("visit 1", "bends"),
        ("visit 1", "bends"),
        ("visit 2", "bends#2"),
        ("visit 2", "nut"),
    ]


def test_a_repair_that_nobody_tested_is_unknown() -> None:
    leaky = confirmed(small(), "core")
    mended = leaky.with_repair(Repaired("core"))
    assert rows_of(job_tables(record(leaky, mended)).tables, "repairs", "site", "exchanged", "held") == [
        ("core", "no", "")
    ]


def test_an_old_film_of_oil_says_nothing_of_a_repair() -> None:
    leaky = confirmed(small(), "core")
    mended = leaky.with_repair(Repaired("core"))
    oily = told(mended, found("oil_point", "core", "no_oil"))
    assert rows_of(job_tables(record(leaky, oily)).tables, "repairs", "held") == [("",)]


def test_a_repair_that_did_not_hold_is_no_new_leak() -> None:
    """Bubbles again at once: what leaks there had not begun since."""
    leaky = confirmed(small(), "core")
    mended = leaky.with_repair(Repaired("core"))
    again = confirmed(told(mended, found("bubbles", "core", "fast_bubbles")), "core")
    tables = job_tables(record(leaky, again)).tables
    assert rows_of(tables, "leaks", "visit", "site") == [("visit 1", "core")]
    assert rows_of(tables, "repairs", "held") == [("no",)]


def test_a_leak_that_came_years_after_a_proved_repair_is_a_new_one() -> None:
    leaky = confirmed(small(), "nut")
    proved = told(leaky.with_repair(Repaired("nut", exchanged=True)), *[found("bubbles", "nut", "none")] * 3)
    later = confirmed(proved.with_return(Return(9.0)), "nut")
    days = (FIRST, FIRST + timedelta(days=3287))
    tables = job_tables(record(leaky, proved, later, days=days)).tables
    assert rows_of(tables, "leaks", "visit", "site") == [("visit 1", "nut"), ("visit 2", "nut#2")]
    assert rows_of(tables, "repairs", "held") == [("yes",)]


def losing(kg: float, *leaks: str, **facts: object) -> list[str]:
    """The losses written down for leaks confirmed where ``kg`` went in two years."""
    job = small(loss={"kg": kg, "years": 2.0}, **facts)
    for name in leaks:
        job = confirmed(job, name)
    job = told(job, *(found("probe_point", one, "silent") for one in ("shell", "drier", "header", "nut", "core")))
    job = told(job, *SWEEPS[1:])
    return [loss for (loss,) in rows_of(job_tables(record(job)).tables, "leaks", "loss_g_per_year")]


def test_one_leak_alone_takes_the_whole_loss() -> None:
    assert losing(0.9, "core") == ["450"]  # 900 g in 2 years


def test_two_leaks_share_it_in_ways_nobody_measured() -> None:
    assert losing(0.9, "core", "nut") == ["", ""]


def test_a_charge_that_may_never_have_been_right_measures_nothing() -> None:
    assert losing(0.9, "core", age_years=2.0) == [""]
    assert losing(0.9, "core", age_years=2.0, first_charge_weighed=True) == ["450"]


def test_an_empty_system_only_says_at_least() -> None:
    assert losing(2.0, "core") == [""]


def test_what_others_are_expected_to_lose_spoils_the_measure() -> None:
    job = confirmed(shipped_job("ducted_split", age_years=15.0, loss={"kg": 0.12, "years": 4.0}), "suction_port_core")
    assert rows_of(job_tables(record(job)).tables, "leaks", "loss_g_per_year") == [("",)]


def test_days_told_stand_where_the_time_between_fits() -> None:
    assert visit_days([FIRST, SECOND], [1.0]) == (FIRST, SECOND)
    assert visit_days([FIRST, SECOND], [0.95]) == (FIRST, SECOND)


def test_a_history_typed_in_afterwards_is_dated_back_from_its_end() -> None:
    day = date(2026, 3, 1)
    assert visit_days([day, day, day], [2.0, 0.5]) == (
        day - timedelta(days=round(2.0 * 365.25)) - timedelta(days=round(0.5 * 365.25)),
        day - timedelta(days=round(0.5 * 365.25)),
        day,
    )


@given(st.lists(st.tuples(st.dates(date(2000, 1, 1), date(2030, 1, 1)), st.floats(0.01, 20)), min_size=1, max_size=6))
@settings(max_examples=60, deadline=None)
def test_visits_are_in_order_and_as_far_apart_as_told(visits: list[tuple[date, float]]) -> None:
    told_days = sorted(day for day, _ in visits)
    apart = [years for _, years in visits[1:]]
    days = visit_days(told_days, apart)
    assert days[-1] == told_days[-1]
    assert list(days) == sorted(days)
    for number, years in enumerate(apart):
        between = (days[number + 1] - days[number]).days
        assert abs(between - years * 365.25) <= 31 + 0.1 * years * 365.25


def test_every_row_of_a_full_job_is_sound_for_the_reader(tmp_path: Path) -> None:
    leaky = confirmed(confirmed(shipped_job("heat_pump", age_years=6.0), "liquid_port_core"), "indoor_return_bends")
    leaky = leaky.with_facts({"circumstances": {"liquid_port_core:cap_missing": True}})
    mended = leaky.with_repair(Repaired("indoor_coil_unit", exchanged=True)).with_repair(Repaired("liquid_port_core"))
    later = mended.with_return(Return(1.0, missing_kg=0.2)).with_facts(
        {"circumstances": {"liquid_port_core:cap_missing": False}}
    )
    later = confirmed(later, "metering_inlet_flare")
    exported = job_tables(record(leaky, mended, later))
    write_history(exported.tables, tmp_path / "history")
    bad: list[BadRow] = []
    cells = reduce_history([tmp_path / "history"], CATALOGUE, load_settings(), on_bad=bad.append)
    assert [one.line() for one in bad] == []
    assert cells.counts.left_out == {}
    assert cells.counts.rows == sum(map(len, exported.tables.values()))
    assert cells.tables["found"]["found"].sum() == 3


def test_numbers_are_plain_text() -> None:
    assert [number_text(value) for value in (2.0, 0.0, 0.1 + 0.2, 1234567.0, 0.00012345678)] == [
        "2",
        "0",
        "0.3",
        "1234570",
        "0.000123457",
    ]

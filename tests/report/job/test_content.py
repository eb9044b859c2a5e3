"""What a report says: every event, the numbers of the belief, the leaks with their evidence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from leakinfer.job.events import AIRED, BEGIN, FACTS, FINDING, REPAIR, RETURN, SITE, SKIP
from leakinfer.report.circuit.layout import known_marks
from leakinfer.report.job.content import report_of
from leakinfer.report.job.customer import customer_words
from leakinfer.report.job.record import Record
from leakinfer.report.job.told import WORDS
from leakinfer.report.job.wording import hundredths, joined
from leakinfer.report.section import Section, Table
from leakinfer.session.ending import cautions_of, entries_of
from leakinfer.store import live
from leakinfer.words.job import method_words, outcome_words, site_verdicts
from leakinfer.words.numbers import percent, rate
from leakinfer.words.units import AMERICAN, METRIC

from .example import PEOPLE, again, bare, demo, demo_again, later, mended

IDS = ["leaks", "remains", "circuit", "next", "repairs", "rates", "told", "system", "prevention", "cautions", "limits"]


def section(told: Record, name: str) -> Section:
    return next(part for part in report_of(told).sections if part.id == name)


def table(told: Record, name: str) -> Table:
    return section(told, name).tables[0]


def test_sections_come_in_the_order_of_a_reader() -> None:
    assert [part.id for part in report_of(demo()).sections] == IDS
    assert [part.id for part in report_of(later()).sections] == IDS


def test_every_event_that_holds_is_a_row_with_when_and_who() -> None:
    told = later()
    rows, events = table(told, "told").rows, live(told.events)
    assert [row[0] for row in rows] == [str(event.number) for event in events]
    for row, event in zip(rows, events, strict=True):
        assert row[1] == f"{event.when[:10]} {event.when[11:16]}{f', {event.who}' if event.who else ''}"
    assert "1 entry taken back" in section(told, "told").says[1]


def test_each_kind_of_event_is_told_in_words() -> None:
    told = later()
    assert {event.kind for event in live(told.events)} == {BEGIN, FACTS, FINDING, SKIP, SITE, REPAIR, RETURN, AIRED}
    assert set(WORDS) == {event.kind for event in live(told.events)}
    first: dict[str, tuple[str, ...]] = {}
    for row, event in zip(table(told, "told").rows, live(told.events), strict=True):
        first.setdefault(event.kind, row[2:])
    assert first[BEGIN][1].startswith("system: Ducted split air conditioner; charge: 2.6 kg of R-410A")
    assert first[FACTS] == ("Facts", "now: standing, a breeze, 23.9 C outdoors, 22 C indoors", "")
    assert first[SKIP][0] == "Left out: walls, floors and insulation, all tests"
    assert first[SKIP][1].startswith("reason: no key")
    assert first[SITE][1].startswith("sight glass ")
    assert first[REPAIR][0] == "New part: core of the suction port"
    assert first[REPAIR][1].startswith("new core ")
    assert first[RETURN][1] == "visit 6 months after the one before"
    assert first[AIRED][0] == "Aired: inside the indoor coil cabinet"


def test_findings_name_the_test_its_outcome_and_its_condition() -> None:
    told = later()
    job = told.job
    rows = {row[0]: row for row in table(told, "told").rows}
    for line in told.lines:
        if line.event.kind == FINDING:
            _, _, what, came, _ = rows[str(line.event.number)]
            assert job.target_name(line.event.body["target"]) in what
            assert method_words(job, line.event.body["method"]) in what
            assert came.startswith(outcome_words(line.event.body["outcome"]))
    assert rows["9"][4] == "standing, a breeze, 23.9 C"  # outdoors, after the breeze came up
    assert rows["11"][4] == "standing, still air, 22 C"  # indoors
    assert "(note: twice <script>" in rows["15"][3]


def test_leaks_found_are_those_of_the_belief_with_their_evidence() -> None:
    """The evidence by hand from the scenario: oil below, probe, oil in the port, its seal, bubbles; and sweep, probe,
    bubbles at the nut. Silent tests and those of other places are not among it."""
    told = demo()
    assert tuple(leak.site for leak in told.leaks) == told.belief.confirmed()
    numbers = {leak.site: [line.event.number for line in leak.shown_by] for leak in told.leaks}
    assert numbers == {"suction_port_core": [2, 4, 5, 6, 10], "metering_inlet_flare": [11, 12, 13]}
    for leak, row in zip(told.leaks, table(told, "leaks").rows, strict=True):
        assert leak.chance == told.belief.leak_probability[leak.site]
        assert row[3] == percent(leak.chance)
        assert row[4] == rate(told.belief.expected_g_per_year[leak.site])
        assert row[5] == "confirmed, not repaired"


def test_repaired_leaks_stay_in_the_report() -> None:
    told = later()
    assert told.belief.confirmed() == ()
    assert [leak.site for leak in told.leaks] == ["suction_port_core", "metering_inlet_flare"]
    assert [row[5] for row in table(told, "leaks").rows] == ["repaired, no. 14", "repaired, no. 16"]
    assert told.leaks[0].chance == pytest.approx(demo().belief.leak_probability["suction_port_core"])


def test_a_leak_that_came_back_after_its_repair_is_one_leak_with_what_showed_it_since() -> None:
    """By hand from the scenario: the repair is no. 14, the probe and the bubbles after it are 15 and 16."""
    told = again()
    numbers = {leak.site: [line.event.number for line in leak.shown_by] for leak in told.leaks}
    assert numbers == {"suction_port_core": [15, 16], "metering_inlet_flare": [11, 12, 13]}
    assert [row[5] for row in table(told, "leaks").rows] == [
        "confirmed in spite of its repair",
        "confirmed, not repaired",
    ]
    assert customer_words(told)[0].startswith("We found 2 leaks, at the core of the suction port and the inlet nut")
    assert told.explained_g_per_year == told.plan.stop.explained_g_per_year


def test_repairs_say_what_proves_them_and_what_was_tested_since() -> None:
    first, second = table(later(), "repairs").rows
    assert first[0] == "14"
    assert first[1].startswith("core of the suction port (new part); new core ")
    assert first[2].endswith(PEOPLE[0])
    assert "probe and bubbles on the open port" in first[3]
    assert first[4] == "no. 15: electronic probe at one spot, silent"
    assert first[5] == percent(later().belief.matters_probability["suction_port_core"])
    assert second[4] == "not yet"


def test_what_remains_has_the_numbers_of_the_belief_and_of_the_drawing() -> None:
    told = demo()
    belief = told.belief
    rows = table(told, "remains").rows
    marks = known_marks(belief)
    for row, mark in zip(rows, marks, strict=False):
        assert row[0] == str(mark.rank)
        assert row[5] == rate(sum(belief.expected_g_per_year[site] for site in mark.sites))
    alone = {mark.rank: mark.sites[0] for mark in marks if len(mark.sites) == 1}
    assert len(alone) >= 4
    for rank, site in alone.items():
        row = rows[rank - 1]
        assert row[4] == percent(belief.matters_probability[site])
        assert row[3] == site_verdicts(belief, METRIC)[site]
    others = rows[len(marks)]
    assert others[1] == f"all {len(told.job.sites) - sum(len(mark.sites) for mark in marks)} other places together"
    marked = {site for mark in marks for site in mark.sites}
    rest = sum(loss for site, loss in belief.expected_g_per_year.items() if site not in marked)
    assert others[5] == rate(rest)


def test_three_sentences_for_the_customer() -> None:
    found, lost, next_ = customer_words(demo())
    first, second = "the core of the suction port", "the inlet nut of the expansion valve"
    assert found == f"We found 2 leaks, at {first} and {second}, none of them repaired yet."
    stop = demo().plan.stop
    assert stop.observed_g_per_year is not None
    assert stop.observed_g_per_year == pytest.approx(1000 / 1.5)  # 1 kg in 18 months, by hand
    share = percent(stop.explained_g_per_year / stop.observed_g_per_year)
    assert (
        lost
        == f"The system has been losing about 670 g/yr of refrigerant; what was found explains about {share} of it."
    )
    assert (
        next_ == f"The search should go on, since the chance that something else leaks is {hundredths(stop.another)}."
    )
    assert customer_words(later())[0] == f"We found 2 leaks, at {first} and {second}, and they were repaired."


def test_what_is_mended_unproved_is_said_to_be_so() -> None:
    unit = "liquid_port_core"
    stop = replace(demo().plan.stop, stop=True, confirmed=(), likely=(), doubtful=(unit,))
    record = replace(demo(), plan=replace(demo().plan, stop=stop))
    assert "We advise to repair the core of the liquid port: not proved" in customer_words(record)[2]
    (row,) = (row for row in table(record, "next").rows if "not proved" in row[1])
    assert (
        f"{hundredths(record.belief.unit_probability[unit])}: not proved, but dearer to leave than to repair" in row[1]
    )
    mended = [text for entry in entries_of(record.job, unit) for text in cautions_of(record.job, entry)]
    assert mended
    assert set(mended) <= set(section(record, "cautions").points)


def test_nothing_told_nothing_found() -> None:
    told = bare()
    found, lost, _ = customer_words(told)
    assert found == "No leak has been found so far."
    assert lost.startswith("How much refrigerant is missing has not been told")
    assert section(told, "leaks").says[0] == "No leak is confirmed."
    assert section(told, "repairs").says == ("No repair was recorded.",)


def test_repairs_of_an_earlier_visit_do_not_explain_the_loss_of_a_later_one() -> None:
    told = later()
    assert told.explained_g_per_year == told.plan.stop.explained_g_per_year
    before = mended()
    losses = [leak.g_per_year for leak in before.leaks]
    assert len(losses) == 2
    assert before.explained_g_per_year == pytest.approx(before.plan.stop.explained_g_per_year + sum(losses))


def test_the_next_steps_name_days_and_proofs() -> None:
    rows = table(demo(), "next").rows
    words = [row[1] for row in rows]
    assert [row[0] for row in rows][:2] == ["before you go on", "now"]
    assert words[0] == f"Mind: {' '.join(demo().plan.next[0].cautions)}"
    assert any(text.startswith("Repair core of the suction port") for text in words)
    assert any("Nitrogen in steps" in text for text in words)
    watch = demo().ending.watch_until
    assert (f"by {watch}", "Weigh the charge or look again: by then what is left would show.") in rows


def test_the_search_goes_on_with_the_first_test_of_the_plan() -> None:
    plan = demo().plan
    other = next(test for test in plan.next if set(test.cautions) - set(plan.next[0].cautions))
    for first in (plan.next[0], other):
        told = replace(demo(), plan=replace(plan, next=(first, *(test for test in plan.next if test is not first))))
        mind, go_on, *_ = (row[1] for row in table(told, "next").rows)
        assert mind == f"Mind: {' '.join(first.cautions)}"
        assert told.job.target_name(first.candidate.target) in go_on
        assert set(first.cautions) <= set(section(told, "cautions").points)


def test_every_caution_of_the_next_test_and_of_the_repairs_is_there() -> None:
    points = section(demo(), "cautions").points
    assert set(demo().plan.next[0].cautions) <= set(points)
    assert any("Liquid burns by cold" in text for text in points)
    assert len(points) == len(set(points))


def test_the_limits_name_what_was_not_checked_skipped_and_how_it_was_worked_out() -> None:
    told = later()
    points = " ".join(section(told, "limits").points)
    verdicts = site_verdicts(told.belief, METRIC).values()
    unchecked = [words for words in verdicts if words.endswith("not checked")]
    assert f"{len(unchecked)} of {len(verdicts)} places" in points
    assert "Left out: walls, floors and insulation (no key" in points
    assert "The priors are not those that this job began with." in points
    assert told.job.catalogue.digest[:12] in points
    assert f"entry no. {len(told.events)}" in points
    assert "draws" not in points
    assert told.belief.exact


def test_units_of_the_reader() -> None:
    """2.6 kg = 5.73 lb = 5 lb 12 oz; 75 F outdoors as it was told; 667 g/yr = 23.5 oz/yr (1 lb = 0.45359237 kg)."""
    told = replace(demo(), units=AMERICAN)
    facts = {row[0]: row[1] for row in table(told, "system").rows}
    assert facts["charge"] == "5 lb 12 oz of R-410A"
    assert "75 F outdoors, 71.6 F indoors" in facts["now"]
    assert "about 24 oz/yr of refrigerant" in customer_words(told)[1]
    assert " g/yr" not in " ".join(row[5] for row in table(told, "remains").rows)


def test_numbers_in_words() -> None:
    assert [hundredths(share) for share in (0.0, 0.004, 0.46, 0.995, 1.0)] == [
        *("less than 1 in 100", "less than 1 in 100", "46 in 100"),
        *("more than 99 in 100", "more than 99 in 100"),
    ]
    assert [joined("a"), joined("ab"), joined("abc")] == ["a", "a and b", "a, b and c"]


def test_the_same_record_gives_the_same_report() -> None:
    assert report_of(demo()) == report_of(demo_again())

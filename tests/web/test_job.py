"""A job from its beginning to the report with plain forms, as a browser without a script sends them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli import main
from leakinfer.cli.scenario import begin, play, read_scenario
from leakinfer.job.belief import Belief
from leakinfer.job.events import FACTS, FINDING, job_of
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan
from leakinfer.reading import checked, shipped
from leakinfer.store import live
from leakinfer.web.asked import Form
from leakinfer.web.cards import ranked_card
from leakinfer.web.telling import finding_told
from leakinfer.words.units import AMERICAN
from tests.bench.jobs import demo
from tests.web.forms import PageSeen
from tests.web.helpers import Person, events_of, serving


@pytest.fixture
def person(shelf: Path) -> Person:
    return Person(serving(shelf))


def started(person: Person) -> str:
    """The demo's job as a person would type it, in American units where the scenario has them."""
    return person.begin(
        title="Corner house",
        age="11",
        lost="1.0 kg",
        over="18",
        charge="2.6 kg",
        refrigerant="R-410A",
        outdoor="75",
        indoor="22 C",
        at="yard",
        **{"there:litter_at_compressor": "yes", "there:salt_on_outdoor_unit": "no"},
    )


def job_in(shelf: Path, job_id: str) -> Job:
    return job_of(live(events_of(shelf, job_id)), load_catalogue(), "test")


@pytest.mark.slow
def test_the_demo_by_forms_is_the_demo_by_commands(shelf: Path, person: Person) -> None:
    """The page and the player of ``leakinfer demo`` are told the same; they must believe the same to the last digit."""
    where = shipped("data_demo", "scenario.toml")
    scenario = read_scenario(where)
    job_id = started(person)
    for site in (fact.removeprefix("not_fitted=") for fact in scenario.facts if fact.startswith("not_fitted=")):
        person.press(f"/job/{job_id}/place/{site}", "/not-fitted")
    for step in scenario.steps:
        for fact in step.facts:
            person.press(f"/job/{job_id}/now", "/now", ("fact", fact))
        path = f"/job/{job_id}/test/{step.method}/{step.target}"
        page = person.press(path, "/record", ("outcome", step.outcome))
    assert "Confirmed: inlet nut of the expansion valve" in page.words
    job, _ = begin(scenario, load_catalogue(), str(where))
    *_, last = play(scenario, job, str(where))
    ours = Belief(job_in(shelf, job_id))
    assert ours.confirmed() == last.after.confirmed() == ("suction_port_core", "metering_inlet_flare")
    for site, chance in last.after.matters_probability.items():
        assert ours.matters_probability[site] == pytest.approx(chance, abs=1e-12)


def test_one_tap_records_the_proposed_test(shelf: Path, person: Person) -> None:
    job_id = started(person)
    form = person.get(f"/job/{job_id}").form("/record")
    told = dict(form.sent())
    page = person.press(f"/job/{job_id}", "/record", ("outcome", "silent"))
    assert "silent (standing, still air)" in page.words
    finding = job_in(shelf, job_id).findings[-1]
    assert (finding.method, finding.target, finding.outcome) == (told["method"], told["target"], "silent")
    assert finding.minutes is not None
    assert finding.minutes > 0


@pytest.mark.slow
def test_a_form_rebuilds_the_condition_that_the_planner_meant() -> None:
    """Every test of a plan in every condition, told by its card, is the test that was planned."""
    for told in (False, True):
        job = demo(told)
        plan = make_plan(Belief(job))
        for test in plan.next:
            card = ranked_card(job, "job", test, AMERICAN)
            outcome = card.choices[0].name
            form = Form([*card.kept.items(), ("outcome", outcome)])
            if job.catalogue.methods[test.candidate.method].kind == "hold" and test.candidate.condition.sections:
                continue  # a hold of a part tells its part by its target
            finding = finding_told(job, card.method, card.target, form, AMERICAN)
            told_of, meant = finding.condition, test.candidate.condition
            if card.method.lasting or card.method.kind in ("exposure", "total"):
                continue  # the state plays no part in what they see
            assert told_of.test_kpa == pytest.approx(meant.test_kpa, rel=1e-9)
            assert (told_of.state, told_of.heating, told_of.shroud) == (meant.state, meant.heating, meant.shroud)


@pytest.mark.slow
def test_a_hold_is_read_in_the_units_of_the_person(shelf: Path, person: Person) -> None:
    """232 psig and 75 F are 1,600 kPa and 23.9 C (1 psi = 6.894757 kPa, NIST SP 811 B.8, from memory)."""
    job_id = started(person)
    now = person.get(f"/job/{job_id}/now").forms[1]
    person.follow(person.send(now, "", None, state="nitrogen", test="232", consent="intrusive"))
    page = person.press(
        f"/job/{job_id}/test/hold_day/whole",
        "/record",
        ("read", "yes"),
        start="232",
        end="229",
        start_temp="75",
        end_temp="70",
        hours="24",
    )
    hold = job_in(shelf, job_id).findings[-1].hold
    assert hold is not None
    assert hold.start_kpa == pytest.approx(232 * 6.894757, rel=1e-6)
    assert hold.end_kpa == pytest.approx(229 * 6.894757, rel=1e-6)
    assert hold.start_c == pytest.approx((75 - 32) / 1.8)
    assert hold.end_c == pytest.approx((70 - 32) / 1.8)
    assert hold.hours == 24
    assert "Cannot tell yet" in page.words or "Tight to" in page.words or "Leaks" in page.words
    assert "held (232 psig to 229 psig in 24 h, 75 F to 70 F) (nitrogen at 232 psig, still air)" in page.words
    assert re.search(r"oz/yr of R-\S+ at rest at [\d.]+ F", page.words)
    for screen in ("/findings", "/place/suction_port_core"):
        assert not re.search(
            r"\d (kPa|g/yr|kg|C)\b", person.get(f"/job/{job_id}{screen}").words.partition("base rate")[0]
        )


def test_a_reading_names_another_unit(shelf: Path, person: Person) -> None:
    job_id = started(person)
    now = person.get(f"/job/{job_id}/now").forms[1]
    person.follow(person.send(now, "", None, state="nitrogen", test="15.5 bar", consent="intrusive"))
    assert job_in(shelf, job_id).facts.test_kpa == pytest.approx(1550)


def test_a_reading_that_lacks_something_says_what(person: Person) -> None:
    job_id = started(person)
    path = f"/job/{job_id}/test/hold_day/whole"
    answer = person.send(person.get(path).form("/record"), path, ("read", "yes"), start="232")
    assert answer.status_code == 400
    assert "Gauge at the end" in answer.text
    assert "--" not in answer.text.partition("<main")[2].partition("</main>")[0]


def test_weighed_charge(shelf: Path, person: Person) -> None:
    """3 lb 8 oz are 1.588 kg (avoirdupois pound 0.45359237 kg, definition)."""
    job_id = started(person)
    path = f"/job/{job_id}/test/weigh_charge/whole"
    person.press(path, "/record", ("read", "yes"), weight="3 lb 8 oz", earlier="yes")
    finding = job_in(shelf, job_id).findings[-1]
    assert finding.reading_kg == pytest.approx(3.5 * 0.45359237)
    assert finding.earlier


def test_already_checked_false_causes_note_and_minutes(shelf: Path, person: Person) -> None:
    job_id = started(person)
    path = f"/job/{job_id}/test/probe_point/suction_port_core"
    form = person.get(path).form("/record")
    told = [*form.sent(("outcome", "response"), earlier="yes", note="twice", took="4")]
    causes = [control.value for control in form.controls if control.name == "cause"]
    assert len(causes) > 2
    told = [pair for pair in told if pair[0] != "cause"] + [("cause", causes[0]), ("cause", causes[1])]
    answer = person.client.post(form.action, data=_as_dict(told))
    assert answer.status_code == 303
    finding = job_in(shelf, job_id).findings[-1]
    assert (finding.earlier, finding.note, finding.minutes) == (True, "twice", 4)
    assert finding.false_causes == tuple(causes[:2])


def _as_dict(told: list[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, text in told:
        found.setdefault(name, []).append(text)
    return found


def test_false_causes_are_ticked_after_a_response(shelf: Path, person: Person) -> None:
    job_id = started(person)
    page = person.press(f"/job/{job_id}/test/probe_point/suction_port_core", "/record", ("outcome", "response"))
    assert any(link.endswith("/causes") for link in page.links)
    before = Belief(job_in(shelf, job_id)).matters_probability["suction_port_core"]
    person.press(f"/job/{job_id}/causes", "/causes", None, cause="background_gas")
    job = job_in(shelf, job_id)
    assert [finding.false_causes for finding in job.findings] == [("background_gas",)]
    assert Belief(job).matters_probability["suction_port_core"] < before


def test_a_look_that_says_the_same_again_is_told_so(shelf: Path, person: Person) -> None:
    job_id = started(person)
    test = f"/job/{job_id}/test/oil_point/suction_drier"
    words = [" ".join(person.press(test, "/record", ("outcome", "oil")).words.split()) for _ in range(2)]
    assert ["has said so before" in page for page in words] == [False, True]
    assert "Hardly anything moved" in words[1]
    assert len(job_in(shelf, job_id).findings) == 2


def test_left_out_with_a_reason(shelf: Path, person: Person) -> None:
    job_id = started(person)
    told = dict(person.get(f"/job/{job_id}").form("/record").sent())
    page = person.press(f"/job/{job_id}", "/skip", ("reason", "no key"))
    assert "Left out" in page.words
    skip = job_in(shelf, job_id).skips[-1]
    assert (skip.target, skip.method, skip.reason) == (told["target"], told["method"], "no key")
    again = dict(page.form("/record").sent())
    assert (again["target"], again["method"]) != (told["target"], told["method"])


def test_a_place_of_ones_own_is_in_the_list(shelf: Path, person: Person) -> None:
    job_id = started(person)
    page = person.press(
        f"/job/{job_id}/own", "/own", None, name="Joint behind the grille", component="brazed_joint", zone="inside_run"
    )
    assert "Joint behind the grille" in page.words
    assert "Joint behind the grille" in person.get(f"/job/{job_id}/places").words
    assert [site.name for site in job_in(shelf, job_id).sites].count("Joint behind the grille") == 1


def test_taken_back_and_told_again(shelf: Path, person: Person) -> None:
    job_id = started(person)
    person.press(f"/job/{job_id}", "/record", ("outcome", "silent"))
    page = person.press(f"/job/{job_id}/findings", "/undo")
    assert "Taken back" in page.words
    assert not job_in(shelf, job_id).findings
    assert not [form for form in person.get(f"/job/{job_id}/findings").forms if form.action.endswith("/undo")]


@pytest.mark.slow
def test_repaired_then_a_later_visit(shelf: Path, person: Person) -> None:
    job_id = started(person)
    page = person.press(f"/job/{job_id}/repair/suction_port_core", "core", ("exchanged", "yes"))
    assert "Prove it" in page.words
    page = person.press(f"/job/{job_id}/visit", "/visit", None, after="6", missing="7 oz")
    assert "Later visit" in page.words
    job = job_in(shelf, job_id)
    assert (job.repairs[-1].target, job.repairs[-1].exchanged) == ("suction_port_core", True)
    assert job.returns[-1].years == pytest.approx(0.5)
    assert job.returns[-1].missing_kg == pytest.approx(7 * 0.028349523125)  # ounce: definition


def test_facts_change_only_where_a_person_changes_them(shelf: Path, person: Person) -> None:
    """Figures are rounded on the page; sending the form as it stands must not round the facts."""
    job_id = started(person)
    before = len(events_of(shelf, job_id))
    for path in ("now", "system"):
        form = person.get(f"/job/{job_id}/{path}").forms[-1]
        assert person.send(form, f"/job/{job_id}/{path}").status_code == 303
    assert len(events_of(shelf, job_id)) == before
    form = person.get(f"/job/{job_id}/system").forms[0]
    person.follow(person.send(form, "", None, age="12", rating_high="450", **{"there:compressor_shakes": "yes"}))
    event = events_of(shelf, job_id)[-1]
    assert event.kind == FACTS
    assert set(event.body) == {"age_years", "rating_high_kpa", "circumstances"}
    facts = job_in(shelf, job_id).facts
    assert facts.rating_high_kpa == pytest.approx(450 * 6.894757, rel=1e-6)
    assert facts.circumstances["compressor_shakes"]


def test_a_large_loss_stands_as_it_was_told(shelf: Path, person: Person) -> None:
    """12.5 kg are 27.56 lb, 5 t 11,023 lb (pound 0.45359237 kg, definition): shown so that they can be sent again."""
    job_id = person.begin(lost="12.5 kg", over="2 years", charge="5000 kg")
    path = f"/job/{job_id}/system"
    form = person.get(path).form("/system")
    stands = dict(form.sent())
    assert (stands["lost"], stands["lost_unit"], stands["over"]) == ("27.56", "lb", "2")
    assert (stands["charge"], stands["charge_unit"]) == ("11020", "lb")
    assert person.send(form, path).status_code == 303
    assert len(events_of(shelf, job_id)) == 1
    person.follow(person.send(form, path, None, lost="", over=""))
    assert job_in(shelf, job_id).facts.loss is None


def test_facts_that_are_refused_come_back_as_they_were(person: Person) -> None:
    job_id = started(person)
    for path, told in (
        ("system", {"age": "eleven", "charge_weighed": "yes", "there:compressor_shakes": "yes", "noticed": "@"}),
        ("now", {"time_left": "soon", "consent": "intrusive", "state": "flat", "opened": "@"}),
    ):
        form = person.get(f"/job/{job_id}/{path}").forms[-1]
        first = {control.name: control.value for control in reversed(form.controls) if control.kind == "checkbox"}
        entries = {name: first[name] if text == "@" else text for name, text in told.items()}
        answer = person.send(form, f"/job/{job_id}/{path}", None, **entries)
        assert answer.status_code == 400
        back = PageSeen(answer.text).forms[-1].sent()
        assert set(entries.items()) <= set(back)


def test_what_was_told_is_listed_by_its_names(person: Person) -> None:
    """A person never reads the ids that the commands take."""
    job_id = started(person)
    person.press(f"/job/{job_id}/place/suction_port_core", "/skip", ("reason", "no key"))
    person.press(f"/job/{job_id}/own", "/own", None, name="Joint behind the grille", zone="inside_run")
    person.press(f"/job/{job_id}/repair/liquid_port_core", "core", ("exchanged", "yes"))
    words = person.get(f"/job/{job_id}/findings").words
    for told in ("Left out: core of the suction port (no key)", "Added: Joint", "New part: core of the liquid port"):
        assert told in words
    assert "_port" not in words
    assert "own_" not in words


def test_a_typed_reason_goes_before_the_first_button(shelf: Path, person: Person) -> None:
    """The key that ends typing presses the first button of a form (HTML, 4.10.21.2, from memory)."""
    job_id = started(person)
    person.press(f"/job/{job_id}", "/skip", ("reason", "no access"), own_reason="dog in the yard")
    assert job_in(shelf, job_id).skips[-1].reason == "dog in the yard"


@pytest.mark.parametrize("fact", ["air=wind", "gauges=on", "at=closet"])
def test_one_tap_facts(shelf: Path, person: Person, fact: str) -> None:
    job_id = started(person)
    page = person.press(f"/job/{job_id}/now", "/now", ("fact", fact))
    assert "Noted" in page.words
    facts = job_in(shelf, job_id).facts
    assert fact in (f"air={facts.air}", f"gauges={'on' if facts.gauges else 'off'}", f"at={facts.place}")


def test_a_form_that_is_refused_comes_back_as_it_was(person: Person) -> None:
    path = "/new/ducted_split"
    answer = person.send(person.get(path).form(path), path, None, title="Mill Lane", age="eleven", lost="8")
    assert answer.status_code == 400
    assert 'value="Mill Lane"' in answer.text
    assert 'value="eleven"' in answer.text
    answer = person.send(person.get(path).form(path), path, None, lost="8")
    assert "Since when" in answer.text
    assert answer.status_code == 400


@pytest.mark.parametrize("system", ["ducted_split", "ductless_split", "heat_pump", "walk_in_cooler"])
def test_every_system_begins_with_nothing_told(person: Person, system: str) -> None:
    job_id = person.begin(system)
    assert person.get(f"/job/{job_id}").form("/record").buttons()
    assert "svg" in [tag for tag, _ in person.get(f"/job/{job_id}/drawing").elements]


@pytest.mark.slow
def test_a_rack_store_of_a_size(person: Person) -> None:
    job_id = person.begin("rack_store", sites="300")
    assert "more: choose" in person.get(f"/job/{job_id}/places").words
    assert "svg" in [tag for tag, _ in person.get(f"/job/{job_id}/drawing").elements]


def test_rules_with_a_leak_rate(person: Person) -> None:
    """5 lb put in after a year of a charge of 5.73 lb is far above 10 % a year, the limit for comfort cooling
    (40 CFR 82.157(c)(2)(iii), from memory)."""
    job_id = started(person)
    path = f"/job/{job_id}/rules"
    form = person.get(path).form("/rules")
    answer = person.send(form, path, None, kind="comfort_cooling", day0="2025-05-01", added0="5", added0_unit="lb")
    assert answer.status_code == 200
    assert "of the full charge a year" in answer.text
    answer = person.send(form, path, None, day0="2025-05-01", added0="5", added0_unit="lb")
    assert "Kind of system: is missing" in answer.text
    answer = person.send(form, path, None, kind="comfort_cooling", day0="yesterday", added0="5", added0_unit="lb")
    assert "is no day" in answer.text


def test_a_job_of_the_page_is_a_job_of_the_commands(shelf: Path, person: Person) -> None:
    job_id = started(person)
    person.press(f"/job/{job_id}", "/record", ("outcome", "silent"))
    result = CliRunner().invoke(main, ["log", str(shelf / f"{job_id}.job")])
    assert result.exit_code == 0
    assert "silent" in result.stdout


def test_units_and_name_are_kept(person: Person, shelf: Path) -> None:
    job_id = started(person)
    person.press("/settings", "/settings", None, pressure="bar", temperature="C", mass="g", who="Ünal 鍵")
    assert "bar" in person.get(f"/job/{job_id}/now").text
    assert 'value="23.9"' in person.get(f"/job/{job_id}/now").text  # 75 F
    person.press(f"/job/{job_id}", "/record", ("outcome", "silent"))
    assert events_of(shelf, job_id)[-1].who == "Ünal 鍵"
    assert "Ünal 鍵" in person.get(f"/job/{job_id}/findings").words


def test_findings_are_values_of_the_journal(shelf: Path, person: Person) -> None:
    job_id = started(person)
    person.press(f"/job/{job_id}", "/record", ("outcome", "silent"))
    event = events_of(shelf, job_id)[-1]
    assert event.kind == FINDING
    assert checked(dict(event.body), Finding, where="test").outcome == "silent"

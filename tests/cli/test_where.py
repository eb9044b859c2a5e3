"""The screen of ``next``: what comes first, what waits, what is left out, and what to ask for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from leakinfer.cli.answer import ask_answer
from leakinfer.cli.where import left_out, next_page, record_command
from leakinfer.job.belief import Belief
from leakinfer.planner.model import Ask, NotAllowed, Plan, Ranked
from leakinfer.planner.plan import make_plan
from leakinfer.words.plan import ask_words, steps_words
from leakinfer.words.units import BOTH
from tests.job.small import shipped_job

from .helpers import answer, begun, page, run


@pytest.fixture(scope="module")
def belief() -> Belief:
    return Belief(shipped_job("ducted_split", age_years=11.0, loss={"kg": 0.9, "years": 1.5}, consent="intrusive"))


@pytest.fixture(scope="module")
def plan(belief: Belief) -> Plan:
    return make_plan(belief)


def chosen(plan: Plan, method: str, target: str, state: str | None = None) -> Ranked:
    return next(
        test
        for test in plan.next
        if (test.candidate.method, test.candidate.target) == (method, target)
        and state in (None, test.candidate.condition.state)
    )


def put_first(plan: Plan, test: Ranked) -> Plan:
    return replace(plan, next=(test, *(other for other in plan.next if other is not test)))


def test_set_ups_come_with_their_minutes_and_their_way(belief: Belief, plan: Plan) -> None:
    held = chosen(plan, "hold_day", "whole", "nitrogen")
    assert steps_words(held).startswith("recover the refrigerant (50 min), then fill with dry nitrogen")
    shown = " ".join(next_page(belief, put_first(plan, held), 3, "a.job", BOTH).split())
    assert "first recover the refrigerant" in shown
    assert "wait 24 h" in shown
    assert "nitrogen at 1," in shown
    assert "to the end this way" in shown
    for step in held.steps:
        assert " ".join(step.how.split()) in shown
    assert all(" ".join(text.split()) in shown for text in held.cautions)


def test_what_to_do_meanwhile(belief: Belief, plan: Plan) -> None:
    other = chosen(plan, "probe_point", "liquid_port_core")
    assert "meanwhile" not in next_page(belief, replace(plan, meanwhile=None), 3, "a.job", BOTH)
    shown = " ".join(next_page(belief, replace(plan, meanwhile=other), 3, "a.job", BOTH).split())
    assert "meanwhile core of the liquid port, electronic probe at one spot" in shown


def test_the_question_to_the_customer(belief: Belief, plan: Plan) -> None:
    held = chosen(plan, "hold_day", "whole", "nitrogen")
    ask = Ask("intrusive", held, 95.0)
    words = ask_words(belief.job, ask)
    assert "Ask for consent to intrusive work (recover the refrigerant" in words
    assert words.endswith("it would be worth about 1 h 35.")
    assert words in " ".join(next_page(belief, replace(plan, ask=ask), 3, "a.job", BOTH).split())
    told = ask_answer(ask)
    assert told is not None
    assert (told["tier"], told["saves_minutes"], told["first"]["method"]) == ("intrusive", 95.0, "hold_day")
    assert ask_answer(None) is None
    assert ask_words(belief.job, None) == ""


def test_what_is_left_out_is_grouped_by_reason(belief: Belief, plan: Plan) -> None:
    late = [NotAllowed("bubbles", site.id, f"takes {9 + n} min, 8 are left") for n, site in enumerate(belief.job.sites)]
    other = [NotAllowed("dye_look", "whole", "not on the van: lamp"), NotAllowed("gather", "whole", "needs x")]
    dear = [
        NotAllowed("weigh_charge", "whole", "needs consent: intrusive work"),
        NotAllowed("hold_day", "whole", "needs consent to intrusive work: recover the refrigerant"),
    ]
    shown = left_out(belief.job, replace(plan, not_allowed=(*late, *other, *dear)))
    lines = " ".join(shown.split()).split(" - ")
    assert any(line.startswith("- does not fit into the 8 min that are left") for line in lines)
    assert sum("does not fit" in line for line in lines) == 1
    assert sum("needs consent to intrusive work" in line for line in lines) == 1
    assert "hold the pressure for a day" in " ".join(shown.split())
    assert len(shown.splitlines()) <= 10


def test_many_reasons_are_cut_and_nature_is_counted(belief: Belief, plan: Plan) -> None:
    many = tuple(NotAllowed("bubbles", "liquid_port_core", f"left out: reason {n}") for n in range(12))
    nature = tuple(r for r in plan.not_allowed if r.target != "whole")
    shown = left_out(belief.job, replace(plan, not_allowed=(*many, *nature)))
    assert "6 more reasons: --json lists them" in shown
    assert f"{len(nature)} tests that the kind of part rules out" in " ".join(shown.split())


@pytest.mark.parametrize(
    ("method", "target", "state"),
    [
        ("bubbles", "outdoor_coil_inlet_joint", "nitrogen"),
        ("probe_point", "liquid_port_core", "standing"),
        ("probe_sweep", "indoor_coil_cabinet", "running"),
        ("tracer_point", "outdoor_coil_inlet_joint", "tracer"),
        ("oil_look", "below_service_valves", "standing"),
    ],
)
def test_the_command_that_is_shown_can_be_typed(
    tmp_path: Path, belief: Belief, plan: Plan, method: str, target: str, state: str
) -> None:
    path = begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months", "--consent", "intrusive")
    test = chosen(plan, method, target, state)
    words = record_command(belief.job, test, belief.job.catalogue.methods[method], str(path)).split()
    typed = [word.split("|")[0] for word in words[1:]]
    assert run(*typed).exit_code == 0, run(*typed).stderr
    now = answer("fact", path, "air=still")["facts"]
    if method not in ("oil_look",):
        assert now["state"] == state
        assert now["test_kpa"] == pytest.approx(test.candidate.condition.test_kpa)


def test_a_reading_is_asked_for_where_the_method_has_one(belief: Belief, plan: Plan) -> None:
    held = chosen(plan, "hold_day", "outdoor_unit", "nitrogen")
    words = record_command(belief.job, held, belief.job.catalogue.methods["hold_day"], "a.job")
    assert words == (
        "leakinfer record a.job hold_day outdoor_unit --start P --end P --start-temp T --end-temp T --hours H "
        "--state nitrogen"
    )
    vacuum = chosen(plan, "vacuum_hold", "whole")
    words = record_command(belief.job, vacuum, belief.job.catalogue.methods["vacuum_hold"], "a.job")
    assert words.endswith("--middle P --middle-minutes M --end P --minutes M --temp T")


def test_little_time_shortens_the_list(tmp_path: Path) -> None:
    path = begun(tmp_path, "--time-left", "4 min", "--not-on-van", "probe")
    told = answer("next", path)
    assert told["next"]
    assert all(test["minutes"] <= 4 for test in told["next"])
    shown = " ".join(page("next", path).split())
    assert "does not fit into the 4 min that are left" in shown
    assert "not on the van: electronic leak probe" in shown


def test_air_that_answers_everywhere_is_said_first(tmp_path: Path) -> None:
    """SAE J1628 practice (secondary): a large leak masks and contaminates; clear the air and go on less sensitive."""
    path = begun(tmp_path)
    for target in ("liquid_port_core", "suction_port_cap", "liquid_valve_stem", "suction_drier"):
        run("record", path, "probe_point", target, "response")
    (note,) = answer("next", path)["notes"]
    assert note.startswith("yard")
    assert "air the place" in note
    run("aired", path, "yard")
    assert answer("next", path)["notes"] == []

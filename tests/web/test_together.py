"""Two people at once, pages that are old, buttons pressed twice, and answers worked out once for all."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.plan import make_plan
from leakinfer.store import Journal, Shelf
from leakinfer.web.desk import AT_ONCE, Desk, Stale
from tests.web.forms import PageSeen
from tests.web.helpers import FORM, Person, demo_job, events_of, serving

JSON = FORM | {"accept": "application/json"}


@pytest.fixture
def both(shelf: Path) -> tuple[Person, Person, str, Path]:
    app = serving(shelf)
    ada, ben = Person(app), Person(app)
    job_id = demo_job(shelf, 0)
    ada.press("/settings", "/settings", None, who="Ada")
    ben.press("/settings", "/settings", None, who="Ben")
    return ada, ben, job_id, shelf


def test_the_second_person_is_asked(both: tuple[Person, Person, str, Path]) -> None:
    ada, ben, job_id, shelf = both
    path = f"/job/{job_id}"
    old = ben.get(path).form("/record")
    ada.press(path, "/record", ("outcome", "silent"))
    answer = ben.send(old, path, ("outcome", "response"))
    assert answer.status_code == 409
    page = PageSeen(answer.text)
    assert "Someone was quicker" in page.words
    assert "Ada: " in page.words
    assert len(events_of(shelf, job_id)) == 2
    ben.follow(ben.send(page.forms[0], path))
    events = events_of(shelf, job_id)
    assert [event.who for event in events[1:]] == ["Ada", "Ben"]
    assert [event.body["outcome"] for event in events[1:]] == ["silent", "response"]


def test_the_second_person_may_drop_it(both: tuple[Person, Person, str, Path]) -> None:
    ada, ben, job_id, shelf = both
    path = f"/job/{job_id}"
    old = ben.get(path).form("/record")
    ada.press(path, "/record", ("outcome", "silent"))
    page = PageSeen(ben.send(old, path, ("outcome", "response")).text)
    assert path in page.links
    ben.get(path)
    assert len(events_of(shelf, job_id)) == 2


def test_a_button_pressed_twice_tells_once(both: tuple[Person, Person, str, Path]) -> None:
    ada, _, job_id, shelf = both
    path = f"/job/{job_id}"
    form = ada.get(path).form("/record")
    for _ in range(3):
        assert ada.send(form, path, ("outcome", "silent")).status_code == 303
    assert len(events_of(shelf, job_id)) == 2


def test_another_button_of_a_page_that_was_used_asks(both: tuple[Person, Person, str, Path]) -> None:
    """Back in the browser, then the other answer: not taken for the first one, and not added unasked."""
    ada, _, job_id, shelf = both
    path = f"/job/{job_id}"
    form = ada.get(path).form("/record")
    ada.send(form, path, ("outcome", "silent"))
    assert ada.send(form, path, ("outcome", "response")).status_code == 409
    assert len(events_of(shelf, job_id)) == 2


def test_one_token_tells_one_thing(shelf: Path) -> None:
    """Asked again after others have told theirs it is the same event; with other content it is refused, not taken."""
    job_id = demo_job(shelf, 1)
    desk = Desk(Shelf.open(shelf))

    def windy(job: Job) -> dict[str, Any]:
        return {"opened": sorted({*job.facts.opened, "yard"})}

    before, after = desk.tell(job_id, "facts", windy, who="Ada", based_on=2, token="one")
    assert (before.last, after.last) == (2, 3)
    desk.tell(job_id, "facts", lambda _: {"opened": ["closet", "yard"]}, who="Ben", based_on=3, token="two")
    again, same = desk.tell(job_id, "facts", windy, who="Ada", based_on=2, token="one")
    assert again is same
    assert again.last == 4
    for who, body in (("Ada", lambda _: {"opened": ["attic"]}), ("Ben", windy)):
        with pytest.raises(Stale):
            desk.tell(job_id, "facts", body, who=who, based_on=4, token="one")
    assert len(events_of(shelf, job_id)) == 4


def test_another_name_tells_anew(both: tuple[Person, Person, str, Path]) -> None:
    """The page of a phone that was handed on: what the next person presses on it is asked for, and then told."""
    ada, _, job_id, shelf = both
    path = f"/job/{job_id}"
    form = ada.get(path).form("/record")
    ada.send(form, path, ("outcome", "silent"))
    ada.press("/settings", "/settings", None, who="Cleo")
    answer = ada.send(form, path, ("outcome", "silent"))
    assert answer.status_code == 409
    ada.follow(ada.send(PageSeen(answer.text).forms[0], path))
    assert [event.who for event in events_of(shelf, job_id)[1:]] == ["Ada", "Cleo"]


def test_what_is_not_the_last_any_more_is_not_changed(both: tuple[Person, Person, str, Path]) -> None:
    """Taken back is the last thing told, as the page showed it: never what another told since."""
    ada, ben, job_id, shelf = both
    path = f"/job/{job_id}"
    ada.press(f"{path}/test/probe_point/suction_port_core", "/record", ("outcome", "response"))
    old = {end: ada.get(f"{path}/{page}").form(f"/{end}") for page, end in (("findings", "undo"), ("causes", "causes"))}
    ben.press(f"{path}/test/probe_point/liquid_port_core", "/record", ("outcome", "silent"))
    for form in old.values():
        answer = ada.send(form, path)
        assert answer.status_code == 409
        assert not [form for form in PageSeen(answer.text).forms if form.method == "post"]
    assert [event.kind for event in events_of(shelf, job_id)] == ["begin", "finding", "finding"]


def test_what_else_was_there_is_told_once(both: tuple[Person, Person, str, Path]) -> None:
    """Also where its answer was lost and another told something before it was sent again."""
    ada, ben, job_id, shelf = both
    path = f"/job/{job_id}"
    ada.press(f"{path}/test/probe_point/suction_port_core", "/record", ("outcome", "response"))
    form = ada.get(f"{path}/causes").form("/causes")
    assert ada.send(form, path, None, cause="background_gas").status_code == 303
    ben.press(path, "/record", ("outcome", "silent"))
    assert ada.send(form, path, None, cause="background_gas").status_code == 303
    events = events_of(shelf, job_id)
    assert [event.kind for event in events] == ["begin", "finding", "undo", "finding", "finding"]
    assert [event.body.get("false_causes", []) for event in events[3:]] == [["background_gas"], []]


def test_taking_back_twice_takes_back_once(both: tuple[Person, Person, str, Path]) -> None:
    ada, ben, job_id, shelf = both
    path = f"/job/{job_id}"
    for _ in range(2):
        ada.press(path, "/record", ("outcome", "silent"))
    old = ben.get(f"{path}/findings").form("/undo")
    form = ada.get(f"{path}/findings").form("/undo")
    for _ in range(2):
        assert ada.send(form, path).status_code == 303
    assert ben.send(old, path).status_code == 409
    assert [event.kind for event in events_of(shelf, job_id)].count("undo") == 1


def test_a_job_begun_twice_is_one_job(shelf: Path) -> None:
    person = Person(serving(shelf))
    path = "/new/ducted_split"
    form = person.get(path).form(path)
    places = {person.send(form, path, None, title="Mill Lane").headers["location"] for _ in range(2)}
    assert len(places) == 1
    assert len(Shelf.open(shelf).jobs()) == 1


def told(person: Person, job_id: str, form: Any, outcome: str, last: int) -> Any:
    pairs = [pair for pair in form.sent(("outcome", outcome)) if pair[0] != "last"]
    body = urlencode([*pairs, ("last", str(last))])
    return person.client.post(f"/job/{job_id}/record", content=body, headers=JSON)


def test_what_the_script_sends_from_its_queue(both: tuple[Person, Person, str, Path]) -> None:
    """In order, each based on the one before; a conflict says what came between, and a repeat changes nothing."""
    ada, ben, job_id, shelf = both
    path = f"/job/{job_id}/test"
    core = ada.get(f"{path}/probe_point/liquid_port_core").form("/record")
    cap = ada.get(f"{path}/probe_point/suction_port_cap").form("/record")
    first = told(ada, job_id, core, "silent", 1)
    assert (first.status_code, first.json()["last"]) == (200, 2)
    ben.press(f"/job/{job_id}", "/record", ("outcome", "silent"))
    second = told(ada, job_id, cap, "silent", 2)
    assert second.status_code == 409
    assert second.json()["last"] == 3
    assert second.json()["since"][0].startswith("Ben: ")
    assert told(ada, job_id, cap, "silent", 3).json()["last"] == 4
    assert told(ada, job_id, core, "silent", 1).status_code == 200  # its answer was lost on the way
    assert len(events_of(shelf, job_id)) == 4
    body = urlencode([*cap.sent(), ("outcome", "sideways"), ("last", "4")])
    wrong = ada.client.post(f"/job/{job_id}/record", content=body, headers=JSON)
    assert wrong.status_code == 400
    assert "sideways" in wrong.json()["error"]


def test_the_script_gets_a_fresh_key_when_its_form_is_of_another_session(
    both: tuple[Person, Person, str, Path],
) -> None:
    ada, _, job_id, _ = both
    answer = ada.client.post(f"/job/{job_id}/record", content="form=old", headers=JSON)
    assert answer.status_code == 403
    assert answer.json()["form"] == ada.client.get("/alive").json()["form"]


def test_many_ask_and_it_is_worked_out_once(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job_id = demo_job(shelf, 1)
    desk = Desk(Shelf.open(shelf))
    made: list[str] = []

    def counted(name: str, work: Callable[[Any], Any]) -> Callable[[Any], Any]:
        def run(given: Any) -> Any:
            made.append(name)
            return work(given)

        return run

    monkeypatch.setattr("leakinfer.web.desk.make_plan", counted("plan", make_plan))
    monkeypatch.setattr("leakinfer.web.desk.Belief", counted("belief", Belief))
    answers: list[Any] = []
    asking = [threading.Thread(target=lambda: answers.append(desk.see(job_id).plan)) for _ in range(8)]
    for thread in asking:
        thread.start()
    for thread in asking:
        thread.join()
    assert sorted(made) == ["belief", "plan"]
    assert len({id(answer) for answer in answers}) == 1


def test_what_another_program_wrote_is_seen(both: tuple[Person, Person, str, Path]) -> None:
    """The commands write to the same file; the page must not answer from its memory."""
    ada, _, job_id, shelf = both
    ada.get(f"/job/{job_id}")
    with Journal.open(Shelf.open(shelf).path(job_id)) as journal:
        journal.append("facts", {"air": "wind"}, who="command", expected_last=None)
    assert "Wind" in ada.get(f"/job/{job_id}/findings").words


@pytest.mark.slow
def test_many_tell_at_once_and_nothing_is_lost(shelf: Path) -> None:
    """Eight people with three answers each: told again from a fresh page where one was quicker, and all are kept."""
    app = serving(shelf)
    job_id = demo_job(shelf, 0)
    sites = ("liquid_port_core", "liquid_port_cap", "suction_port_core")
    refused: list[int] = []

    def tell(number: int) -> None:
        person = Person(app)
        person.press("/settings", "/settings", None, who=f"person {number}")
        for site in sites:
            for _ in range(60):
                path = f"/job/{job_id}/test/probe_point/{site}"
                answer = person.send(person.get(path).form("/record"), path, ("outcome", "silent"))
                if answer.status_code == 303:
                    break
                refused.append(answer.status_code)

    people = [threading.Thread(target=tell, args=(number,)) for number in range(8)]
    for thread in people:
        thread.start()
    for thread in people:
        thread.join()
    events = events_of(shelf, job_id)
    assert set(refused) <= {409}
    assert len(events) == 1 + 8 * len(sites)
    assert sorted(event.who for event in events[1:]) == sorted(f"person {n}" for n in range(8) for _ in sites)


def test_damaged_jobs_are_listed_with_what_is_wrong(shelf: Path) -> None:
    demo_job(shelf, 0)
    (shelf / "broken.job").write_bytes(b"no job at all")
    person = Person(serving(shelf))
    words = person.get("/").words
    assert "cannot be opened" in words
    assert "low again" in words
    assert person.client.get("/job/broken").status_code == 400


def test_what_is_taken_back_to_be_told_again_is_never_lost(shelf: Path) -> None:
    """Another program writes just between the two halves; the finding is told again behind it all the same."""
    job_id = demo_job(shelf, 1)
    desk = Desk(Shelf.open(shelf))
    finding = desk.see(job_id).lines[-1].event
    tell = desk.tell
    meddled: list[str] = []

    def meddling(*given: Any, **named: Any) -> Any:
        if not meddled:
            meddled.append("wind")
            with Journal.open(Shelf.open(shelf).path(job_id)) as journal:
                journal.append("facts", {"air": "wind"}, who="command", expected_last=None)
        return tell(*given, **named)

    desk.tell = meddling  # type: ignore[method-assign]
    body = {**finding.body, "false_causes": []}
    desk.tell_again(job_id, "finding", lambda _: body, who="Ada", based_on=2, token="once")
    assert [event.kind for event in events_of(shelf, job_id)] == ["begin", "finding", "undo", "facts", "finding"]
    with pytest.raises(Stale):
        desk.tell_again(job_id, "finding", lambda _: body, who="Ben", based_on=2, token="other")


@pytest.mark.slow
def test_several_jobs_at_once_wait_for_each_other_only_a_while(shelf: Path) -> None:
    """More jobs than turns, all new: everybody gets an answer."""
    jobs = [demo_job(shelf, 0) for _ in range(2 * AT_ONCE + 1)]
    desk = Desk(Shelf.open(shelf))
    asking = [threading.Thread(target=lambda job=job: desk.see(job).wider, daemon=True) for job in jobs]
    for thread in asking:
        thread.start()
    for thread in asking:
        thread.join(120)
    assert not any(thread.is_alive() for thread in asking)

"""Anything at any address: never a failure of ours, never a trace of the program, and the job stays sound."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leakinfer.store import Journal, Shelf
from leakinfer.web.app import ROUTES
from tests.web.forms import FormSeen
from tests.web.helpers import FORM, Person, demo_job, serving

FEW = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
WORDS = (
    " |0|-1|1e999|nan|inf|1e308 kg|-400 F|5 stone|whole|none|yes|../x|probe_point|suction_port_core|silent|response"
    "|nitrogen|2026-02-30|1,5|99999 psig|" + "9" * 40
)
NASTY = st.one_of(st.text(max_size=30), st.sampled_from(WORDS.split("|")))
NAMES = st.sampled_from(
    [
        "method",
        "target",
        "outcome",
        "state",
        "air",
        "cause",
        "earlier",
        "note",
        "took",
        "shroud",
        "start",
        "end",
        "hours",
        "start_temp",
        "end_temp",
        "weight",
        "reason",
        "own_reason",
        "name",
        "component",
        "zone",
        "section",
        "fact",
        "at",
        "outdoor",
        "high",
        "test",
        "isolated",
        "consent",
        "not_on_van",
        "in_place",
        "age",
        "lost",
        "over",
        "charge",
        "refrigerant",
        "there:compressor_shakes",
        "there:x",
        "exchanged",
        "after",
        "missing",
        "place",
        "last",
        "token",
        "title",
        "sites",
        "lists",
        "not_fitted",
        "pressure",
        "mass",
        "who",
        "back",
        "key",
        "outdoor_unit",
        "read",
    ]
)


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Person, str, Path]:
    shelf = tmp_path_factory.mktemp("fuzz")
    job_id = demo_job(shelf, 2)
    return Person(serving(shelf)), job_id, shelf


def faults(shelf: Path, answer: Any, log: str) -> list[str]:
    """What must not happen whatever was sent: an error of the program, a traceback shown, a job damaged."""
    found = [log] if answer.status_code >= 500 else []
    found += ["a traceback is shown"] if "Traceback" in answer.text else []
    return found + [job.error for job in Shelf.open(shelf).jobs() if job.error]


@FEW
@given(
    route=st.sampled_from([path for path, get, _ in ROUTES if get is not None]),
    parts=st.lists(NASTY, min_size=3, max_size=3),
    query=st.lists(st.tuples(NAMES, NASTY), max_size=4),
    real=st.booleans(),
)
def test_any_address(
    fuzzed: tuple[Person, str, Path],
    caplog: pytest.LogCaptureFixture,
    route: str,
    parts: list[str],
    query: list[tuple[str, str]],
    real: bool,
) -> None:
    person, job_id, shelf = fuzzed
    path = route
    for name in ("job", "method", "target", "site", "system", "number", "name"):
        if "{" + name + "}" in path:
            text = job_id if name == "job" and real else parts.pop() if parts else "x"
            path = path.replace("{" + name + "}", quote(text, safe="") or "x")
    with caplog.at_level(logging.ERROR):
        answer = person.client.get(f"{path}?{urlencode(query, errors='replace')}")
    assert faults(shelf, answer, caplog.text) == []


def _last(shelf: Path, job_id: str) -> int:
    with Journal.open(Shelf.open(shelf).path(job_id)) as journal:
        return len(journal.events())


@FEW
@given(
    route=st.sampled_from([path for path, _, post in ROUTES if post is not None]),
    told=st.lists(st.tuples(NAMES, NASTY), max_size=8),
    target=NASTY,
)
def test_any_form(
    fuzzed: tuple[Person, str, Path],
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
    route: str,
    told: list[tuple[str, str]],
    target: str,
) -> None:
    monkeypatch.setattr("leakinfer.web.me.WRONG_KEY_SECONDS", 0.0)
    person, job_id, shelf = fuzzed
    key = dict(person.get("/settings").form("/settings").sent())["form"]
    path = route.replace("{job}", job_id).replace("{system}", "ducted_split")
    path = path.replace("{site}", "suction_port_cap").replace("{target}", quote(target, safe="") or "x")
    entries = [*told, ("form", key), ("last", str(_last(shelf, job_id)))]
    with caplog.at_level(logging.ERROR):
        answer = person.client.post(path, content=urlencode(entries, errors="replace"), headers=FORM)
    assert faults(shelf, answer, caplog.text) == []


@pytest.mark.slow
@settings(FEW, max_examples=100)
@given(data=st.data())
def test_any_entry_in_a_real_form(
    fuzzed: tuple[Person, str, Path], caplog: pytest.LogCaptureFixture, data: st.DataObject
) -> None:
    """Forms as they stand with some entries spoilt, and any of their buttons pressed."""
    person, job_id, shelf = fuzzed
    ends = "|/now|/system|/own|/visit|/test/hold_day/whole|/test/gather/service_valves|/test/weigh_charge/whole"
    path = data.draw(st.sampled_from([*(f"/job/{job_id}{end}" for end in ends.split("|")), "/new/ducted_split"]))
    forms = [form for form in person.get(path).forms if form.method == "post" and not form.action.endswith("/undo")]
    form: FormSeen = data.draw(st.sampled_from(forms))
    typed = [control.name for control in form.controls if control.kind in ("text", "select")]
    spoilt = data.draw(st.dictionaries(st.sampled_from(typed), NASTY, max_size=3)) if typed else {}
    buttons = form.buttons()
    button = data.draw(st.sampled_from([*buttons, None])) if buttons else None
    with caplog.at_level(logging.ERROR):
        answer = person.send(form, path, button, **spoilt)
    assert faults(shelf, answer, caplog.text) == []
    if answer.status_code == 303 and form.action.endswith("/visit"):
        person.press(f"/job/{job_id}/findings", "/undo")  # two visits take seconds to work out

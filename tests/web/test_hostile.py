"""Script in every text that a person can tell: it comes back as words on every page, never as a part of the page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from msgspec import structs, to_builtins

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import System
from leakinfer.circuit.reader import load_system, system_to_data
from leakinfer.job.events import begin_body
from leakinfer.store import Shelf
from tests.web.forms import PageSeen
from tests.web.helpers import Person, serving
from tests.web.test_pages import PAGES

EVIL = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}${7*7}</title></textarea>"


def evil_system() -> System:
    """A system whose every name is hostile, as one from a stranger's file may be."""
    system = load_system("ducted_split")

    def named(parts: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(structs.replace(part, name=f"{part.name} {EVIL}") for part in parts)

    kinds = ("places", "zones", "sections", "sites", "units", "spots", "circumstances", "isolations")
    changes = {kind: named(getattr(system, kind)) for kind in kinds}
    evil: System = structs.replace(system, name=EVIL, **changes)
    return evil


def hostile_job(shelf: Path) -> str:
    """A job of that system with hostile title, name, note, reason and own place."""
    catalogue = load_catalogue()
    body = begin_body(load_system("ducted_split"), {}, catalogue)
    body["system"] = to_builtins(system_to_data(evil_system()))
    return Shelf.open(shelf).create(f"x {EVIL}", body, EVIL)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[Person, str]:
    shelf = tmp_path_factory.mktemp("hostile")
    person, job_id = Person(serving(shelf)), hostile_job(shelf)
    person.press("/settings", "/settings", None, who=EVIL[:40])
    person.press(f"/job/{job_id}", "/skip", ("reason", "no key"), own_reason="x")
    path = f"/job/{job_id}/test/probe_point/suction_port_core"
    person.press(path, "/record", ("outcome", "response"), note=EVIL)
    page = person.get(f"/job/{job_id}").form("/skip")
    told = [pair for pair in page.sent() if pair[0] != "own_reason"] + [("own_reason", EVIL[:120])]
    assert person.client.post(page.action, data=dict(told)).status_code == 303
    person.press(f"/job/{job_id}/own", "/own", None, name=EVIL[:80])
    person.press(f"/job/{job_id}/repair/suction_port_core", "core", ("exchanged", "no"), note=EVIL)
    return person, job_id


@pytest.mark.parametrize("path", ["/", "/settings", *PAGES, "/report"])
def test_hostile_words_stay_words(hostile: tuple[Person, str], path: str) -> None:
    person, job_id = hostile
    whole = path if path in ("/", "/settings") else f"/job/{job_id}{path}"
    answer = person.client.get(whole)
    assert answer.status_code in (200, 404), answer.text[:300]
    page = PageSeen(answer.text)
    scripts = [given for tag, given in page.elements if tag == "script"]
    assert all(given.get("src", "").startswith("/static/") for given in scripts)
    assert not [given for tag, given in page.elements if tag == "img"]
    assert not [name for _, given in page.elements for name in given if name.startswith("on")]


def test_hostile_words_are_told_back(hostile: tuple[Person, str]) -> None:
    """The escape must not lose what a person wrote."""
    person, job_id = hostile
    words = person.get(f"/job/{job_id}/findings").words
    assert " ".join(EVIL.split()) in words


@pytest.mark.parametrize("entry", [EVIL, "a" * 90, "\x00\x07", "‮abc", "é" * 30, "  ", "a\nb\tc"])
def test_any_title_begins_a_job_or_is_refused_in_words(shelf: Path, entry: str) -> None:
    person = Person(serving(shelf))
    path = "/new/ducted_split"
    answer = person.send(person.get(path).form(path), path, None, title=entry)
    shown = PageSeen(person.client.get("/").text).words
    if len(entry) > 80:
        assert answer.status_code == 400
        assert "None yet." in shown
        return
    assert answer.status_code == 303
    kept = " ".join("".join(letter for letter in entry if letter.isprintable() or letter.isspace()).split())
    assert (kept or "Ducted split air conditioner") in shown

"""Every page opens, says what it must in the words of the trade, and holds nothing that the content policy forbids."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import pytest

from leakinfer.store import Journal, import_json, parse_export
from leakinfer.web.app import ROUTES
from tests.web.forms import PageSeen
from tests.web.helpers import Person

PAGES = (
    *("", "/places", "/findings", "/now", "/stop", "/tests", "/own", "/system", "/visit", "/rules", "/more"),
    *("/drawing", "/place/suction_port_core", "/place/elsewhere", "/test/hold_day/whole", "/test/vacuum_hold/whole"),
    *("/test/gather/service_valves", "/test/bubbles/suction_port_core", "/test/weigh_charge/whole"),
    *("/test/look/litter_at_compressor", "/repair/suction_port_core", "/repair/indoor_coil"),
    *("/meaning/probe_point/suction_port_core", "/meaning/hold_hour/whole", "/causes", "/moved/2"),
)
STATISTICS = re.compile(r"posterior|entropy|likelihood|\bbits?\b|\bprior", re.IGNORECASE)
INLINE = ("style", *(f"on{name}" for name in ("click", "load", "error", "submit", "input", "focus", "toggle")))


def pages(job_id: str) -> list[str]:
    return [
        "/",
        "/new",
        "/new/ducted_split",
        "/new/rack_store",
        "/settings",
        *(f"/job/{job_id}{path}" for path in PAGES),
    ]


@pytest.mark.parametrize("number", range(len(PAGES) + 5))
def test_every_page_opens_without_anything_inline(looked_at: tuple[Person, str], number: int) -> None:
    """CSP ``default-src 'self'`` forbids inline scripts, styles and handlers (W3C CSP Level 3, 8.2)."""
    person, job_id = looked_at
    path = pages(job_id)[number]
    page = person.get(path)
    for tag, attributes in page.elements:
        assert not set(attributes) & set(INLINE), (path, tag, attributes)
        assert tag != "style"
        assert tag != "script" or "src" in attributes
        for name in ("src", "href", "action"):
            assert "//" not in attributes.get(name, ""), "leads elsewhere"


@pytest.mark.parametrize("path", PAGES)
def test_technicians_read_no_statistics(looked_at: tuple[Person, str], path: str) -> None:
    person, job_id = looked_at
    assert not STATISTICS.search(person.get(f"/job/{job_id}{path}").words)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_can_be_used_by_ear(looked_at: tuple[Person, str], path: str) -> None:
    """Title, one heading of the first rank, a main part, labels for all fields (WCAG 2.2: 2.4.2, 1.3.1, 3.3.2)."""
    person, job_id = looked_at
    page = person.get(f"/job/{job_id}{path}")
    tags = [tag for tag, _ in page.elements]
    assert (tags.count("h1"), tags.count("main"), tags.count("nav"), tags.count("title") >= 1) == (1, 1, 1, True)
    ids = [given["id"] for _, given in page.elements if "id" in given]
    assert len(ids) == len(set(ids)), "an id twice"
    labelled = {given["for"] for tag, given in page.elements if tag == "label" and "for" in given}
    for tag, given in page.elements:
        if tag == "select" or (tag == "input" and given.get("type") in ("text", "search", "date")):
            assert given.get("id") in labelled or given.get("aria-label"), (path, given)


def test_all_routes_are_looked_at() -> None:
    """A page that is added is added to the list above, too."""
    shown = {re.sub(r"/(place|test|repair|meaning|moved)/.*", r"/\1", path) for path in PAGES}
    routed = {
        re.sub(r"/(place|test|repair|meaning|moved)/.*", r"/\1", path.removeprefix("/job/{job}"))
        for path, get, _ in ROUTES
        if get is not None and path.startswith("/job/")
    }
    assert routed - shown == {"/report", "/report.pdf", "/export.json", "/wait"}


def test_the_first_screen_says_what_where_why_and_how_long(looked_at: tuple[Person, str]) -> None:
    person, job_id = looked_at
    page = person.get(f"/job/{job_id}")
    form = page.form("/record")
    outcomes = [value for name, value in form.buttons() if name == "outcome"]
    assert len(outcomes) >= 2
    for words in ("Caution.", " min", "What did it show?", "Cannot do this one here", "How it is done well"):
        assert words in page.words
    assert page.form("/skip").buttons()


def test_places_say_what_is_known_in_the_five_words(looked_at: tuple[Person, str]) -> None:
    person, job_id = looked_at
    words = person.get(f"/job/{job_id}/places").words
    for word in ("confirmed", "not checked", "nothing detectable", "cannot tell yet"):
        assert word in words


@pytest.mark.parametrize(
    ("query", "there", "gone"),
    [
        ("mark=confirmed", "Core of the suction port", "Core of the liquid port"),
        ("word=nut", "Inlet nut of the expansion valve", "Core of the liquid port"),
        ("zone=inside_run", "Coupling in the liquid line", "Core of the suction port"),
        ("place=yard", "Core of the suction port", "Coupling in the liquid line"),
    ],
)
def test_places_are_filtered(looked_at: tuple[Person, str], query: str, there: str, gone: str) -> None:
    person, job_id = looked_at
    words = person.get(f"/job/{job_id}/places?{query}").words
    assert gone not in words
    assert there in words


def test_tests_are_filtered_and_those_left_out_have_their_reason(looked_at: tuple[Person, str]) -> None:
    person, job_id = looked_at
    page = person.get(f"/job/{job_id}/tests?method=bubbles&place=yard")
    ways = [link.split("/test/")[1].split("/")[0] for link in page.links if "/test/" in link]
    assert ways
    assert set(ways) == {"bubbles"}
    assert "Needs consent to intrusive work" in page.words


@pytest.mark.parametrize(
    ("path", "head"), [("/report", b"<!DOCTYPE html>"), ("/report.pdf", b"%PDF-"), ("/export.json", b"{")]
)
def test_papers_come(looked_at: tuple[Person, str], path: str, head: bytes) -> None:
    person, job_id = looked_at
    answer = person.client.get(f"/job/{job_id}{path}")
    assert answer.status_code == 200
    assert answer.content.lstrip().startswith(head)


def test_the_report_names_its_style_and_nothing_else_to_the_browser(looked_at: tuple[Person, str]) -> None:
    """A hash source allows just that element (W3C CSP Level 3, 8.3)."""
    person, job_id = looked_at
    answer = person.client.get(f"/job/{job_id}/report")
    policy = answer.headers["content-security-policy"]
    style = answer.text.split("<style>")[1].split("</style>")[0]
    assert base64.b64encode(hashlib.sha256(style.encode()).digest()).decode() in policy
    assert "unsafe-inline" not in policy
    assert not any("style" in given for _, given in PageSeen(answer.text).elements)


def test_an_export_can_be_imported_again(looked_at: tuple[Person, str], tmp_path: Path) -> None:
    """``leakinfer import`` takes it: checked by the store's own reader of exports."""
    person, job_id = looked_at
    text = person.client.get(f"/job/{job_id}/export.json").text
    path = import_json(parse_export(text, "export"), tmp_path / "again.job")
    with Journal.open(path) as journal:
        assert len(journal.events()) == 11  # the beginning, nine findings, and the breeze that came up


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/job/nobody", 404),
        ("/job/nobody/places", 404),
        ("/nothing", 404),
        ("/new/castle", 404),
        ("/static/nothing.css", 404),
    ],
)
def test_what_is_not_there_is_said_plainly(looked_at: tuple[Person, str], path: str, status: int) -> None:
    page = looked_at[0].get(path, status)
    assert "Traceback" not in page.text


@pytest.mark.parametrize(
    "path", ["place/nobody", "test/probe_point/nobody", "test/magic/whole", "repair/nobody", "moved/99"]
)
def test_parts_that_are_not_there(looked_at: tuple[Person, str], path: str) -> None:
    person, job_id = looked_at
    assert "Not here" in person.get(f"/job/{job_id}/{path}", 404).words


def test_a_wait_begins_without_a_script(looked_at: tuple[Person, str]) -> None:
    person, job_id = looked_at
    path = f"/job/{job_id}/test/vacuum_hold/whole"
    link = next(link for link in person.get(path).links if "/wait?" in link)
    answer = person.client.get(link)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith(f"{path}?")
    assert "20 min left" in person.get(answer.headers["location"]).words
    past = answer.headers["location"].rpartition("=")[0]
    assert "over" in person.get(f"{past}=1000000000").words
    elsewhere = person.client.get(f"/job/{job_id}/wait?name=x&back=//evil.example/test/")
    assert elsewhere.headers["location"].startswith(f"/job/{job_id}?")

"""The page in a real browser on a screen of 360 x 740."""

from __future__ import annotations

import io
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from leakinfer.cli.scenario import read_scenario
from leakinfer.reading import shipped
from leakinfer.store import Journal, Shelf
from leakinfer.web.doors import Doors
from tests.web.browser.conftest import OUTSIDE, PHONE, Phone, Served
from tests.web.helpers import demo_job

# Whatever is pressed and smaller than so many px, words within sentences left out (WCAG 2.2, 2.5.5 excepts them).
SMALL = """(least) => [...document.querySelectorAll('a, button, summary, select, input:not([type=hidden]), label.tick')]
  .filter(e => !e.closest('p:not(.row):not(.wide)') && !e.closest('label.tick, .three label') && !e.matches('.skip'))
  .map(e => [e.tagName, e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
  .filter(([, , box]) => box.width && (box.height < least || box.width < least))
  .map(([tag, words, box]) => [tag, words, box.width, box.height])"""
pytestmark = [pytest.mark.browser, pytest.mark.slow]


def events(served: Served, job_id: str) -> list[Any]:
    with Journal.open(Shelf.open(served.folder).path(job_id)) as journal:
        return list(journal.events())


def begin(phone: Phone) -> str:
    """A job as a person begins it; its id."""
    page = phone.page
    phone.open("/")
    phone.shot("jobs")
    page.get_by_role("link", name="Start a job").click()
    page.get_by_role("link", name="Ducted split air conditioner").click()
    page.get_by_label("Name of the job").fill("The house on the corner")
    page.get_by_role("textbox", name="Age of the system").fill("11")
    page.get_by_role("textbox", name="Refrigerant missing").fill("2 lb 3 oz")
    page.get_by_role("textbox", name="Since when").fill("18")
    phone.shot("start", full=True)
    page.get_by_role("button", name="Start now").click()
    page.wait_for_url("**/job/**")
    page.get_by_role("heading", level=1).wait_for()
    return str(page.url).split("/job/")[1].split("?")[0]


def play(phone: Phone, job_id: str) -> None:
    """The shipped invented job, test by test, with the fingers."""
    page = phone.page
    for number, step in enumerate(read_scenario(shipped("data_demo", "scenario.toml")).steps):
        for fact in step.facts:
            phone.open(f"/job/{job_id}/now")
            page.get_by_role("button", name=f"a {fact.partition('=')[2]}", exact=True).click()
            page.get_by_text("Noted:").wait_for()
        phone.open(f"/job/{job_id}/test/{step.method}/{step.target}")
        if number == 7:
            phone.shot("test", full=True)
        page.locator(f"button[name=outcome][value={step.outcome}]").click()
        page.locator(".noted").first.wait_for()
    phone.shot("noted")


def finish(phone: Phone, job_id: str) -> None:
    """Looks at all else: places, drawing, story, stop, repair, findings, rules, report."""
    page = phone.page
    for path, words in (
        ("places", "Core of the suction port"),
        ("drawing", "Drawing"),
        ("place/suction_port_core", "Confirmed"),
        ("tests", "All tests"),
        ("stop", "What remains"),
        ("findings", "Take back"),
        ("now", "How things stand"),
        ("system", "Nameplate"),
        ("rules", "Leak checks"),
        ("more", "Report"),
        ("own", "What you call it"),
        ("visit", "A later visit begins"),
        ("test/hold_day/whole", "What was read"),
        ("repair/suction_port_core", "Prove it"),
    ):
        phone.open(f"/job/{job_id}/{path}")
        assert words in page.locator("main").inner_text(), path
        phone.shot(path.replace("/", "_"), full=True)
    page.get_by_role("button", name="New part").click()
    page.get_by_text("New part: core of the suction port").wait_for()
    phone.open(f"/job/{job_id}/report")
    assert "Core of the suction port".casefold() in page.locator("body").inner_text().casefold()
    phone.shot("report", full=True)


@pytest.mark.parametrize("script", [True, False])
def test_a_whole_job_from_new_to_report(browser: Any, served: Served, script: bool) -> None:
    phone = Phone(browser, served, java_script_enabled=script)
    job_id = begin(phone)
    play(phone, job_id)
    finish(phone, job_id)
    told = [event.body["outcome"] for event in events(served, job_id) if event.kind == "finding"]
    assert told == [step.outcome for step in read_scenario(shipped("data_demo", "scenario.toml")).steps]
    pdf = phone.context.request.get(f"{served.address}/job/{job_id}/report.pdf")
    from pypdf import PdfReader

    words = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf.body())).pages)
    assert "core of the suction port" in " ".join(words.split()).casefold()
    phone.close()


def visible(phone: Phone, locator: Any) -> bool:
    """Whether all of it lies on the screen, above the foot, without scrolling."""
    box, foot = locator.bounding_box(), phone.page.locator("nav.foot").bounding_box()
    return bool(box and foot and box["y"] >= 0 and box["y"] + box["height"] <= foot["y"] + 1)


@pytest.mark.parametrize("steps", [0, 5, 9])
def test_the_answers_are_in_view_and_large_enough(phone: Phone, served: Served, steps: int) -> None:
    """Targets of 44 px and more (WCAG 2.2, 2.5.5), the test and its answers on one screen, nothing wider than it."""
    job_id = demo_job(served.folder, steps)
    phone.open(f"/job/{job_id}")
    page = phone.page
    phone.shot(f"next_{steps}")
    answers = page.locator("button[name=outcome]")
    assert answers.count() >= 2
    for number in range(answers.count()):
        assert visible(phone, answers.nth(number))
    assert visible(phone, page.get_by_role("heading", level=1))
    assert visible(phone, page.locator(".caution b").first)
    for path in ("", "/places", "/drawing", "/now", "/stop", "/findings", "/test/hold_day/whole", "/system"):
        phone.open(f"/job/{job_id}{path}")
        for width in (PHONE["width"], 320):
            page.set_viewport_size({"width": width, "height": PHONE["height"]})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (path, width)
            small = page.evaluate(SMALL, 44 if width == PHONE["width"] else 42)
            assert not small, (path, small)
        page.set_viewport_size(PHONE)


def test_taking_back(phone: Phone, served: Served) -> None:
    job_id = demo_job(served.folder, 1)
    phone.open(f"/job/{job_id}/findings")
    phone.page.get_by_role("button", name="Take back").click()
    phone.page.get_by_text("Taken back:").wait_for()
    assert [event.kind for event in events(served, job_id)][-1] == "undo"


def test_two_people(browser: Any, served: Served) -> None:
    job_id = demo_job(served.folder, 0)
    ada, ben = Phone(browser, served), Phone(browser, served)
    for person in (ada, ben):
        person.open(f"/job/{job_id}")
    ada.page.locator("button[name=outcome]").first.click()
    ada.page.locator(".noted").first.wait_for()
    ben.page.locator("button[name=outcome]").last.click()
    ben.page.get_by_role("heading", name="Someone was quicker").wait_for()
    ben.shot("quicker")
    ben.page.get_by_role("button", name="Keep mine too").click()
    ben.page.locator(".noted").first.wait_for()
    assert len(events(served, job_id)) == 3
    ada.close()
    ben.close()


def settle(phone: Phone, job_id: str) -> None:
    """Wait until the pages beside the open one are kept."""
    phone.page.wait_for_function(
        "(job) => localStorage.getItem(`leakinfer ahead ${job}`) === JSON.stringify(document.body.dataset.last)",
        arg=job_id,
    )


@pytest.mark.parametrize("way", ["no signal", "server stopped"])
def test_offline_and_back(phone: Phone, served: Served, way: str) -> None:
    """The open page stays, the kept ones open, answers wait and go out in order; nobody else told anything."""
    job_id = demo_job(served.folder, 0)
    page = phone.page
    phone.open(f"/job/{job_id}")
    settle(phone, job_id)
    if way == "no signal":
        phone.context.set_offline(True)
    else:
        served.stop()
    page.locator("button[name=outcome][value=silent]").click()
    page.get_by_text("Waiting to be sent: 1").wait_for()
    page.get_by_role("link", name="Places").click()
    page.get_by_role("heading", name="Places").wait_for()
    page.locator("nav.foot").get_by_role("link", name="Next").click()
    page.get_by_role("link", name="All tests").click()
    page.get_by_role("heading", name="All tests").wait_for()
    page.get_by_placeholder("a word").fill("expansion")
    assert "Core of the liquid port" not in page.locator("#tests").inner_text()
    page.get_by_placeholder("a word").fill("")
    page.locator("nav.foot").get_by_role("link", name="Next").click()
    page.get_by_role("heading", name="Or rather").wait_for()
    page.locator("main .list a").first.click()
    page.locator("button[name=outcome][value=response]").click()
    page.get_by_text("Waiting to be sent: 2").wait_for()
    phone.shot("offline")
    assert len(events(served, job_id)) == 1
    if way == "no signal":
        phone.context.set_offline(False)
    else:
        served.start()
    page.get_by_text("2 answers were sent").wait_for(timeout=30000)
    assert [event.body["outcome"] for event in events(served, job_id)[1:]] == ["silent", "response"]


def test_offline_and_someone_told_something_meanwhile(phone: Phone, served: Served) -> None:
    """Each answer that waits is asked for where it conflicts: one is kept, one is dropped."""
    job_id = demo_job(served.folder, 0)
    page = phone.page
    phone.open(f"/job/{job_id}")
    settle(phone, job_id)
    other = page.locator("main .list a").first.get_attribute("href")
    phone.context.set_offline(True)
    page.locator("button[name=outcome][value=silent]").click()
    page.get_by_text("Waiting to be sent: 1").wait_for()
    page.locator(f"main .list a[href='{other}']").click()
    page.locator("button[name=outcome][value=response]").click()
    page.get_by_text("Waiting to be sent: 2").wait_for()
    with Journal.open(Shelf.open(served.folder).path(job_id)) as journal:
        journal.append("facts", {"air": "wind"}, who="Ben", expected_last=None)
    phone.context.set_offline(False)
    page.get_by_text("Meanwhile: Ben: Wind").wait_for(timeout=30000)
    phone.shot("conflict")
    page.get_by_role("button", name="Drop mine").click()
    page.get_by_text("Meanwhile: Ben: Wind").wait_for()
    page.get_by_role("button", name="Keep mine too").click()
    page.get_by_text("One answer was sent").wait_for(timeout=30000)
    told = events(served, job_id)
    assert [(event.kind, event.who) for event in told[1:]] == [("facts", "Ben"), ("finding", "")]
    assert told[-1].body["outcome"] == "response"


def test_the_queue_outlives_the_page(phone: Phone, served: Served) -> None:
    """A phone that dies: a new page of the same browser sends what was kept."""
    job_id = demo_job(served.folder, 0)
    phone.open(f"/job/{job_id}")
    settle(phone, job_id)
    phone.context.set_offline(True)
    phone.page.locator("button[name=outcome]").first.click()
    phone.page.get_by_text("Waiting to be sent: 1").wait_for()
    phone.page.close()
    phone.context.set_offline(False)
    phone.page = phone.context.new_page()
    phone.open("/")
    phone.page.get_by_text("One answer was sent").wait_for(timeout=30000)
    assert len(events(served, job_id)) == 2


def test_waits_count_from_their_start(phone: Phone, served: Served) -> None:
    """The clock of the phone is turned on by six minutes, as after a sleep; no tick was counted in between."""
    job_id = demo_job(served.folder, 0)
    page = phone.page
    page.clock.install()
    phone.open(f"/job/{job_id}/test/vacuum_hold/whole")
    page.get_by_role("button", name="Start the wait").click()
    page.get_by_text("left").first.wait_for()
    page.clock.fast_forward("06:00")
    assert "14:0" in page.locator(".timer b").inner_text() or "13:5" in page.locator(".timer b").inner_text()
    phone.open(f"/job/{job_id}/places")
    page.locator("#timers").get_by_text("left").wait_for()
    phone.shot("timer")
    page.clock.fast_forward("15:00")
    page.locator("#timers").get_by_text("over, since").wait_for()


def test_a_long_form_survives_a_phone_that_dies(phone: Phone, served: Served) -> None:
    job_id = demo_job(served.folder, 0)
    phone.open(f"/job/{job_id}/test/hold_day/whole")
    phone.page.get_by_role("textbox", name="Gauge at the start").fill("232")
    phone.page.get_by_label("Note", exact=True).fill("lid on")
    phone.page.close()
    phone.page = phone.context.new_page()
    phone.open(f"/job/{job_id}/test/hold_day/whole")
    assert phone.page.get_by_role("textbox", name="Gauge at the start").input_value() == "232"
    assert phone.page.get_by_label("Note", exact=True).input_value() == "lid on"


def test_the_key_that_ends_typing_gives_no_answer(phone: Phone, served: Served) -> None:
    """It presses the first button of a form (HTML, 4.10.21.2, from memory), which must not be an answer."""
    job_id = demo_job(served.folder, 0)
    path = f"/job/{job_id}/test/probe_point/suction_port_core"
    phone.open(path)
    note = phone.page.get_by_label("Note", exact=True)
    note.fill("lid on")
    note.press("Enter")
    phone.page.wait_for_timeout(500)
    assert phone.page.url.endswith(path)
    assert len(events(served, job_id)) == 1


def test_both_systems_of_units(phone: Phone, served: Served) -> None:
    job_id = demo_job(served.folder, 0)
    page = phone.page
    for pressure, temperature, mass, shown in (("psig", "F", "oz, lb", "oz/yr"), ("bar", "C", "g, kg", "g/yr")):
        phone.open(f"/settings?back=/job/{job_id}/more")
        for label in (pressure, temperature, mass):
            page.get_by_label(label, exact=True).check()
        phone.shot("settings")
        page.get_by_role("button", name="Keep").click()
        # whole, as the settings' own address ends with the way back too
        page.wait_for_url(f"{served.address}/job/{job_id}/more")
        phone.open(f"/job/{job_id}/stop")
        assert shown in page.locator("main").inner_text()
        phone.open(f"/job/{job_id}/test/hold_day/whole")
        assert page.get_by_label("Unit of: Gauge at the start").input_value() == pressure


def test_what_each_answer_means_is_filled_in(phone: Phone, served: Served) -> None:
    job_id = demo_job(served.folder, 0)
    phone.open(f"/job/{job_id}")
    phone.page.get_by_text("What each answer means").click()
    filled = phone.page.get_by_text("likeliest then")
    filled.first.wait_for()
    answers = phone.page.locator("button[name=outcome]").count()
    assert filled.count() == answers > 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_for_the_accessibility_checker_to_find(browser: Any, served: Served, scheme: str) -> None:
    """axe-core, with its rules for WCAG 2.2 AA and best practices, and AAA contrast (7) for the main text."""
    axe = import_module("axe_playwright_python.sync_playwright").Axe()
    job_id = demo_job(served.folder, 9)
    phone = Phone(browser, served, color_scheme=scheme, reduced_motion="reduce")
    paths = ["/", "/new", "/new/ducted_split", "/import", "/settings"]
    paths += [f"/job/{job_id}{path}" for path in ("", "/places", "/drawing", "/findings", "/now", "/stop", "/tests")]
    paths += [
        f"/job/{job_id}{path}" for path in ("/own", "/system", "/visit", "/rules", "/more", "/causes", "/moved/3")
    ]
    paths += [f"/job/{job_id}/test/hold_day/whole", f"/job/{job_id}/place/suction_port_core"]
    paths += [f"/job/{job_id}/repair/suction_port_core"]
    options = {"rules": {"color-contrast-enhanced": {"enabled": True}}}
    for path in paths:
        phone.open(path)
        found = axe.run(phone.page, options=options)
        told = [(one["id"], [node["html"][:150] for node in one["nodes"]][:3]) for one in found.response["violations"]]
        assert not told, (path, told)
        phone.shot(f"{scheme}{path.replace('/', '_')}")
    phone.close()


def test_by_keyboard_alone(phone: Phone, served: Served) -> None:
    """The first stop leads to the page itself; an answer is given with the keyboard; the focus goes on to the next."""
    job_id = demo_job(served.folder, 0)
    phone.open(f"/job/{job_id}")
    page = phone.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the page itself"
    page.locator("button[name=outcome]").first.focus()
    page.keyboard.press("Enter")
    page.locator(".noted").first.wait_for()
    assert page.evaluate("document.activeElement.id") == "main"
    assert len(events(served, job_id)) == 2


def test_the_page_opens_again_without_a_signal(phone: Phone, served: Served) -> None:
    """Where a service worker is allowed, as on this machine, the browser can even be started anew."""
    job_id = demo_job(served.folder, 0)
    phone.open(f"/job/{job_id}")
    phone.page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    settle(phone, job_id)
    phone.open(f"/job/{job_id}")
    served.stop()
    phone.open(f"/job/{job_id}")
    assert phone.page.locator("button[name=outcome]").count() >= 2
    served.start()


def test_beyond_this_machine_on_plain_http(browser: Any, tmp_path: Path) -> None:
    """No service worker is allowed there; with the key the open page works on without a signal all the same."""
    server = Served(tmp_path, Doors(False, "a-key-of-some-length-1"))
    server.start()
    server.address = f"http://{OUTSIDE}:{server.port}"
    job_id = demo_job(server.folder, 0)
    phone = Phone(browser, server)
    phone.open(f"/job/{job_id}")
    assert "asks for its key" in phone.page.locator("main").inner_text()
    phone.open("/enter?key=a-key-of-some-length-1")
    phone.page.get_by_role("link", name="low again").click()
    phone.page.locator("button[name=outcome]").first.wait_for()
    assert phone.page.evaluate("[isSecureContext, 'serviceWorker' in navigator]") == [False, False]
    settle(phone, job_id)
    phone.context.set_offline(True)
    phone.page.locator("button[name=outcome]").first.click()
    phone.page.get_by_text("Waiting to be sent: 1").wait_for()
    phone.page.get_by_role("link", name="Places").click()
    phone.page.get_by_role("heading", name="Places").wait_for()
    phone.context.set_offline(False)
    phone.page.get_by_text("One answer was sent").wait_for(timeout=30000)
    assert len(events(server, job_id)) == 2
    phone.close()
    server.stop()

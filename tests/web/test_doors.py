"""Forged forms, strange hosts, wrong keys, bodies without end, tricks with paths: none gets in, and none sees a trace.

What is checked stands in the OWASP cheat sheets on CSRF prevention, host header attacks and session cookies (from
memory), and in the standards named beside the checks.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from leakinfer.errors import InputError
from leakinfer.web.doors import BODY_BYTES, HEADERS, KEY_COOKIE, Doors, doors_for
from tests.web.helpers import FORM, HERE, Person, demo_job, events_of, serving

KEY = "a-key-of-some-length-1"


@pytest.fixture
def job(shelf: Path) -> tuple[Any, str]:
    return serving(shelf), demo_job(shelf, 0)


def posted(person: Person, job_id: str, told: list[tuple[str, str]], **headers: str) -> Any:
    return person.client.post(f"/job/{job_id}/record", content=urlencode(told), headers=FORM | headers)


def form_told(person: Person, job_id: str) -> list[tuple[str, str]]:
    return person.get(f"/job/{job_id}").form("/record").sent(("outcome", "silent"))


def test_a_form_without_its_key_is_refused(shelf: Path, job: tuple[Any, str]) -> None:
    app, job_id = job
    person = Person(app)
    told = form_told(person, job_id)
    for forged in ([pair for pair in told if pair[0] != "form"], [*told, ("form", "")], [*told, ("form", "0" * 40)]):
        assert posted(person, job_id, forged).status_code == 403
    assert len(events_of(shelf, job_id)) == 1


def test_a_form_of_another_browser_is_refused(shelf: Path, job: tuple[Any, str]) -> None:
    """An attacker has a key of their own; it must not serve in the victim's browser."""
    app, job_id = job
    attacker, victim = Person(app), Person(app)
    told = form_told(attacker, job_id)
    form_told(victim, job_id)
    assert posted(victim, job_id, told).status_code == 403
    assert posted(Person(app), job_id, told).status_code == 403  # no cookie at all
    assert len(events_of(shelf, job_id)) == 1


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost:9999"},
        {"origin": "http://localhost:8765.evil.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_form_from_elsewhere_is_refused(shelf: Path, job: tuple[Any, str], headers: dict[str, str]) -> None:
    """Origin (RFC 6454, 7.2) and Sec-Fetch-Site (W3C Fetch Metadata) name where a form stands."""
    app, job_id = job
    person = Person(app)
    assert posted(person, job_id, form_told(person, job_id), **headers).status_code == 403
    assert len(events_of(shelf, job_id)) == 1


def test_our_own_forms_are_taken(shelf: Path, job: tuple[Any, str]) -> None:
    app, job_id = job
    person = Person(app)
    headers = {"origin": HERE, "sec-fetch-site": "same-origin"}
    assert posted(person, job_id, form_told(person, job_id), **headers).status_code == 303
    assert len(events_of(shelf, job_id)) == 2


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8765",
        "localhost.evil.example",
        "127.0.0.1.evil.example",
        "10.0.0.7:8765",
        "",
        "a b",
    ],
)
def test_this_machine_is_not_known_under_other_names(looked_at: tuple[Person, str], host: str) -> None:
    """DNS rebinding: a stranger's name that leads to this machine."""
    answer = looked_at[0].client.get("/", headers={"host": host})
    assert answer.status_code == 400
    assert "evil" not in answer.text


@pytest.mark.parametrize("host", ["localhost:8765", "127.0.0.1", "[::1]:8765", "LOCALHOST:1"])
def test_this_machine_is_known_under_its_own_names(looked_at: tuple[Person, str], host: str) -> None:
    assert looked_at[0].client.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    ("host", "status"),
    [("192.168.7.20:8765", 401), ("[fe80::1]:8765", 401), ("evil.example", 400), ("192.168.7.20.evil.example", 400)],
)
def test_beyond_this_machine_addresses_are_known_and_names_are_not(shelf: Path, host: str, status: int) -> None:
    client = TestClient(serving(shelf, Doors(False, KEY)), base_url=HERE)
    assert client.get("/", headers={"host": host}).status_code == status


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("office.example:8765", 401),
        ("OFFICE.example.", 401),
        ("localhost:8765", 401),
        ("office.example.evil.example", 400),
        ("evil-office.example", 400),
    ],
)
def test_a_name_is_known_if_it_was_given_and_asks_for_the_key(shelf: Path, host: str, status: int) -> None:
    """Also where something in front of it, which has the name, speaks to a loopback address."""
    doors = doors_for("127.0.0.1", None, "Office.example")
    assert doors.key
    client = TestClient(serving(shelf, doors), base_url=HERE)
    assert client.get("/", headers={"host": host}).status_code == status
    assert Doors().knows("office.example") is False


@pytest.mark.parametrize(
    "name", ["", "a b", "-a.example", "a..example", "a" * 64, "http://a.example", "a.example/", "\u00e4"]
)
def test_what_is_no_name_is_refused(name: str) -> None:
    """Labels of letters, digits and inner hyphens, 63 at most (RFC 1123, 2.1)."""
    with pytest.raises(InputError, match="is no name of a machine"):
        doors_for("0.0.0.0", None, name)


@pytest.fixture
def guarded(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> TestClient:
    """A page beyond this machine; a wrong key costs no time here."""
    monkeypatch.setattr("leakinfer.web.me.WRONG_KEY_SECONDS", 0.0)
    demo_job(shelf, 0)
    return TestClient(serving(shelf, Doors(False, KEY)), base_url=HERE, follow_redirects=False)


def test_without_the_key_nothing_is_seen(guarded: TestClient) -> None:
    job_id = "the-house-on-the-corner-that-is-low-agai"
    for path in ("/", "/new", f"/job/{job_id}", f"/job/{job_id}/export.json", "/settings", "/alive", "/nothing"):
        answer = guarded.get(path)
        assert answer.status_code == 401, path
        assert "corner" not in answer.text
    assert guarded.post(f"/job/{job_id}/record", content="a=b", headers=FORM).status_code == 401


@pytest.mark.parametrize("guess", ["", "x", KEY[:-1], KEY + "1", KEY.upper(), "a" * 1000, "é", KEY[:-1] + "\x00"])
def test_a_guessed_key_does_not_open(guarded: TestClient, guess: str) -> None:
    answer = guarded.get(f"/enter?{urlencode({'key': guess})}")
    assert answer.status_code in (200, 400, 403)
    assert KEY_COOKIE not in answer.cookies
    assert guarded.get("/").status_code == 401


@pytest.mark.parametrize("cookie", ["", "1", KEY, "0" * 64])
def test_a_guessed_cookie_does_not_open(guarded: TestClient, cookie: str) -> None:
    assert guarded.get("/", headers={"cookie": f"{KEY_COOKIE}={cookie}"}).status_code == 401


def test_the_key_opens_and_is_not_kept_in_the_cookie(guarded: TestClient) -> None:
    answer = guarded.get(f"/enter?key={KEY}")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    cookies = [text for name, text in answer.headers.multi_items() if name == "set-cookie"]
    assert all("HttpOnly" in text and "samesite=strict" in text.lower() for text in cookies)
    assert KEY not in " ".join(cookies)
    assert guarded.get("/").status_code == 200


def test_cookies_stay_on_an_encrypted_line(shelf: Path) -> None:
    """Secure (RFC 6265, 4.1.2.5): behind something that encrypts no cookie is ever sent in the clear."""
    client = TestClient(serving(shelf, Doors(False, KEY)), base_url="https://localhost:8765", follow_redirects=False)
    cookies = [text for name, text in client.get(f"/enter?key={KEY}").headers.multi_items() if name == "set-cookie"]
    assert len(cookies) == 2
    assert all("; secure" in text.lower() for text in cookies)


def test_the_key_can_be_typed(guarded: TestClient) -> None:
    person = Person.__new__(Person)
    person.client = guarded
    form = person.get("/enter").form("/enter")
    assert person.send(form, "/enter", None, key="wrong").status_code == 403
    assert person.send(form, "/enter", None, key=KEY).status_code == 303
    assert guarded.get("/").status_code == 200


def test_addresses_beyond_this_machine_need_a_key() -> None:
    assert doors_for("127.0.0.1", None).key is None
    assert doors_for("localhost", None).local
    assert doors_for("::1", None).local
    for host in ("0.0.0.0", "192.168.7.20", "::", "pump-room.example"):
        made, again = doors_for(host, None), doors_for(host, None)
        assert not made.local
        assert made.key is not None
        assert made.key != again.key
        assert len(made.key) >= 20  # 128 bits in letters of 6 bits
    for short in ("", "secret", "fifteen-letters", "a key with some spaces in it"):
        with pytest.raises(InputError):
            doors_for("0.0.0.0", short)


@pytest.mark.parametrize("size", [BODY_BYTES + 1, 10 * BODY_BYTES])
def test_bodies_are_limited(job: tuple[Any, str], size: int) -> None:
    app, job_id = job
    person = Person(app)
    answer = person.client.post(f"/job/{job_id}/record", content=b"a" * size, headers=FORM)
    assert answer.status_code == 413

    def endless() -> Iterator[bytes]:
        for _ in range(size // 1000 + 1):
            yield b"a" * 1000

    assert person.client.post(f"/job/{job_id}/record", content=endless(), headers=FORM).status_code == 413


def test_a_body_that_is_no_form_is_refused(job: tuple[Any, str]) -> None:
    app, job_id = job
    person = Person(app)
    person.get("/")
    for body in (b"\xff\xfe\x00", b"&" * 5000, b"=" * 60000, b"%", b"a=%ff", b'{"form": 1}', b"x=" + b"y" * 50000):
        assert person.client.post(f"/job/{job_id}/record", content=body, headers=FORM).status_code in (400, 403)


TRICKS = (
    "../etc/passwd",
    "../../etc/passwd",
    "..",
    ".",
    "a/b",
    "a\x00b",
    "A",
    "a.job",
    "a\\b",
    " ",
    "%2e%2e",
    "/etc/passwd",
)


def raw(app: Any, path: str) -> tuple[int, bytes]:
    """Status and body for a path as it stands, which a client would tidy up first."""
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "http",
        "method": "GET",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "scheme": "http",
    }
    scope |= {"headers": [(b"host", b"localhost")], "server": ("localhost", 80), "root_path": ""}
    with ThreadPoolExecutor(1) as apart:  # a browser that other tests left open keeps a loop running in this thread
        apart.submit(lambda: asyncio.run(app(scope, receive, send))).result()
    return sent[0]["status"], b"".join(message.get("body", b"") for message in sent[1:])


@pytest.mark.parametrize("trick", TRICKS)
def test_no_path_of_a_request_reaches_the_files(shelf: Path, trick: str) -> None:
    """A job beside the shelf, and files of this machine, under all names that might lead there."""
    inside = shelf / "inside"
    inside.mkdir()
    demo_job(shelf, 0)
    app = serving(inside)
    job_id = "the-house-on-the-corner-that-is-low-agai"
    for path in (
        f"/job/{trick}",
        f"/static/{trick}",
        f"/new/{trick}",
        f"/job/{trick}/export.json",
        f"/job/../{job_id}",
    ):
        status, body = raw(app, path)
        assert status == 404, path
        assert b"root:" not in body


def test_every_answer_has_the_headers(looked_at: tuple[Person, str]) -> None:
    client, job_id = looked_at[0].client, looked_at[1]
    answers = [client.get(path) for path in ("/", f"/job/{job_id}", "/nothing", "/static/page.js", "/worker.js")]
    answers += [client.get("/", headers={"host": "evil.example"}), client.post("/settings", content=b"", headers=FORM)]
    answers.append(client.post("/settings", content=b"a" * (BODY_BYTES + 1), headers=FORM))
    for answer in answers:
        for name in HEADERS.keys() - {"Cache-Control"}:
            assert answer.headers.get(name) == HEADERS[name], (answer.url, name)
        assert "server" not in answer.headers
    policy = HEADERS["Content-Security-Policy"]
    for part in ("default-src 'self'", "frame-ancestors 'none'", "form-action 'self'", "base-uri 'none'"):
        assert part in policy
    assert "unsafe" not in policy


def test_a_mistake_of_ours_shows_one_plain_page_and_a_line(
    job: tuple[Any, str], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    app, job_id = job

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("secret of the house")

    monkeypatch.setattr("leakinfer.web.desk.make_plan", broken)
    answer = Person(app).client.get(f"/job/{job_id}")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert len(caplog.records) == 1
    assert "\n" not in caplog.text.strip()
    assert "RuntimeError: secret of the house" in caplog.text


def test_the_settings_lead_back_to_pages_of_jobs_only(looked_at: tuple[Person, str]) -> None:
    """An open redirect would lend our name to others."""
    person = looked_at[0]
    for back in (
        "https://evil.example/",
        "//evil.example",
        "/job/../../evil",
        "/job//evil.example",
        "javascript:alert(1)",
    ):
        form = person.get("/settings").form("/settings")
        told = [pair for pair in form.sent(None) if pair[0] != "back"] + [("back", back)]
        answer = person.client.post("/settings", content=urlencode(told), headers=FORM)
        assert answer.status_code == 303
        assert answer.headers["location"] == "/"

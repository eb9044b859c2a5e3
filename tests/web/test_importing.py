"""A job of another machine brought to the page by its file, as a browser sends it (RFC 7578)."""

from __future__ import annotations

import json
import logging
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from leakinfer.catalogue.learned import write_learned
from leakinfer.reading import shipped
from leakinfer.session.beginning import Beginning, beginning_with
from leakinfer.store import Journal, Shelf, export_json, export_text
from leakinfer.web.app import make_app
from leakinfer.web.doors import BODY_BYTES, FILE_BYTES, IMPORT, Doors
from tests.cli.helpers import answer
from tests.report.fleet.example import example, untrusted
from tests.web.forms import PageSeen
from tests.web.helpers import Person, demo_job, events_of


def sent_file(person: Person, content: str | bytes, name: str = "corner.json") -> Any:
    """Choose a file on the page and send it."""
    told = dict(person.get(IMPORT).form(IMPORT).sent())
    told.pop("file")
    return person.client.post(IMPORT, data=told, files={"file": (name, content, "application/json")})


def exported(folder: Path, job_id: str) -> str:
    with Journal.open(Shelf.open(folder).path(job_id)) as journal:
        return export_text(export_json(journal))


def person_at(shelf: Path, beginning: Beginning | None = None) -> Person:
    return Person(make_app(Shelf.open(shelf), Doors(), beginning))


@pytest.fixture
def other(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of another machine."""
    return tmp_path_factory.mktemp("other")


def test_the_job_is_there_with_all_that_was_told(shelf: Path, other: Path) -> None:
    job_id = demo_job(other, 9)
    text = Person(make_app(Shelf.open(other), Doors())).client.get(f"/job/{job_id}/export.json").text
    person = person_at(shelf)
    assert any(link == IMPORT for link in person.get("/").links)
    page = person.follow(sent_file(person, text))
    assert "low again" in page.text
    assert events_of(shelf, job_id) == events_of(other, job_id)
    assert exported(shelf, job_id) == text
    person.get(f"/job/{job_id}/findings")


def test_brought_twice_it_is_there_once_and_one_that_went_on_stays(shelf: Path, other: Path) -> None:
    job_id = demo_job(other, 2)
    person, text = person_at(shelf), exported(other, job_id)
    first = sent_file(person, text).headers["location"]
    assert sent_file(person, text).headers["location"] == first
    person.press(first, "/record", ("outcome", "silent"))
    again = sent_file(person, text).headers["location"]
    assert again == f"{first}-2"
    assert len(Shelf.open(shelf).jobs()) == 2
    assert len(events_of(shelf, job_id)) == len(events_of(other, job_id)) + 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "none was chosen, or it is empty"),
        (b"\xff\xfe\x00", "is not a text file"),
        (b"PK\x03\x04", "is not JSON"),
        (b"[]", "is not a JSON object"),
        (b"{}", "format"),
    ],
)
def test_what_is_no_job_is_refused_in_one_line(shelf: Path, content: bytes, says: str) -> None:
    person = person_at(shelf)
    refused = sent_file(person, content)
    assert refused.status_code == 400
    assert says in PageSeen(refused.text).words
    assert [form.action for form in PageSeen(refused.text).forms] == [IMPORT]
    assert Shelf.open(shelf).jobs() == ()


def test_a_changed_job_is_refused(shelf: Path, other: Path) -> None:
    data = json.loads(exported(other, demo_job(other, 9)))
    data["events"][0]["body"]["facts"]["age_years"] = 3
    refused = sent_file(person_at(shelf), json.dumps(data))
    assert "was changed (event 1 is not as it was written)" in PageSeen(refused.text).words
    assert Shelf.open(shelf).jobs() == ()


def test_what_fits_no_job_is_refused_though_its_checksums_are_right(shelf: Path, other: Path) -> None:
    job_id = demo_job(other, 0)
    with Journal.open(Shelf.open(other).path(job_id)) as journal:
        journal.append("finding", {"method": "probe_point", "target": "nowhere"}, who="", expected_last=None)
    refused = sent_file(person_at(shelf), exported(other, job_id))
    assert refused.status_code == 400
    assert "event 2" in PageSeen(refused.text).words
    assert Shelf.open(shelf).jobs() == ()


def test_priors_that_are_elsewhere_are_never_opened(shelf: Path, other: Path) -> None:
    """A path in a file that was brought is a stranger's word; only the priors that are served here are read."""
    file, few = other / "learned.toml", other / "few.toml"
    write_learned(example(), file)
    write_learned(replace(example(), component=example().component[1:]), few)
    answer("new", other / "a.job", "--system", "ducted_split", "--priors", file)
    refused = sent_file(person_at(shelf), exported(other, "a"))
    assert "began with priors that are elsewhere" in PageSeen(refused.text).words
    served = person_at(shelf, beginning_with((), few, untrusted=False))
    assert sent_file(served, exported(other, "a")).status_code == 400
    assert sent_file(served, exported(other, demo_job(other, 1))).status_code == 303


def test_priors_of_another_machine_are_found_here_where_they_are_the_same(shelf: Path, other: Path) -> None:
    """What counts is what a file says, not where it lies: theirs is gone, and the job stays as they saw it."""
    theirs, ours, folder = other / "learned.toml", shelf / "spring.toml", other / "priors"
    write_learned(example(), theirs)
    write_learned(example(), ours)
    shutil.copytree(shipped("priors"), folder)
    answer("new", other / "a.job", "--system", "ducted_split", "--priors", theirs)
    answer("new", other / "b.job", "--system", "ducted_split", "--priors", folder)
    told = answer("sites", other / "a.job")["sites"]
    sent = [exported(other, job_id) for job_id in ("a", "b")]
    theirs.unlink()
    shutil.rmtree(folder)
    served = person_at(shelf, beginning_with((), ours, untrusted=False))
    doors = [sent_file(served, text).headers["location"] for text in sent]
    learned, plain = (served.get(door).words for door in doors)
    assert "learned from a fleet" in learned
    assert "learned from a fleet" not in plain
    assert "not those that this job began with" not in learned + plain
    assert answer("sites", Shelf.open(shelf).path(Path(doors[0]).name), "--priors", ours)["sites"] == told
    for door in doors:
        served.press(door, "/record", ("outcome", "silent"))


def test_learned_priors_that_are_not_trusted_are_taken_as_the_job_and_the_page_allow(shelf: Path, other: Path) -> None:
    """Whatever is kept can be opened: the job that did not allow them is refused though the page does."""
    file = other / "doubtful.toml"
    write_learned(example(), file)
    answer("new", other / "sure.job", "--system", "ducted_split", "--priors", file)
    write_learned(untrusted(), file)
    answer("new", other / "bold.job", "--system", "ducted_split", "--priors", file, "--untrusted")
    served = person_at(shelf, beginning_with((), file, untrusted=True))
    assert "not trusted" in served.follow(sent_file(served, exported(other, "bold"))).words
    refused = sent_file(served, exported(other, "sure"))
    assert "not trusted" in PageSeen(refused.text).words
    assert [job.error for job in Shelf.open(shelf).jobs()] == [""]


def test_a_whole_store_fits_and_more_does_not(shelf: Path, other: Path) -> None:
    answer("new", other / "store.job", "--system", "rack_store:300")
    text = exported(other, "store")
    assert len(text) > BODY_BYTES
    person = person_at(shelf)
    assert sent_file(person, text).status_code == 303
    assert sent_file(person, b" " * FILE_BYTES).status_code == 413


def test_a_form_of_another_browser_is_refused(shelf: Path, other: Path) -> None:
    person, text = person_at(shelf), exported(other, demo_job(other, 0))
    person.get(IMPORT)
    sent = person.client.post(IMPORT, data={"form": "0" * 40, "token": "t"}, files={"file": ("a.json", text)})
    assert sent.status_code == 403
    sent = person.client.post(IMPORT, files={"file": ("a.json", text)})
    assert sent.status_code == 403
    assert Shelf.open(shelf).jobs() == ()


def test_a_file_comes_as_it_was_sent(shelf: Path, other: Path) -> None:
    """In the form of the examples of RFC 7578 (from memory); line ends before half a boundary belong to the file."""
    text = exported(other, demo_job(other, 1)).replace("\n", "\r\n\r\n")
    person = person_at(shelf)
    told = dict(person.get(IMPORT).form(IMPORT).sent())
    head = 'content-disposition: form-data; name="{}"'.format
    entries = [f"{head(name)}\r\n\r\n{told[name]}" for name in ("form", "token")]
    file = f'{head("file")}; filename="a.json"\r\nContent-Type: application/json\r\n\r\n{text}\r\n--AaB03'
    body = "".join(f"--AaB03x\r\n{part}\r\n" for part in (*entries, file)) + "--AaB03x--\r\n"
    kind = {"content-type": "multipart/form-data; boundary=AaB03x"}
    refused = person.client.post(IMPORT, content=body.encode(), headers=kind)
    assert "is not JSON (Extra data" in PageSeen(refused.text).words
    body = body.replace("\r\n--AaB03\r\n", "\r\n")
    assert person.client.post(IMPORT, content=body.encode(), headers=kind).status_code == 303
    assert exported(shelf, Shelf.open(shelf).jobs()[0].id) == exported(other, Shelf.open(other).jobs()[0].id)


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    pieces=st.lists(
        st.one_of(
            st.sampled_from(
                [
                    b"--x\r\n",
                    b"--x--\r\n",
                    b"--y\n",
                    b"\r\n\r\n",
                    b'Content-Disposition: form-data; name="file"; filename="a"\r\n',
                    b"Content-Disposition: form-data; name*=utf-8''%FF; filename*=x'y'%\r\n",
                    b"Content-Type: multipart/mixed; boundary=y\r\n",
                    b"Content-Type: message/rfc822\r\n",
                    b"Content-Transfer-Encoding: base64\r\n",
                    b"Content-Type: text/plain; charset=utf-16\r\n",
                ]
            ),
            st.binary(max_size=20),
        ),
        max_size=12,
    ),
    kind=st.sampled_from(["multipart/form-data; boundary=x", "multipart/form-data", 'Multipart/Form-Data; boundary="']),
)
def test_any_body_is_an_answer(
    looked_at: tuple[Person, str], caplog: pytest.LogCaptureFixture, pieces: list[bytes], kind: str
) -> None:
    person, _ = looked_at
    with caplog.at_level(logging.ERROR):
        answered = person.client.post(IMPORT, content=b"".join(pieces), headers={"content-type": kind})
    assert (answered.status_code, caplog.text) in ((400, ""), (403, ""))

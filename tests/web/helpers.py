"""A person at the page: looks at pages, follows links, fills in forms and presses buttons, without a script."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

from starlette.testclient import TestClient

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.cli.scenario import begin, play, read_scenario
from leakinfer.reading import shipped
from leakinfer.store import Event, Journal, Shelf
from leakinfer.web.app import make_app
from leakinfer.web.doors import Doors
from tests.web.forms import FormSeen, PageSeen

HERE = "http://localhost:8765"
FORM = {"content-type": "application/x-www-form-urlencoded"}


class Person:
    """One browser on a shelf of jobs; two persons on one app share the server but not the cookies."""

    def __init__(self, app: Any, **headers: str) -> None:
        self.client = TestClient(app, base_url=HERE, follow_redirects=False, headers=headers)

    def get(self, path: str, status: int = 200) -> PageSeen:
        """The page at a path."""
        answer = self.client.get(path)
        assert answer.status_code == status, (path, answer.status_code, answer.text[:600])
        return PageSeen(answer.text)

    def send(self, form: FormSeen, here: str, button: tuple[str, str] | None = None, **entries: str) -> Any:
        """Press a button of a form; the answer as it comes."""
        path = form.action or here
        told = form.sent(button, **entries)
        if form.method == "get":
            return self.client.get(f"{path}?{urlencode(told)}")
        return self.client.post(path, content=urlencode(told), headers=FORM)

    def press(self, path: str, ending: str, button: tuple[str, str] | None = None, **entries: str) -> PageSeen:
        """Open a page, fill in its form and press a button, and look at the page that follows."""
        answer = self.send(self.get(path).form(ending), path, button, **entries)
        return self.follow(answer)

    def follow(self, answer: Any) -> PageSeen:
        """The page that an accepted form leads to."""
        assert answer.status_code == 303, (answer.status_code, PageSeen(answer.text).words[:400])
        return self.get(answer.headers["location"])

    def begin(self, system: str = "ducted_split", **entries: str) -> str:
        """Start a job; its id."""
        path = f"/new/{system}"
        answer = self.send(self.get(path).form(path), path, None, **entries)
        assert answer.status_code == 303, PageSeen(answer.text).words
        return str(urlsplit(answer.headers["location"]).path).removeprefix("/job/")


def serving(folder: Path, doors: Doors | None = None) -> Any:
    """The page over a folder of jobs."""
    return make_app(Shelf.open(folder), doors or Doors())


@contextmanager
def commanded(folder: Path, *options: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The command in a process of its own on a free port; its first line and the process."""
    code = "from leakinfer.cli import main; main()"
    child = subprocess.Popen(
        [sys.executable, "-c", code, "serve", str(folder), "--port", "0", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        yield child.stdout.readline().strip(), child
    finally:
        child.send_signal(signal.SIGINT)
        child.communicate(timeout=20)


def demo_job(folder: Path, steps: int) -> str:
    """The shipped invented job after so many steps, on the shelf in a folder; its id."""
    where = shipped("data_demo", "scenario.toml")
    scenario = read_scenario(where)
    job, (_, body) = begin(scenario, load_catalogue(), str(where))
    shelf = Shelf.open(folder)
    job_id = shelf.create(scenario.title, body, "demo")
    with Journal.open(shelf.path(job_id)) as journal:
        for number, played in enumerate(play(scenario, job, str(where))):
            if number >= steps:
                break
            for kind, event in played.events:
                journal.append(kind, event, who="demo", expected_last=None)
    return job_id


def events_of(folder: Path, job_id: str) -> tuple[Event, ...]:
    """All events of a job."""
    with Journal.open(Shelf.open(folder).path(job_id)) as journal:
        return journal.events()

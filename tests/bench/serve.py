"""How long the page takes to answer eight people: ``python tests/bench/serve.py [--json]``.

The command is started as a person starts it, over a shelf with the shipped demo's job. Eight people, each with a
connection of their own, ask "where next" on that one job. Each reads for half a second to one and a half between two
asks, and records a finding before every tenth, from whatever page it has; where another was quicker, it asks again and
tells once more. A finding makes all answers new, for everybody. ``hammer``: the same without a pause.
"""

from __future__ import annotations

import argparse
import http.client
import json
import random
import re
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.measure import print_beside_aims, report
from tests.web.helpers import commanded, demo_job

AIMS = {"median_ms": "<= 150", "p95_ms": "<= 300", "start_ms": "", "peak_mb": ""}
PEOPLE, ASKS, TELLS_EVERY = 8, 20, 10
READS = (0.5, 1.5)  # s between two asks
FIELD = r'name="%s" value="([^"]*)"'
STEPS = 5  # of the demo's story that were told before


class Person:
    """Someone with a connection and a session."""

    def __init__(self, port: int, job_id: str, number: int) -> None:
        self.line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        self.path, self.number, self.cookie = f"/job/{job_id}", number, ""
        self.asks: list[float] = []
        self.fresh: list[float] = []
        self.tells: list[float] = []
        self.refused = 0

    def request(self, method: str, path: str, body: str | None = None) -> tuple[int, str]:
        """Status and body; cookies are kept."""
        headers = {"Content-Type": "application/x-www-form-urlencoded"} if body else {}
        self.line.request(method, path, body, {**headers, "Cookie": self.cookie})
        answer = self.line.getresponse()
        told = answer.headers.get_all("Set-Cookie") or []
        self.cookie = "; ".join(text.partition(";")[0] for text in told) or self.cookie
        return answer.status, answer.read().decode()

    def ask(self, after_telling: bool = False) -> str:
        """Where next, timed."""
        start = time.perf_counter()
        status, page = self.request("GET", self.path)
        took = (time.perf_counter() - start) * 1000
        assert status == 200, page
        self.asks.append(took)
        if after_telling:
            self.fresh.append(took)
        return page

    def tell(self, page: str) -> None:
        """Record what the page proposes as silent, from that page; again from a fresh one where it is old."""
        for _ in range(20):
            form = page.partition('id="record"')[2]
            told = {name: _field(form, name) for name in ("form", "token", "last", "method", "target")}
            silent = re.findall(r'name="outcome" value="(\w+)"', form)[0]
            start = time.perf_counter()
            status, _ = self.request("POST", f"{self.path}/record", urlencode({**told, "outcome": silent}))
            self.tells.append((time.perf_counter() - start) * 1000)
            if status == 303:
                return
            assert status == 409
            self.refused += 1
            page = self.ask()

    def work(self, pause: tuple[float, float]) -> None:
        """Ask and now and then tell."""
        chance = random.Random(self.number)
        time.sleep(chance.uniform(0, pause[1]))
        page = self.ask()
        for turn in range(1, ASKS):
            time.sleep(chance.uniform(*pause))
            tells = (turn + self.number) % TELLS_EVERY == 0
            if tells:
                self.tell(page)
            page = self.ask(tells)


def _field(form: str, name: str) -> str:
    found = re.search(FIELD % name, form)
    assert found, name
    return found[1]


@contextmanager
def served(folder: Path) -> Iterator[tuple[int, int, float]]:
    """Port and process of the command, and the ms from its start to its first answer."""
    start = time.perf_counter()
    with commanded(folder) as (told, child):
        port = int(told.rstrip("/").rpartition(":")[2])
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        line.request("GET", "/")
        line.getresponse().read()
        yield port, child.pid, (time.perf_counter() - start) * 1000


def crowd(port: int, job_id: str, pause: tuple[float, float]) -> list[Person]:
    """Eight people at work at once."""
    people = [Person(port, job_id, number) for number in range(PEOPLE)]
    threads = [threading.Thread(target=person.work, args=(pause,)) for person in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return people


def figures(people: list[Person], prefix: str = "") -> dict[str, float]:
    """Median and 95th percentile of all asks, of those right after one's own telling, and of telling."""
    asks = sorted(took for person in people for took in person.asks)
    fresh = [took for person in people for took in person.fresh]
    tells = [took for person in people for took in person.tells]
    return {
        f"{prefix}median_ms": statistics.median(asks),
        f"{prefix}p95_ms": asks[int(0.95 * (len(asks) - 1))],
        f"{prefix}after_telling_median_ms": statistics.median(fresh),
        f"{prefix}tell_median_ms": statistics.median(tells),
        f"{prefix}asks": float(len(asks)),
        f"{prefix}tellings": float(len(fresh)),
        f"{prefix}old_pages": float(sum(person.refused for person in people)),
    }


def alone(port: int, job_id: str) -> dict[str, float]:
    """One person, nothing new: what a repeated ask costs."""
    person = Person(port, job_id, 0)
    for _ in range(20):
        person.ask()
    return {"cached_median_ms": statistics.median(person.asks[1:])}


def peak_mb(pid: int) -> float:
    """Peak memory of the server, by the kernel's high-water mark."""
    status = Path(f"/proc/{pid}/status").read_text()
    return float(re.search(r"VmHWM:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]


def measured() -> dict[str, Any]:
    """All figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        jobs = [demo_job(folder, STEPS) for _ in range(3)]
        with served(folder) as (port, pid, start_ms):
            found = {**alone(port, jobs[0]), **figures(crowd(port, jobs[1], READS))}
            found |= figures(crowd(port, jobs[2], (0.0, 0.0)), "hammer_")
            found |= {"start_ms": start_ms, "peak_mb": peak_mb(pid)}
    return report(found, AIMS, {"people": PEOPLE, "asks_each": ASKS, "tells_every": TELLS_EVERY, "reads_s": READS})


def main() -> None:
    """Print the figures, as JSON or as lines."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    found = measured()
    if parser.parse_args().json:
        print(json.dumps(found, indent=1))
        return
    print_beside_aims(found, 1)


if __name__ == "__main__":
    main()

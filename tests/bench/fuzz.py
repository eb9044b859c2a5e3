"""Every reader of files under inputs changed at random; what reaches new lines is changed further (Python 3.12 on).

    python tests/bench/fuzz.py --minutes 10 --keep DIR

A reader takes its file or raises InputError. Anything else, a warning and more than ten seconds included, is a defect:
the input is made smaller as long as it fails in the same place, kept in a file, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import json
import random
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

import leakinfer
from leakinfer.errors import InputError
from tests.bench.fuzz_inputs import mutated
from tests.bench.fuzz_readers import Reader, readers

PACKAGE = str(Path(leakinfer.__file__).parent)
LONGEST_SECONDS = 10
SMALLER_SECONDS = 20.0  # spent on making one failing input smaller


class TooLong(BaseException):
    """A reader did not come to an end; nothing in the package takes it for an error of its own."""


class Lines:
    """Which lines of the package were met: each is told once and costs nothing afterwards."""

    def __init__(self) -> None:
        self.met: set[tuple[str, int]] = set()
        monitoring: Any = sys.monitoring  # type: ignore[attr-defined,unused-ignore]
        self._disable = monitoring.DISABLE
        monitoring.use_tool_id(monitoring.COVERAGE_ID, "fuzz")
        monitoring.register_callback(monitoring.COVERAGE_ID, monitoring.events.LINE, self._line)
        monitoring.set_events(monitoring.COVERAGE_ID, monitoring.events.LINE)

    def _line(self, code: CodeType, line: int) -> object:
        if code.co_filename.startswith(PACKAGE):
            self.met.add((code.co_filename, line))
        return self._disable


@dataclass
class Tried:
    """What became of a reader: inputs by outcome, inputs worth changing further, defects by where they come from."""

    reader: Reader
    corpus: list[bytes]
    count: dict[str, int] = field(default_factory=lambda: {"taken": 0, "refused": 0, "failed": 0})
    seconds: float = 0.0
    defects: dict[str, bytes] = field(default_factory=dict)


@contextmanager
def limited(seconds: int) -> Iterator[None]:
    def over(number: int, frame: FrameType | None) -> None:
        raise TooLong

    signal.signal(signal.SIGALRM, over)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)


def outcome(reader: Reader, data: bytes) -> str:
    """``taken``, ``refused``, or what failed and where in the package."""
    reader.file.write_bytes(data)
    try:
        with limited(LONGEST_SECONDS), warnings.catch_warnings():
            warnings.simplefilter("error")
            reader.read(reader.file)
    except InputError as refused:
        return "refused" if refused.what and "\n" not in str(refused) else "InputError without words"
    except (Exception, TooLong) as error:
        frames = [f for f in traceback.extract_tb(error.__traceback__) if f.filename.startswith(PACKAGE)]
        where = f"{Path(frames[-1].filename).relative_to(PACKAGE)}: {frames[-1].name}" if frames else "outside"
        return f"{type(error).__name__} at {where}"
    return "taken"


def try_one(tried: Tried, lines: Lines, dice: random.Random) -> None:
    """One more input for a reader."""
    data = mutated(dice.choice((tried.corpus[0], dice.choice(tried.corpus))), tried.reader.form, tried.corpus, dice)
    before, began = len(lines.met), time.monotonic()
    told = outcome(tried.reader, data)
    tried.seconds += time.monotonic() - began
    tried.count[told if told in tried.count else "failed"] += 1
    if told not in ("taken", "refused"):
        if told not in tried.defects:
            tried.defects[told] = smaller(tried.reader, data, told)
    elif len(lines.met) > before:
        tried.corpus.append(data)


def smaller(reader: Reader, data: bytes, told: str) -> bytes:
    """The input with parts left out, in halves, then quarters and so on, as long as it fails in the same way."""
    until, parts = time.monotonic() + SMALLER_SECONDS, 2
    while parts <= len(data) and time.monotonic() < until:
        step, at = -(-len(data) // parts), 0
        while at < len(data) and time.monotonic() < until:
            less = data[:at] + data[at + step :]
            if outcome(reader, less) == told:
                data = less
            else:
                at += step
        parts *= 2
    return data


def fuzz(minutes: float, seed: int, only: str, work: Path) -> list[Tried]:
    """All readers in turn, the one that had the least time so far next."""
    dice, lines = random.Random(seed), Lines()
    tried = [Tried(reader, [reader.seed]) for reader in readers(work) if only in reader.name]
    for one in tried:
        told = outcome(one.reader, one.reader.seed)
        if told != "taken":
            raise SystemExit(f"{one.reader.name}: its own file is {told}")
    until = time.monotonic() + 60 * minutes
    while time.monotonic() < until:
        try_one(min(tried, key=lambda one: one.seconds), lines, dice)
    return tried


def kept(tried: list[Tried], folder: Path) -> list[dict[str, str]]:
    """The defects, each with the file that holds its input."""
    folder.mkdir(parents=True, exist_ok=True)
    found = []
    for one in tried:
        for number, (told, data) in enumerate(one.defects.items()):
            path = folder / f"{one.reader.name.replace(': ', '-').replace(' ', '-')}-{number}{one.reader.file.suffix}"
            path.write_bytes(data)
            found.append({"reader": one.reader.name, "failed": told, "input": str(path)})
    return found


def main() -> int:
    """Print inputs and defects by reader."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="readers whose name holds this")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "fuzz")
    asked = parser.parse_args()
    if not hasattr(sys, "monitoring"):
        parser.error("Python 3.12 or later: lines are watched by sys.monitoring")
    memory = Path("/dev/shm")  # where there is one, nothing waits for the disk
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as work:
        tried = fuzz(asked.minutes, asked.seed, asked.only, Path(work))
    defects = kept(tried, asked.keep)
    rows = {one.reader.name: {**one.count, "corpus": len(one.corpus)} for one in tried}
    if asked.json:
        print(json.dumps({"minutes": asked.minutes, "seed": asked.seed, "readers": rows, "defects": defects}, indent=1))
        return int(bool(defects))
    for name, row in rows.items():
        print(f"{name:24}" + "".join(f"{value:8} {what}" for what, value in row.items()))
    for defect in defects:
        print(f"{defect['reader']}: {defect['failed']}; {defect['input']}")
    return int(bool(defects))


if __name__ == "__main__":
    sys.exit(main())

"""Programs that write and are killed (SIGKILL) at a moment of one's choice, many times a second.

Run as a program it has imported everything already and only splits: for each line on its input, ``{"files": [...],
"delays": [...], "run": N}``, it starts one program for each delay, lets each write with several threads, kills it
after its delay in seconds, and answers with one line, the list of what they said. A thread says ``try TOKEN`` before
it tells an event, ``told TOKEN NUMBER`` once that was acknowledged, and ``refused REASON`` on an error for people.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import leakinfer
from leakinfer.errors import InputError
from leakinfer.store import Journal

THREADS = 2
MOST_ROUNDS = 2_000  # so that a program nobody kills ends by itself
EACH_TIME = 3  # events told before the file is opened anew


class Bursts:
    """The running program, asked from a test."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def said(self, files: Sequence[Path], delays: Sequence[float], run: int) -> list[list[str]]:
        """What the writers said before they were killed, each saying as its words."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        request = {"files": [str(path) for path in files], "delays": list(delays), "run": run}
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()
        return [line.split(" ", 2) for line in json.loads(self._process.stdout.readline())]


@contextmanager
def bursts() -> Iterator[Bursts]:
    """The program, until the block ends."""
    environment = os.environ | {"PYTHONPATH": str(Path(leakinfer.__file__).parent.parent)}
    pipe = subprocess.PIPE
    command = [sys.executable, str(Path(__file__))]
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True, env=environment) as process:
        yield Bursts(process)


def main() -> None:
    for line in sys.stdin:
        request = json.loads(line)
        print(json.dumps(_burst([Path(name) for name in request["files"]], request["delays"], request["run"])))
        sys.stdout.flush()


def _burst(files: list[Path], delays: list[float], run: int) -> list[str]:
    """Start, kill each one at its time, and hear what was said."""
    reading, writing = os.pipe()
    start = time.monotonic()
    writers = []
    for number, delay in enumerate(delays):
        writer = os.fork()
        if writer == 0:
            os.close(reading)
            _write(files, writing, f"{run}.{number}")
        writers.append((delay, writer))
    os.close(writing)
    heard = threading.Thread(target=lambda: said.append(_all(reading)))
    said: list[bytes] = []
    heard.start()
    for delay, writer in sorted(writers):
        time.sleep(max(0.0, start + delay - time.monotonic()))
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
    heard.join()
    return said[0].decode("ascii").splitlines()


def _all(reading: int) -> bytes:
    with os.fdopen(reading, "rb") as pipe:
        return pipe.read()


def _write(files: list[Path], pipe: int, name: str) -> None:
    threads = [threading.Thread(target=_tell, args=(files, pipe, f"{name}.{n}")) for n in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    os._exit(0)


def _tell(files: list[Path], pipe: int, name: str) -> None:
    """Tell events in one file after the other. A saying is short enough to be whole or not said (POSIX, PIPE_BUF)."""
    try:
        for step in range(MOST_ROUNDS):
            try:
                with Journal.open(files[step % len(files)]) as journal:
                    for n in range(EACH_TIME):
                        token = f"{name}.{step}.{n}"
                        os.write(pipe, f"try {token}\n".encode())
                        told = journal.append(
                            "note", {"fill": "x" * (step % 700)}, who="", expected_last=None, token=token
                        )
                        os.write(pipe, f"told {token} {told.number}\n".encode())
            except InputError as error:
                os.write(pipe, f"refused {error.line()[-300:]}\n".encode("ascii", "replace"))
    except BrokenPipeError:
        pass  # nobody listens any more


if __name__ == "__main__":
    main()

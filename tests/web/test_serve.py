"""The command ``serve``: what it prints, what it refuses, and that it runs as a program of its own."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
from click.testing import CliRunner

from leakinfer.cli import main
from leakinfer.cli.serve import told
from leakinfer.web.doors import Doors
from tests.web.helpers import commanded, demo_job


def refusal(*arguments: str) -> str:
    result = CliRunner().invoke(main, ["serve", *arguments])
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    lines: list[str] = result.stderr.strip().splitlines()
    assert len(lines) == 1
    return lines[0]


def test_refusals(tmp_path: Path) -> None:
    assert "does not exist" in refusal(str(tmp_path / "nowhere"))
    assert refusal(str(tmp_path), "--token", "short").endswith("--token: has 5 characters; allowed: 16 or more")
    assert "cannot listen" in refusal(str(tmp_path), "--host", "no such host")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        assert "cannot listen" in refusal(str(tmp_path), "--port", str(taken.getsockname()[1]))


def test_a_missing_library_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    assert refusal(str(tmp_path)) == "leakinfer: serve: uvicorn is missing, needs pip install 'leakinfer[web]'"


def test_what_is_told() -> None:
    assert told(Doors(), "127.0.0.1", 8765)[0] == "  Open http://127.0.0.1:8765/"
    assert told(Doors(True, "k" * 20), "::1", 1)[0] == f"  Open http://[::1]:1/enter?key={'k' * 20}"
    beyond = told(Doors(False, "k" * 20), "192.0.2.7", 80)
    assert beyond[0] == f"  Open http://192.0.2.7:80/enter?key={'k' * 20}"
    assert "not encrypted" in beyond[1]


@pytest.mark.slow
def test_it_serves_and_ends(tmp_path: Path) -> None:
    demo_job(tmp_path, 0)
    with commanded(tmp_path) as (line, child):
        address = re.fullmatch(r"Open (http://127\.0\.0\.1:\d+/)", line)
        assert address
        with urllib.request.urlopen(address[1], timeout=20) as answer:
            assert "low again" in answer.read().decode()
    assert child.returncode in (0, 130, -signal.SIGINT)


@pytest.mark.slow
def test_beyond_this_machine_a_key_is_made_and_told_once(tmp_path: Path) -> None:
    with commanded(tmp_path, "--host", "0.0.0.0") as (line, _):
        assert re.fullmatch(r"Open http://[0-9.]+:\d+/enter\?key=[A-Za-z0-9_-]{20,}", line)


def test_the_start_of_other_commands_loads_no_web() -> None:
    code = "import sys; from leakinfer.cli import main\n"
    code += "try: main(['--help'])\nexcept SystemExit: print(sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "serve" in done.stdout
    assert "starlette" not in done.stdout
    assert "uvicorn" not in done.stdout

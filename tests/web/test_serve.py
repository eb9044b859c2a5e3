"""The command ``serve``: what it prints, what it refuses, and that it runs as a program of its own."""

from __future__ import annotations

import re
import signal
import socket
import ssl
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest
import trustme
from click.testing import CliRunner
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

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
    assert refusal(str(tmp_path), "--name", "office.example:80").endswith(
        "--name: 'office.example:80' is no name of a machine; allowed: as office.example, without a port"
    )
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
    secret = told(Doors(False, "k" * 20), "192.0.2.7", 443, encrypted=True)
    assert secret[0].startswith("  Open https://192.0.2.7:443/enter?key=")
    assert "the line is encrypted" in secret[1]
    named = told(Doors(False, "k" * 20, "office.example"), "0.0.0.0", 443, encrypted=True)
    assert named[0].startswith("  Open https://office.example:443/enter?key=")


@pytest.mark.slow
def test_it_serves_and_ends(tmp_path: Path) -> None:
    demo_job(tmp_path, 0)
    with commanded(tmp_path) as (line, child):
        address = re.fullmatch(r"Open (http://127\.0\.0\.1:\d+/)", line)
        assert address
        with urllib.request.urlopen(address[1], timeout=20) as answer:
            assert "low again" in answer.read().decode()
    assert child.returncode in (0, 130, -signal.SIGINT)


def pair(folder: Path, password: bytes | None = None) -> tuple[Path, Path]:
    """A certificate for this machine and its key, made for this test; ``ca.pem`` is the authority that signed it."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    made = authority.issue_cert("localhost", "127.0.0.1")
    certificate, key = folder / "page.pem", folder / "page.key"
    certificate.write_bytes(b"".join(blob.bytes() for blob in made.cert_chain_pems))
    private = load_pem_private_key(made.private_key_pem.bytes(), None)
    kept = BestAvailableEncryption(password) if password else NoEncryption()
    key.write_bytes(private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, kept))
    return certificate, key


@pytest.mark.slow
@pytest.mark.parametrize("one_file", [True, False])
def test_the_line_is_encrypted_with_a_certificate(tmp_path: Path, one_file: bool) -> None:
    certificate, key = pair(tmp_path)
    options = ["--certificate", str(certificate), "--certificate-key", str(key)]
    if one_file:
        certificate.write_bytes(key.read_bytes() + certificate.read_bytes())
        options = options[:2]
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    demo_job(shelf, 0)
    with commanded(shelf, *options) as (line, _):
        address = line.removeprefix("Open ")
        assert re.fullmatch(r"https://127\.0\.0\.1:\d+/", address)
        trusting = ssl.create_default_context(cafile=tmp_path / "ca.pem")
        with urllib.request.urlopen(address, timeout=20, context=trusting) as answer:
            assert "low again" in answer.read().decode()
            assert "; secure" in answer.headers["set-cookie"].lower()
        with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
            urllib.request.urlopen(address, timeout=20)
        with pytest.raises(OSError, match=r"."):
            urllib.request.urlopen(address.replace("https", "http"), timeout=20)


def test_a_certificate_that_cannot_be_used_is_one_line(tmp_path: Path) -> None:
    certificate, key = pair(tmp_path)
    other = tmp_path / "other"
    other.mkdir()
    _, strange = pair(other, b"swordfish")
    (tmp_path / "none.pem").write_text("nothing", "utf-8")
    no_pair = "cannot be used (they are no such pair); allowed: PEM: a certificate with its chain, and its private key"
    for options, says in (
        (["--certificate", str(tmp_path / "nowhere.pem")], "nowhere.pem: cannot be used (No such file or directory)"),
        (["--certificate", str(certificate)], f"page.pem: {no_pair}"),
        (["--certificate", str(tmp_path / "none.pem"), "--certificate-key", str(key)], no_pair),
        (["--certificate", str(certificate), "--certificate-key", str(strange)], no_pair),
        (["--certificate-key", str(key)], "--certificate-key: needs --certificate; allowed: both, or neither"),
    ):
        assert says in refusal(str(tmp_path), *options)


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

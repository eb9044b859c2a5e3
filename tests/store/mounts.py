"""Small file systems that can really be full or read-only, in a namespace of their own that ends with its program."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import leakinfer

HELPERS = """
import json, os, pathlib, subprocess, sys
from leakinfer.errors import InputError
from leakinfer.store import *

disk = pathlib.Path(sys.argv[1])
outside = pathlib.Path(sys.argv[2])

def mount(*options):
    subprocess.run(["mount", *options, str(disk)], check=True)

def fill():
    "Leave no free byte."
    with open(disk / "filler", "ab", buffering=0) as filler:
        for size in (65536, 4096, 512, 1):
            try:
                while filler.write(b"x" * size):
                    pass
            except OSError:
                pass

def empty():
    (disk / "filler").unlink()

def refused(step):
    "The one line with which a step is refused."
    try:
        step()
    except InputError as error:
        return error.line()
    return "done"

def names():
    return sorted(str(found.relative_to(disk)) for found in disk.rglob("*") if found.name != "filler")
"""


def run_on_a_disk(tmp_path: Path, script: str, *, kilobytes: int = 600) -> dict[str, Any]:
    """Run a script on a disk of that size, mounted as ``disk``; it prints one JSON object. ``outside`` is elsewhere."""
    unshare = shutil.which("unshare")
    if unshare is None or subprocess.run([unshare, "-rm", "true"], capture_output=True).returncode != 0:
        pytest.skip("this system does not let a program mount a disk of its own")
    disk, outside = tmp_path / "disk", tmp_path / "outside"
    disk.mkdir()
    outside.mkdir(exist_ok=True)
    start = f'mount("-t", "tmpfs", "-o", "size={kilobytes}k", "none")\n'
    environment = os.environ | {"PYTHONPATH": str(Path(leakinfer.__file__).parent.parent)}
    command = [unshare, "-rm", sys.executable, "-c", HELPERS + start + script, str(disk), str(outside)]
    result = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=120)
    assert result.returncode == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found

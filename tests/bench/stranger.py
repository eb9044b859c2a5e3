"""The path of a stranger: a fresh clone, README's two commands, every command of the reference, every notebook.

    python tests/bench/stranger.py --python python3.13
    python tests/bench/stranger.py --python python3.11 --without-tests   # README's test command takes longest

What is committed here is cloned into a folder for passing files and told to a shell as it stands on the pages, with
``python3`` being the one that is given. Also the examples that the tests leave out for their time, and the page, which
is opened and stopped. Prints the seconds of each step; exit code 1 where one failed.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
import urllib.request
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FENCED = "<!-- {name} command -->\n```sh\n(.*?)```"
EXTRAS = ".venv/bin/pip install -q '.[fleet,notebooks,report,study,web]'"
SECONDS = 5400.0
Step = tuple[str, Callable[[], str]]


def told(line: str, folder: Path, around: dict[str, str]) -> str:
    """Give a line to a shell; what went wrong, or nothing."""
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", line],
        cwd=folder,
        env=around,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=False,
    )
    return "" if done.returncode == 0 else f"exit code {done.returncode}: {(done.stdout + done.stderr)[-600:]}"


def opened(line: str, folder: Path, around: dict[str, str]) -> str:
    """Serve the page, open it as the first line says, stop it as a person does."""
    port = "8791"
    words = ["bash", "-c", f"exec {line} --port {port}"]
    with subprocess.Popen(words, cwd=folder, env=around, stdout=subprocess.PIPE, text=True) as serving:
        first = serving.stdout.readline() if serving.stdout else ""
        try:
            address = re.search(rf"http://\S+:{port}\S*", first)
            with urllib.request.urlopen(address[0] if address else first, timeout=30) as answer:
                page = answer.read().decode("utf-8")
        except (OSError, ValueError) as error:
            return f"{first.strip()}: {error}"
        finally:
            serving.send_signal(signal.SIGINT)
    return "" if "<html" in page.lower() and serving.returncode in (0, 130) else f"exit code {serving.returncode}"


def steps(clone: Path, around: dict[str, str], *, tests: bool) -> Iterator[Step]:
    """What a stranger does, in order."""
    readme = (clone / "README.md").read_text("utf-8")
    blocks = {name: re.search(FENCED.format(name=name), readme, re.DOTALL) for name in ("demo", "test")}
    for name in ("demo", "test") if tests else ("demo",):
        block = blocks[name]
        yield f"README's {name} command", partial(told, block[1] if block else "exit 1", clone, around)
    yield EXTRAS, partial(told, EXTRAS, clone, around)
    folder = clone.parent / "folder"
    folder.mkdir()
    (folder / "data_demo").symlink_to(clone / "data_demo")
    for example in tomllib.loads((clone / "leakinfer/documents/examples.toml").read_text("utf-8"))["example"]:
        line = example["line"]
        tell = opened if example["command"] == "leakinfer serve" else told
        yield line, partial(tell, line, folder, around)
    shutil.copytree(clone / "notebooks", clone.parent / "stories")
    for notebook in sorted((clone.parent / "stories").glob("*.ipynb")):
        line = f"python {clone}/tests/notebooks/execute.py {notebook}"
        yield f"notebooks/{notebook.name}", partial(told, line, folder, around)


def environment(python: str, folder: Path) -> dict[str, str]:
    """As in a new shell, with ``python3`` the one that is given and the clone's programs first on the path."""
    (folder / "bin").mkdir()
    found = shutil.which(python)
    if found is None:
        raise SystemExit(f"--python {python}: not found; allowed: a Python of 3.11 or later")
    wrapper = folder / "bin" / "python3"
    wrapper.write_text(f'#!/bin/sh\nexec "{found}" "$@"\n', "utf-8")
    wrapper.chmod(0o755)
    kept = {name: os.environ[name] for name in ("HOME", "LANG", "TMPDIR", "USER") if name in os.environ}
    return kept | {"PATH": f"{folder}/clone/.venv/bin:{folder}/bin:{os.environ['PATH']}"}


def main() -> int:
    """A line for each step."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--python", default=sys.executable)
    parser.add_argument("--without-tests", action="store_true", help="leave README's test command out")
    asked = parser.parse_args()
    failed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        around = environment(asked.python, folder)
        subprocess.run(["git", "clone", "-q", ROOT, folder / "clone"], check=True)
        for what, do in steps(folder / "clone", around, tests=not asked.without_tests):
            start = time.perf_counter()
            wrong = do()
            failed += bool(wrong)
            print(f"{time.perf_counter() - start:7.1f} s  {'failed' if wrong else 'good  '}  {what}", flush=True)
            if wrong:
                print(wrong)
    print(f"{failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

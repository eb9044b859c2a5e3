"""A real browser on a phone's screen, and the page served on this machine. Skipped only where there is no Chromium."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from leakinfer.web.doors import Doors
from tests.web.helpers import serving

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
OUTSIDE = socket.gethostname()  # a name that browsers do not trust as they trust localhost
PHONE = {"width": 360, "height": 740}


def pytest_configure(config: pytest.Config) -> None:
    """Tests that need a browser are marked, so that they can be left out."""
    config.addinivalue_line("markers", "browser: drives a real browser; leave out with -m 'not browser'")


class Served:
    """The page over a folder, on one port; it can be stopped and started again as a signal comes and goes."""

    def __init__(self, folder: Path, doors: Doors | None = None) -> None:
        self.folder, self.doors = folder, doors
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Serve until :meth:`stop`."""
        import uvicorn

        config = uvicorn.Config(
            serving(self.folder, self.doors),
            port=self.port,
            log_level="error",
            lifespan="off",
            ws="none",
            timeout_graceful_shutdown=10,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        end = time.monotonic() + 20
        while not self._server.started:
            assert time.monotonic() < end, "the page was not served"
            time.sleep(0.02)

    def stop(self) -> None:
        """Out of reach."""
        self._server.should_exit = True
        self._thread.join(20)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """An empty shelf, served."""
    server = Served(tmp_path / "shelf")
    server.folder.mkdir()
    server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Debian's Chromium; none is downloaded."""
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("no Chromium is installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        outside = f"--host-resolver-rules=MAP {OUTSIDE} 127.0.0.1"
        opened = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", outside])
        yield opened
        opened.close()


class Phone:
    """A phone with its own cookies; it notes what leaves the server's address and what the script complains of."""

    def __init__(self, browser: Any, server: Served, **options: Any) -> None:
        self.server = server
        self.context = browser.new_context(viewport=PHONE, **options)
        self.context.on("request", self._requested)
        self.context.on("weberror", lambda error: self.complaints.append(str(error.error)))
        self.strangers: list[str] = []
        self.complaints: list[str] = []
        self.page = self.context.new_page()
        self.page.on("console", self._said)

    def _requested(self, request: Any) -> None:
        if not request.url.startswith((self.server.address, "data:", "blob:")):
            self.strangers.append(request.url)

    def _said(self, message: Any) -> None:
        harmless = ("ERR_", "status of 4", "Cross-Origin-Opener-Policy header has been ignored")
        if message.type == "error" and not any(words in message.text for words in harmless):
            self.complaints.append(message.text)

    def open(self, path: str) -> None:
        """Open a page of the server."""
        self.page.goto(self.server.address + path)

    def shot(self, name: str, full: bool = False) -> None:
        """A picture for people, in the folder that LEAKINFER_SHOTS names."""
        folder = os.environ.get("LEAKINFER_SHOTS")
        if folder:
            self.page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=full)

    def close(self) -> None:
        """Close it, after a check that nothing went wrong or elsewhere."""
        self.context.close()
        assert not self.strangers
        assert not self.complaints


@pytest.fixture
def phone(browser: Any, served: Served) -> Iterator[Phone]:
    """A phone with a script."""
    made = Phone(browser, served)
    yield made
    made.close()


@pytest.fixture
def plain_phone(browser: Any, served: Served) -> Iterator[Phone]:
    """A phone whose script is switched off."""
    made = Phone(browser, served, java_script_enabled=False)
    yield made
    made.close()

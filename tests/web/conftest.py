"""One invented job for the tests that only look: it is never written to."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.web.helpers import Person, demo_job, serving


@pytest.fixture(scope="session")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> tuple[Person, str]:
    """A person and a job with nine findings."""
    folder: Path = tmp_path_factory.mktemp("shelf")
    job_id = demo_job(folder, 9)
    return Person(serving(folder)), job_id


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """An empty folder for jobs."""
    return tmp_path

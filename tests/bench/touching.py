"""Which tests touch a line, and how long each takes: one run of them under coverage, as a plugin of pytest.

    coverage run --source=FOLDERS -m pytest -p tests.bench.touching --touched FILE TESTS

It is told in ``FILE`` as JSON: ``lines`` by file and line the tests, ``seconds`` by test.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

SECONDS: dict[str, float] = defaultdict(float)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Where to write it."""
    parser.addoption("--touched", type=Path, required=True)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Whatever runs from here on is this test's, its fixtures too."""
    measuring = coverage.Coverage.current()
    if measuring is None:
        raise pytest.UsageError("tests.bench.touching: no coverage is measured; allowed: under `coverage run`")
    measuring.switch_context(item.nodeid)
    return (yield)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Set-up, the test and what comes after count together."""
    SECONDS[report.nodeid] += report.duration


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Write down what was seen."""
    measuring = coverage.Coverage.current()
    if measuring is None:
        return
    measuring.stop()
    data = measuring.get_data()
    lines = {
        file: {line: [test for test in tests if test] for line, tests in data.contexts_by_lineno(file).items()}
        for file in data.measured_files()
    }
    session.config.getoption("--touched").write_text(json.dumps({"lines": lines, "seconds": SECONDS}), "utf-8")

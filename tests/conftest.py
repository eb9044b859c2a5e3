"""Settings for all tests: property tests draw the same examples in every run and are not timed.

One thread for small matrices: more only wait for each other, many times as long where other work is going on. Where
several processes share the files out, those with slow tests go first, so that none is met last by one process alone.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.pop("LEAKINFER_UNITS", None)  # what a person reads in is not what tests expect

from collections import Counter

import pytest
from hypothesis import settings

settings.register_profile("leakinfer", derandomize=True, deadline=None)
settings.load_profile("leakinfer")


def pytest_configure(config: pytest.Config) -> None:
    """Let files be handed out in the order in which they were collected, not the one with the most tests first."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """In a process that takes its files from others: files with slow tests first, then those with many."""
    if not hasattr(config, "workerinput"):
        return
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    many = Counter(item.path for item in items)
    items.sort(key=lambda item: (item.path not in slow, -many[item.path]))

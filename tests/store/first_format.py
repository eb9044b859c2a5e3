"""Job files as the first format of this project had them, written here by hand so that they never change with it."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

TABLE = (
    "CREATE TABLE event (number INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL, moment TEXT NOT NULL, "
    "who TEXT NOT NULL, checksum BLOB NOT NULL)"
)
APPLICATION_ID = 0x4C6B496E  # "LkIn"

Told = tuple[str, dict[str, Any], str, str]  # kind, body, moment, who

TOLD: tuple[Told, ...] = (
    ("begin", {"title": "Loft", "system": {"name": "Ducted split"}}, "2026-01-02T03:04:05.006Z", "Ada"),
    ("finding", {"grams": 120.5, "at": ["λ", None, True], "big": 2**70}, "2026-01-02T03:09:05.006Z", "Bö"),
    ("undo", {"number": 2}, "2026-01-02T03:10:05.006Z", "Ada"),
    ("note", {"zero": -0.0, "tiny": 5e-324, "text": 'a "quoted"\nline'}, "2026-01-02T03:11:05.006Z", ""),
)


def first_format(path: Path, told: Sequence[Told] = TOLD) -> Path:
    """A closed job file of format 1."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("BEGIN")
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        connection.execute("PRAGMA user_version=1")
        connection.execute(TABLE)
        previous = bytes(32)
        for number, (kind, body, moment, who) in enumerate(told, start=1):
            text = json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            content = json.dumps([number, kind, text, moment, who])
            previous = hashlib.sha256(previous + content.encode("ascii")).digest()
            row = (number, kind, text, moment, who, previous)
            connection.execute("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", row)
        connection.execute("COMMIT")
    return path


def stored(path: Path) -> tuple[int, list[Any]]:
    """Format and rows of a job file, as they are stored."""
    with closing(sqlite3.connect(path)) as connection:
        return version(path), connection.execute("SELECT * FROM event ORDER BY number").fetchall()


def last_checksum(path: Path) -> bytes:
    """Of the last event, as it is stored."""
    with closing(sqlite3.connect(path)) as connection:
        found: bytes = connection.execute("SELECT checksum FROM event ORDER BY number DESC").fetchone()[0]
        return found


def version(path: Path) -> int:
    """Offset 60 of the header: sqlite.org/fileformat2.html, section 1.3."""
    return int.from_bytes(path.read_bytes()[60:64], "big")

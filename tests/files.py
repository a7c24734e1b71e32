"""Journal files with a few events, for tests of the store."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from tracker.journal.progress import Recorded
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import Genesis, Row, seal

GENESIS = Genesis("0f", "2031-05-04T14:00:00.000Z", False, "larkspur", "format: 1\n")
WHEN = datetime(2031, 5, 4, 14, 0, 0, tzinfo=UTC)


def note(number: int, before: str) -> Row:
    return seal(Recorded(number, "noted", 0.0, True, WHEN, "op@desk", {"text": "x" * 200}), before)


def append(store: SqliteStore, count: int = 1, *, together: bool = False) -> None:
    """Append notes, each by itself or all together."""
    known = store.rows()
    before = known[-1].hash if known else store.genesis.hash
    rows = []
    for number in range(len(known) + 1, len(known) + 1 + count):
        rows.append(note(number, before))
        before = rows[-1].hash
    for block in [rows] if together else [[row] for row in rows]:
        with store.writing():
            for row in block:
                store.append(row)


def write_ahead(path: Path) -> None:
    """Let a journal be as older programs keep it: what is committed goes to a file beside it first."""
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA journal_mode=WAL").fetchone() == ("wal",)


def folder(path: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in sorted(path.parent.iterdir()) if entry.is_file()}

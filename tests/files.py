"""Journal files with a few events, for tests of the store."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from tracker.journal.progress import Recorded
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import Genesis, Row, seal

GENESIS = Genesis("0f", "2031-05-04T14:00:00.000Z", False, "larkspur", "format: 1\n")
WHEN = datetime(2031, 5, 4, 14, 0, 0, tzinfo=UTC)


def note(number: int, before: str) -> Row:
    return seal(Recorded(number, "noted", 0.0, True, WHEN, "op@desk", {"text": "x" * 200}), before)


def append(store: SqliteStore, count: int = 1) -> None:
    rows = store.rows()
    before = rows[-1].hash if rows else store.genesis.hash
    for number in range(len(rows) + 1, len(rows) + 1 + count):
        row = note(number, before)
        with store.writing():
            store.append(row)
        before = row.hash


def folder(path: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in sorted(path.parent.iterdir()) if entry.is_file()}

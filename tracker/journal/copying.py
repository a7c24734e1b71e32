"""Copies a journal: the same plan, seed, events and hashes in a new file, or no file at all."""

from __future__ import annotations

from pathlib import Path

from tracker.foundation.errors import JournalError
from tracker.journal.derived import derived_rows
from tracker.journal.origin import replay, start_fold
from tracker.journal.sqlite import SqliteStore
from tracker.journal.verify import Verdict, verify


def copy(source: Path, target: Path) -> Verdict:
    """Copy a sound journal into a file that does not exist yet, and return what the copy was found to hold.

    Raises JournalError when the source is not sound, the target exists, or the copy is not as good as it.
    """
    verdict = verify(source)
    if verdict.fault is not None:
        raise JournalError(f"{source}: not sound, so not copied: {verdict.fault}")
    original = SqliteStore.open(source, read_only=True)
    try:
        SqliteStore.create(target, original.genesis, fill=lambda new: _fill(original, new)).close()
    finally:
        original.close()
    copied = verify(target, (verdict.events, verdict.hash))
    if copied.fault is not None:
        raise JournalError(f"{target}: the copy is not sound: {copied.fault}")
    return copied


def _fill(original: SqliteStore, new: SqliteStore) -> None:
    """Write every event and estimate of one store, and what the events add up to, into another."""
    rows, genesis = original.rows(), original.genesis
    fold, _ = replay(start_fold(genesis, original.name), genesis.hash, rows, original.name)
    with new.writing():
        for row in rows:
            new.append(row)
        for table, cells in derived_rows(fold.progress()).items():
            new.derive(table, cells, [])
        for estimate in original.shown():
            new.show(estimate)

"""A sound journal from what can still be read of a damaged one, and from what outboxes know.

The pages of the file are read one by one, whatever the database makes of them, and an event is taken only
where its hash fits what came before. A number that nobody knows gets a note in its place, so that every other
event keeps its own; from there on the chain is made anew.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tracker.foundation.errors import EventError, JournalError
from tracker.foundation.text import plain
from tracker.journal import files
from tracker.journal.asrun import derived_rows
from tracker.journal.fold import Fold
from tracker.journal.journal import start_fold
from tracker.journal.outbox import known_rows
from tracker.journal.pages import records
from tracker.journal.progress import Recorded
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import Genesis, Row, seal, unseal
from tracker.journal.verify import Verdict, verify

Candidates = Mapping[int, Sequence[Row]]


@dataclass(frozen=True, slots=True)
class Rescued:
    """What was saved, and what was not."""

    verdict: Verdict
    """Of the new journal."""
    missing: tuple[str, ...]
    """A line for every event that could not be put back as it was."""


def rescue(path: Path, target: Path, outboxes: Iterable[Path]) -> Rescued:
    """Write what can be read of a journal, and of outboxes in some folders, into a new one.

    Raises JournalError when the plan is nowhere to be read, or the new journal cannot be written.
    """
    found: defaultdict[int, list[Row]] = defaultdict(list)
    beginnings: list[Genesis] = []
    for cells in _records(path):
        _sort_out(cells, found, beginnings)
    for genesis, rows in known_rows(outboxes, {one.uuid for one in beginnings}, str(path.resolve())):
        beginnings.append(genesis)
        for row in rows:
            found[row.number].append(row)
    if not beginnings:
        raise JournalError(f"{path}: the plan cannot be read, and no outbox knows this journal")
    genesis = beginnings[0]
    start = start_fold(genesis, str(path))
    rows, missing = _in_order(start, genesis.hash, found)
    _write(target, genesis, rows, start.add_all(unseal(row) for row in rows))
    verdict = verify(target)
    if verdict.fault is not None:
        raise JournalError(f"{target}: what was rescued is not sound: {verdict.fault}")
    return Rescued(verdict, tuple(missing))


def _records(path: Path) -> Iterator[tuple[int, list[Any]]]:
    """Yield every record of the file's pages, once what a killed writer left is taken back."""
    if not path.is_file():
        return
    folder, copy = files.private_copy(path)
    with folder:
        with contextlib.suppress(sqlite3.Error), closing(sqlite3.connect(copy)) as db:
            db.execute("SELECT count(*) FROM sqlite_master").fetchall()
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        yield from records(copy.read_bytes())


def _sort_out(
    record: tuple[int, list[Any]], found: defaultdict[int, list[Row]], beginnings: list[Genesis]
) -> None:
    """Take a record for an event, or for what the journal was created with, where it is one."""
    number, cells = record
    with contextlib.suppress(ValueError, TypeError, AttributeError):
        if len(cells) == 8 and cells[0] is None and isinstance(cells[1], str):
            kind, at, stated, *rest = cells[1:]
            row = Row(number, kind, float(at), stated == 1, *rest)
            unseal(row)
            found[number].append(row)
        elif len(cells) == 10 and cells[0] is None:
            form, uuid, created, rehearsal, plan_name, plan, pace_name, pace, digest = cells[1:]
            genesis = Genesis(uuid, created, rehearsal == 1, plan_name, plan, pace_name, pace, form)
            if genesis.hash == digest:
                beginnings.append(genesis)


def _in_order(fold: Fold, digest: str, found: Candidates) -> tuple[list[Row], list[str]]:
    """The events from 1 on, sealed in a chain, and what is said of those that are not as they were."""
    rows: list[Row] = []
    missing: list[str] = []
    whole = True
    for number in range(1, max(found, default=0) + 1):
        known = found.get(number, ())
        fits = [row for row in known if row.sealed_after(digest)]
        after = found.get(number + 1, ())
        guess = fits or [row for row in known if any(one.sealed_after(row.hash) for one in after)] or known
        event = unseal(guess[0]) if guess else None
        fold, taken, why = _added(fold, number, event)
        if why is not None:
            missing.append(f"event {number}: {why}")
        if why is None and not fits and whole:
            missing.append(f"from event {number} on the chain of hashes is made anew")
        whole = bool(fits) and why is None
        rows.append(fits[0] if whole else seal(taken, digest))
        digest = rows[-1].hash
    return rows, missing


def _added(fold: Fold, number: int, event: Recorded | None) -> tuple[Fold, Recorded, str | None]:
    """The fold with an event, or with a note in its place; the event, and why it is a note."""
    why = "nothing of it can be read"
    if event is not None:
        with contextlib.suppress(EventError, LookupError, TypeError, ValueError, AttributeError):
            return fold.add(event), event, None
        body = json.dumps(dict(event.body), ensure_ascii=False)
        why = f"impossible without what is missing: {event.kind} by {event.seat}: {body}"
    last = fold.recorded[-1] if fold.recorded else None
    when = event.recorded if event else last.recorded if last else datetime.fromisoformat(_NEVER)
    note = {"text": plain(f"lost, put here by tracker rescue: {why}", most=5000)}
    put = Recorded(number, "noted", fold.at, True, when, "tracker rescue", note)
    return fold.add(put), put, plain(why, most=300)


_NEVER = "1970-01-01T00:00:00+00:00"


def _write(target: Path, genesis: Genesis, rows: Iterable[Row], fold: Fold) -> None:
    """Write a new journal of these rows."""

    def fill(new: SqliteStore) -> None:
        with new.writing():
            for row in rows:
                new.append(row)
            for table, cells in derived_rows(fold.progress()).items():
                new.derive(table, cells, [])

    SqliteStore.create(target, genesis, fill=fill).close()

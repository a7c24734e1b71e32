"""What an earlier sitting left in an outbox goes on record, or is told why it cannot."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from tracker.foundation.errors import EventError, JournalError
from tracker.foundation.text import count, plain
from tracker.foundation.times import format_instant
from tracker.journal.outbox import Kept, Outbox
from tracker.journal.progress import Folded
from tracker.journal.sitting import Sitting
from tracker.journal.store import Genesis, Row


class Writable(Protocol):
    """What is asked here of the journal that somebody sits down at."""

    sitting: Sitting

    @property
    def path(self) -> Path:
        """Where it lives."""

    @property
    def genesis(self) -> Genesis:
        """What it was created with."""

    @property
    def fold(self) -> Folded:
        """What is on record."""

    def rows(self, numbers: Sequence[int]) -> list[Row]:
        """The rows of some events that follow one another."""

    def record_all(
        self,
        events: Iterable[Mapping[str, Any]],
        *,
        seat: str | None = None,
        utc_now: datetime | None = None,
        job: str | None = None,
    ) -> list[int]:
        """Append events together and return their numbers."""


def sit(journal: Writable, folder: Path, seat: str | None = None) -> tuple[str, ...]:
    """Sit down at a journal with an outbox; what is to be said of what is missing and of what was left there.

    The seat gets the name of the first free sitting. Raises JournalError when no outbox can be kept.
    """
    place, sitting = str(journal.path.resolve()), journal.sitting
    sitting.take(Outbox.sit(folder, journal.genesis, place, seat or sitting.seat))
    outbox, rows = sitting.outbox, journal.rows(range(1, journal.fold.number + 1))
    assert outbox is not None
    lost = outbox.lost({row.number: row.hash for row in rows})
    said = [f"{place}: {lost}"] if lost else []
    try:
        outbox.saw([] if lost else rows, at_once=True)
    except JournalError as error:
        said.append(f"the outbox cannot be written: {error.lines[0]}")
    return (*said, *send_left(journal, outbox, folder))


def send_left(journal: Writable, own: Outbox, folder: Path) -> Iterator[str]:
    """Yield what is to be said of presses that were left in this user's outboxes, once they were sent.

    Each keeps the instant of its press and its seat, and is written once whatever happened to the try before.
    What contradicts the record by now becomes a note on it.
    """
    place = str(journal.path.resolve())
    yield from _send(journal, own)
    for other in Outbox.left_behind(folder, journal.genesis, place):
        with closing(other):
            yield from _send(journal, other)


def _send(journal: Writable, outbox: Outbox) -> Iterator[str]:
    sent: list[int] = []
    since = None
    for kept in outbox.waiting():
        since = since or kept.pressed
        try:
            numbers = journal.record_all(kept.events, seat=kept.seat, utc_now=kept.pressed, job=kept.job)
        except EventError as error:
            yield _put_down(journal, kept, error)
            outbox.settle(kept.job, "let go", words=error.lines[0])
        except JournalError as error:
            left = count(len(outbox.waiting()), "press", "presses")
            yield f"{left} kept in {outbox.path}: {error.lines[0]}"
            return
        else:
            outbox.settle(kept.job, "recorded", rows=journal.rows(numbers))
            sent += numbers
    if sent and since is not None:
        what = f"event {sent[0]}" if len(sent) == 1 else f"events {sent[0]} to {sent[-1]}"
        yield f"kept here since {format_instant(since)} and saved: {what}"


def _put_down(journal: Writable, kept: Kept, error: EventError) -> str:
    """Put on record what was pressed and cannot be; the words for it."""
    events = "; ".join(json.dumps(dict(event), ensure_ascii=False) for event in kept.events)
    words = plain(
        f"pressed {format_instant(kept.pressed)} by {kept.seat}, refused since: {events}: {error.lines[0]}",
        most=2000,
    )
    note: Mapping[str, Any] = {"kind": "noted", "text": words}
    try:
        (number,) = journal.record_all([note])
    except EventError:
        (number,) = journal.record_all([{**note, "at": int(journal.fold.at)}])
    return f"{words} (note {number})"

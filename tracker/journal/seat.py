"""Who sits at a journal: the name they write under, the outbox that keeps what they press, and what was left.

What an earlier sitting left in an outbox goes on record, or is told why it cannot.
"""

from __future__ import annotations

import getpass
import os
import socket
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from tracker.foundation import clock
from tracker.foundation.errors import EventError, JournalError
from tracker.foundation.text import count, plain
from tracker.foundation.times import format_instant
from tracker.journal.kept_press import Kept, State, is_moot, refused_words
from tracker.journal.outbox import Outbox, gone_to
from tracker.journal.place import Place, resolved
from tracker.journal.progress import Folded
from tracker.journal.store import Forked, Genesis, Row


def default_seat() -> str:
    """Return `user@host`, the name of a seat that was not named."""
    try:
        user = getpass.getuser()
    except (KeyError, ImportError, OSError):
        user = str(os.getuid())
    return plain(f"{user}@{socket.gethostname()}", most=80)


class Sitting:
    """One seat of one journal. An outbox that cannot be written is said, and holds nothing up."""

    def __init__(self) -> None:
        self.seat = default_seat()
        """Who writes where nobody else is named."""
        self.outbox: Outbox | None = None
        """Where presses are kept until they are on record; None where none is kept."""
        self.trouble: str | None = None
        """Why the outbox could not be written; None where it could."""

    def take(self, outbox: Outbox) -> None:
        """Sit down at an outbox, under its name."""
        self.outbox, self.seat = outbox, outbox.seat

    def keep(
        self, job: str | None, pressed: datetime, events: Sequence[Mapping[str, Any]], known: int
    ) -> str | None:
        """Keep what was pressed before it is recorded; the name under which it is written once."""
        if self.outbox is None:
            return job
        job = job or str(uuid.uuid4())
        try:
            self.outbox.put(job, pressed, events, known)
        except JournalError as error:
            self.trouble = error.lines[0]
        else:
            self.trouble = None
        return job

    def clock(self, known: int) -> clock.ClockBegan | None:
        """When the clock that this seat goes by began; None where no outbox keeps it."""
        boot = clock.boot_id()
        if self.outbox is None or boot is None:
            return None
        try:
            return self.outbox.clock(boot, clock.utc_now(), clock.boot_s(), known)
        except JournalError as error:
            self.trouble = error.lines[0]
            return None

    def keeps(self, job: str) -> bool:
        """Whether a press is on this seat's disk."""
        return self.outbox is not None and self.outbox.keeps(job)

    def settle(
        self,
        job: str | None,
        state: State,
        *,
        rows: Sequence[Row] = (),
        words: str | None = None,
        at_once: bool = False,
    ) -> None:
        """Note what became of a press; what cannot be written at once is written with the next."""
        if self.outbox is not None and job is not None:
            try:
                self.outbox.settle(job, state, rows=rows, words=words, at_once=at_once)
            except JournalError as error:
                self.trouble = error.lines[0]

    def waiting(self) -> tuple[Kept, ...]:
        """The presses of this seat that are still to be sent, as far as its disk can be read."""
        return self._read(Outbox.waiting)

    def refused(self) -> tuple[Kept, ...]:
        """The presses of this seat that are to be decided on, as far as its disk can be read."""
        return self._read(Outbox.refused)

    def _read(self, which: Callable[[Outbox], tuple[Kept, ...]]) -> tuple[Kept, ...]:
        try:
            return () if self.outbox is None else which(self.outbox)
        except JournalError as error:
            self.trouble = error.lines[0]
            return ()

    def saw(self, rows: Sequence[Row]) -> None:
        """Note what others put on record."""
        if self.outbox is not None:
            self.outbox.saw(rows)

    def close(self) -> None:
        """Leave."""
        if self.outbox is not None:
            self.outbox.close()


class Writable(Protocol):
    """What is asked here of the journal that somebody sits down at."""

    sitting: Sitting

    @property
    def place(self) -> Place:
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
        sent: datetime | None = None,
        job: str | None = None,
    ) -> list[int]:
        """Append events together and return their numbers."""


def sit(journal: Writable, folder: Path, seat: str | None = None) -> tuple[str, ...]:
    """Sit down at a journal with an outbox; what is to be said of what is missing and of what was left there.

    The seat gets the name of the first free sitting. Raises JournalError when no outbox can be kept.
    """
    place, sitting = resolved(journal.place), journal.sitting
    sitting.take(Outbox.sit(folder, journal.genesis, place, seat or sitting.seat))
    outbox, rows = sitting.outbox, journal.rows(range(1, journal.fold.number + 1))
    assert outbox is not None
    try:
        lost = outbox.lost({row.number: row.hash for row in rows})
        if there := gone_to(folder, journal.genesis.uuid, place):
            raise Forked(f"{place}: is another history by now: this user went on in {there}; open that")
    except JournalError:
        sitting.close()
        raise
    said = [f"{place}: {lost}"] if lost else []
    try:
        outbox.saw([] if lost else rows, at_once=True)
    except JournalError as error:
        said.append(f"the outbox cannot be written: {error.lines[0]}")
    try:
        said += send_left(journal, outbox, folder)
    except JournalError as error:
        said.append(f"what was left here waits: {error.lines[0]}")
    return tuple(said)


def send_left(journal: Writable, own: Outbox, folder: Path) -> Iterator[str]:
    """Yield what is to be said of presses that were left in this user's outboxes, once they were sent.

    Each counts at the instant of its press, keeps its seat, and is written once whatever happened to the try
    before. What contradicts the record by now stays in this seat's own outbox until it is decided on.
    """
    place = resolved(journal.place)
    yield from _send(journal, own, own)
    for other in Outbox.left_behind(folder, journal.genesis, place):
        with closing(other):
            yield from _send(journal, other, own)


def _send(journal: Writable, outbox: Outbox, own: Outbox) -> Iterator[str]:
    sent: list[int] = []
    since = None
    for kept in outbox.waiting():
        since = since or kept.pressed
        try:
            numbers = journal.record_all(
                kept.events, seat=kept.seat, utc_now=kept.pressed, sent=clock.utc_now(), job=kept.job
            )
        except EventError as error:
            state: State = "taken back" if is_moot(kept, outbox.waiting()) else "refused"
            outbox.settle(kept.job, state, words=error.lines[0], at_once=True)
        except JournalError as error:
            left = count(len(outbox.waiting()), "press", "presses")
            yield f"{left} kept in {outbox.path}: {error.lines[0]}"
            return
        else:
            outbox.settle(kept.job, "recorded", rows=journal.rows(numbers))
            sent += numbers
    for kept in outbox.refused():
        if outbox is not own:
            own.adopt(kept)
            outbox.settle(kept.job, "replaced", words=f"taken over by {own.seat}", at_once=True)
        yield f"{refused_words(kept)}; to be decided on at the desk"
    if sent and since is not None:
        what = f"event {sent[0]}" if len(sent) == 1 else f"events {sent[0]} to {sent[-1]}"
        yield f"kept here since {format_instant(since)} and saved: {what}"

"""Who sits at a journal: the name under which they write, and the outbox that keeps what they press."""

from __future__ import annotations

import getpass
import os
import socket
import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from tracker.foundation.errors import JournalError
from tracker.foundation.text import plain
from tracker.journal.store import Row

if TYPE_CHECKING:
    from tracker.journal.outbox import Outbox, State


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

    def keeps(self, job: str) -> bool:
        """Whether a press is on this seat's disk."""
        return self.outbox is not None and self.outbox.keeps(job)

    def settle(
        self, job: str | None, state: State, *, rows: Sequence[Row] = (), words: str | None = None
    ) -> None:
        """Note what became of a press."""
        if self.outbox is not None and job is not None:
            self.outbox.settle(job, state, rows=rows, words=words)

    def saw(self, rows: Sequence[Row]) -> None:
        """Note what others put on record."""
        if self.outbox is not None:
            self.outbox.saw(rows)

    def close(self) -> None:
        """Leave."""
        if self.outbox is not None:
            self.outbox.close()

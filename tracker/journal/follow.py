"""Follows a journal that somebody else writes, without ever writing it."""

from __future__ import annotations

from contextlib import AbstractContextManager

from tracker.foundation.clock import pause
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal, watched
from tracker.journal.place import Place, place_of
from tracker.journal.progress import Progress, Recorded
from tracker.journal.store import Lost


class Follower(AbstractContextManager["Follower"]):
    """A journal as it grows; keeps what it last knew when the file cannot be read for a while."""

    def __init__(self, place: str | Place) -> None:
        """Open a journal to read; JournalError when it is none."""
        self._place = place_of(place)
        self._journal: Journal | None = watched(self._place)
        self._fold, self._hash = self._journal.fold, self._journal.hash
        self.uuid = self._journal.genesis.uuid
        """The journal that is followed; a file of another one in its place is not read."""
        self.trouble: str | None = None
        """Why the journal could not be read at the last look; None when it could."""

    @property
    def number(self) -> int:
        """Number of the last event known."""
        return self._fold.number

    @property
    def progress(self) -> Progress:
        """What the events known add up to."""
        return self._fold.progress()

    @property
    def journal(self) -> Journal | None:
        """The journal, opened to read; None while it cannot be read."""
        return self._journal

    def changes(self, since: int) -> tuple[Recorded, ...]:
        """Return the events known with a number greater than `since`, in order."""
        return self._fold.recorded[max(since, 0) :]

    def look(self) -> tuple[Recorded, ...]:
        """Return what was appended since the last look; cheap when there is nothing, and never an error."""
        known = self.number
        try:
            journal = self._journal or self._open_again()
            journal.refresh()
        except Lost as error:
            # The store goes on by itself once there is an answer.
            self.trouble = error.lines[0]
            return ()
        except JournalError as error:
            self.trouble = error.lines[0]
            self.close()
            return ()
        self._journal, self._fold, self._hash, self.trouble = journal, journal.fold, journal.hash, None
        return self.changes(known)

    def wait(self, seconds: float) -> None:
        """Let time pass until somebody may have written, at most so long."""
        if self._journal is None:
            pause(seconds)
        else:
            self._journal.wait(seconds)

    def close(self) -> None:
        """Let go of the store."""
        if self._journal is not None:
            self._journal.close()
        self._journal = None

    def __exit__(self, *_: object) -> None:
        self.close()

    def _open_again(self) -> Journal:
        journal = watched(self._place)
        if journal.genesis.uuid != self.uuid or journal.number < self.number:
            journal.close()
            raise JournalError(f"{self._place}: another journal, or less of it, is in its place now")
        if self.number and journal.rows([self.number])[0].hash != self._hash:
            journal.close()
            raise JournalError(f"{self._place}: another history is in its place now")
        return journal

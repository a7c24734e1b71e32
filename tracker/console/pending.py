"""What was pressed and is not on disk yet, in its order, and what will stand once it is. Reads no clock."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from tracker.console.view.scene import Mark
from tracker.console.writer import Job
from tracker.foundation.errors import TrackerError

if TYPE_CHECKING:
    from tracker.journal.fold import Fold

PATIENCE_S = 0.1
"""After this time without an answer from the disk the screen says *saving*."""
STAMP = timedelta(milliseconds=1)
"""Between two key presses, so that what was written together can be told from what was not."""
MARKED = {"done": "done", "counted": "count", "skipped": "skip", "withdrawn": "back", "called": "call"}
MARKED |= {"held": "held", "went": "go", "reading": "read", "noted": "note"}
"""The word of a write beside a name, in five letters; any other is *disk*."""


@dataclass
class Pending:
    """A job on its way to the disk."""

    job: Job
    words: str
    crew: tuple[str, ...]
    since: float
    unsaved: str = ""
    """Why it could not be written so far."""
    taken_back: bool = False
    """Whether it was taken back before the disk answered."""

    @property
    def mark(self) -> Mark:
        """What stands beside the names until it is on disk."""
        return Mark("unsaved", "unsaved") if self.unsaved else Mark("saving", "saving")

    def written(self, number: int) -> Mark:
        """Return what stands beside the names for a moment once it is on disk."""
        return Mark("disk", f"{MARKED.get(str(self.job.events[0].get('kind')), 'disk')} {number}")

    @property
    def is_undo(self) -> bool:
        """Whether it takes something back itself."""
        return all(event.get("kind") == "withdrawn" for event in self.job.events)


@dataclass
class Queue:
    """Jobs that wait for the disk, by token, the oldest first."""

    jobs: dict[int, Pending] = field(default_factory=dict)

    def late(self, mono: float) -> list[Pending]:
        """Return the jobs that have waited for longer than a moment."""
        return [p for p in self.jobs.values() if mono - p.since > PATIENCE_S and not p.taken_back]

    def newest(self) -> Pending | None:
        """Return the latest job that an undo would mean; None where nothing of the kind waits."""
        found = [p for p in self.jobs.values() if not p.taken_back and not p.is_undo]
        return found[-1] if found else None

    def onto(self, fold: Fold, seat: str) -> Fold:
        """Return the fold with everything that waits on top; what it contradicts is left out."""
        for pending in self.jobs.values():
            if pending.taken_back:
                continue
            try:
                fold = admitted(fold, pending.job, seat)
            except TrackerError:
                continue
        return fold


@dataclass
class Shelf:
    """What was taken out of the queue before it was on disk, so that it can be brought back, latest first."""

    _kept: list[Pending | None] = field(default_factory=list)
    """None stands for an undo of something on disk that came later: that is brought back first."""

    def put(self, pending: Pending) -> None:
        """Keep what the writer has left out."""
        self._kept.append(pending)

    def mind(self, fold: Fold, job: Job) -> None:
        """Mind what is written: an undo lies on top, what it brings back does not; all else forgets."""
        undone = {e.number for e in fold.recorded if e.kind == "withdrawn"}
        numbers = {event.get("event") for event in job.events if event.get("kind") == "withdrawn"}
        if not numbers:
            self._kept.clear()
        elif self._kept and not numbers & undone:
            self._kept.append(None)

    def take(self, token: int, mono: float) -> Pending | None:
        """Return what is brought back now, as a new job; None where it is an undo on disk, or nothing."""
        kept = self._kept.pop() if self._kept else None
        if kept is None:
            return None
        return Pending(replace(kept.job, token=token), kept.words, kept.crew, mono)


def admitted(fold: Fold, job: Job, seat: str) -> Fold:
    """Return the fold with a job's events; EventError says why they cannot be."""
    return tried(fold, job, seat)[0]


def tried(fold: Fold, job: Job, seat: str) -> tuple[Fold, tuple[str, ...]]:
    """Return the fold with a job's events and what is unusual about them; EventError: they cannot be."""
    from tracker.journal.admission import admit

    unusual: tuple[str, ...] = ()
    for event in job.events:
        _, fold, more = admit(fold, event, utc_now=job.utc, seat=seat)
        unusual += more
    return fold, unusual


def later(utc: datetime, before: datetime | None) -> datetime:
    """Return an instant, a moment after the one before it where a clock tells no difference."""
    near = before is not None and before - timedelta(seconds=1) < utc < before + STAMP
    return before + STAMP if before is not None and near else utc

"""What was pressed at a desk and is not known to be in the journal yet: what stands on the screen over it.

Hides which of it has waited for long, what an undo means among it, and what was taken back unwritten.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from tracker.console.key_events import EventBatch
from tracker.console.view.scene import Mark
from tracker.console.view.words import TOOK_BACK
from tracker.console.writer import Job, Unsaved, Written
from tracker.foundation.errors import TrackerError
from tracker.journal.kept_press import taken_back_by, undo_name, withdrawals
from tracker.journal.progress import Folded, Progress

PATIENCE_S = 0.1
"""After this time without an answer from the disk the screen says *saving*."""


@dataclass
class PendingWrite:
    """A job on its way to the disk."""

    job: Job
    words: str
    crew: tuple[str, ...]
    since: float
    unsaved: str = ""
    """Why it could not be written so far."""
    kept: bool = False
    """Whether it is on this seat's own disk meanwhile."""
    sent: bool = False
    """Whether it may be there although no answer came."""
    taken_back: bool = False
    """Whether it was taken back before the disk answered."""

    def not_written(self, report: Unsaved) -> str:
        """Note why it could not be written; why it could not before."""
        known, self.unsaved, self.kept, self.sent = self.unsaved, report.words, report.kept, report.sent
        return known

    def taken_back_by_name(self) -> EventBatch:
        """What takes it back where it may be there: it waits behind it, on disk like any press."""
        return EventBatch(
            ({"kind": "withdrawn", "job": self.job.id},), f"{TOOK_BACK}: {self.words}", self.crew
        )

    def taken_back_late(self, report: Written, token: int, mono: float) -> PendingWrite:
        """What takes it back although it is written: the writer's own, or one that is still to be sent."""
        late = Job(token, withdrawals(report.numbers), self.job.utc, undo_name(self.job.id))
        words = f"{TOOK_BACK} {report.numbers[-1]}: {self.words}"
        return PendingWrite(report.undo or late, words, self.crew, mono)

    @property
    def mark(self) -> Mark:
        """What stands beside the names until it is on disk."""
        if not self.unsaved:
            return Mark("saving", "saving")
        return Mark("kept", "kept") if self.kept else Mark("unsaved", "unsaved")

    def written(self, number: int) -> Mark:
        """Return what stands beside the names for a moment once it is on disk."""
        return Mark("disk", f"entry {number}")

    def told(self, number: int, undo: str) -> str:
        """Return what is said once it is in the journal, and the key that takes it back."""
        return self.words if self.is_undo else f"entry {number} saved: {self.words}   {undo} takes it back"

    @property
    def is_undo(self) -> bool:
        """Whether it takes something back itself."""
        return all(event.get("kind") == "withdrawn" for event in self.job.events)


@dataclass
class Queue:
    """Jobs that wait for the disk, by token, the oldest first."""

    jobs: dict[int, PendingWrite] = field(default_factory=dict)

    def late(self, mono: float) -> list[PendingWrite]:
        """Return the jobs that have waited for longer than a moment."""
        return [p for p in self.jobs.values() if mono - p.since > PATIENCE_S and not p.taken_back]

    def newest(self) -> PendingWrite | None:
        """Return the latest job that an undo would mean; None where nothing of the kind waits."""
        gone = self._taken_back()
        found = [p for p in self.jobs.values() if not p.taken_back and not p.is_undo and p.job.id not in gone]
        return found[-1] if found else None

    def onto(self, fold: Folded, seat: str) -> Folded:
        """Return the fold with everything that waits on top; what it contradicts is left out."""
        gone = self._taken_back()
        for pending in self.jobs.values():
            if pending.taken_back or pending.job.id in gone or taken_back_by(pending.job.events):
                continue
            try:
                fold = admitted(fold, pending.job, seat)
            except TrackerError:
                continue
        return fold

    def _taken_back(self) -> set[str]:
        """The names of the jobs that a later one takes back."""
        return {name for pending in self.jobs.values() for name in taken_back_by(pending.job.events)}

    def put(self, pending: PendingWrite, ahead: Folded, on_disk: Progress | None, seat: str) -> Folded:
        """The fold with one more job on top, which waits from now on; TrackerError says why it cannot.

        `ahead` is the fold with all that waits so far, `on_disk` what is in the journal.
        """
        by_name = bool(taken_back_by(pending.job.events))
        fold = ahead if by_name else admitted(ahead, pending.job, seat)
        self.jobs[pending.job.token] = pending
        return self.onto(on_disk.fold, seat) if by_name and on_disk is not None else fold

    def written(self, report: Written) -> PendingWrite | None:
        """Take out a job that is in the journal; what takes it back by name means its numbers from now on."""
        job = self.jobs.pop(report.token, None)
        events = withdrawals(report.numbers)
        for pending in self.jobs.values():
            if job is not None and job.job.id in taken_back_by(pending.job.events):
                pending.job = replace(pending.job, events=events)
        return job


@dataclass
class RedoStack:
    """What was taken out of the queue before it was on disk, latest first: a redo sends it."""

    _kept: list[PendingWrite | None] = field(default_factory=list)
    """None stands for an undo of something on disk that came later: that is put on record first."""

    def put(self, pending: PendingWrite) -> None:
        """Keep what the writer has left out."""
        self._kept.append(pending)

    def mind(self, fold: Folded, job: Job) -> None:
        """Mind what is written: an undo lies on top, what it brings back does not; all else forgets."""
        undone = {e.number for e in fold.recorded if e.kind == "withdrawn"}
        numbers = {event.get("event") for event in job.events if event.get("kind") == "withdrawn"}
        if not numbers:
            self._kept.clear()
        elif self._kept and not numbers & undone:
            self._kept.append(None)

    def take(self, token: int, mono: float) -> PendingWrite | None:
        """Return what a redo sends now, as a new job; None where it is an undo on disk, or nothing."""
        kept = self._kept.pop() if self._kept else None
        if kept is None:
            return None
        again = Job(token, kept.job.events, kept.job.utc)
        return PendingWrite(again, kept.words, kept.crew, mono)


def admitted(fold: Folded, job: Job, seat: str) -> Folded:
    """Return the fold with a job's events; EventError says why they cannot be."""
    return tried(fold, job, seat)[0]


def tried(fold: Folded, job: Job, seat: str) -> tuple[Folded, tuple[str, ...]]:
    """Return the fold with a job's events and what is unusual about them; EventError: they cannot be."""
    from tracker.journal.event_checks import admit

    unusual: tuple[str, ...] = ()
    for event in job.events:
        _, fold, more = admit(fold, event, utc_now=job.utc, seat=seat)
        unusual += more
    return fold, unusual


MARK_S = 4.0
"""How long the last write stands beside a name."""


def shown_marks(
    written: Mapping[str, tuple[Mark, float]], waiting: Sequence[PendingWrite], mono: float
) -> dict[str, Mark]:
    """Return what stands beside the names: what was just written, and what waits for the disk."""
    marks = {crew: mark for crew, (mark, since) in written.items() if mono - since < MARK_S}
    for pending in waiting:
        marks.update(dict.fromkeys(pending.crew, pending.mark))
    return marks

"""What was pressed and is not in the journal yet, and the thread that writes it: the screen never waits.

What cannot be written stays first in the queue and is tried again every second; it is reported as
unsaved until it is on disk, or refused in words. Hides which of it has waited for long, what an undo means
among it, and what was taken back unwritten.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from tracker.console.elsewhere import Elsewhere, go_on, offered, write_page
from tracker.console.view.scene import Mark
from tracker.forecast.values import Estimate
from tracker.foundation.clock import ClockBegan, utc_now
from tracker.foundation.errors import EventError, TrackerError
from tracker.journal.kept_press import Kept, State
from tracker.journal.kinds import BY_NAME
from tracker.journal.progress import Folded, Progress
from tracker.journal.store import Forked, Lost

RETRY_S = 1.0
"""How often the journal is looked at for what other seats wrote, and a failed write is tried again."""


@dataclass(frozen=True)
class Job:
    """Events to be written together."""

    token: int
    events: tuple[Mapping[str, Any], ...]
    utc: datetime
    """The instant of the key press: what the clock stamps."""
    id: str = field(default_factory=lambda: str(uuid4()), compare=False)
    """Names it in the journal and in the outbox, so that it is written once."""
    settles: tuple[str, State] | None = None
    """A press that was refused, and what becomes of it once this is on record."""


@dataclass(frozen=True)
class Opened:
    """The journal is open."""

    path: str
    progress: Progress
    seat: str
    """The name under which this seat writes."""
    clock: ClockBegan | None = None
    """When the clock that it goes by began, where that is kept."""


@dataclass(frozen=True)
class Failed:
    """The journal could not be opened; nothing more will come."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class Written:
    """A job is on disk."""

    token: int
    numbers: tuple[int, ...]
    progress: Progress


@dataclass(frozen=True)
class Refused:
    """A job was refused: it contradicts what is on record."""

    token: int
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Undecided:
    """What was kept here, has become impossible and is to be decided on: all of it, the oldest first."""

    presses: tuple[Kept, ...]


@dataclass(frozen=True)
class TakenBack:
    """A job was taken out of the queue before it was written."""

    token: int


@dataclass(frozen=True)
class Unsaved:
    """A job could not be written and waits."""

    token: int
    words: str
    kept: bool = False
    """Whether it is on this seat's own disk meanwhile."""


@dataclass(frozen=True)
class OthersWrote:
    """Another seat wrote something."""

    progress: Progress


@dataclass(frozen=True)
class Aside:
    """Something that can be done again later did not work: looking, keeping an estimate, the page."""

    words: str


@dataclass(frozen=True)
class Told:
    """Something about the journal that whoever sits here has to know."""

    words: str


@dataclass(frozen=True)
class Resumed:
    """What an earlier sitting left here and could not be sent yet: the first that is written."""

    jobs: tuple[Job, ...]


Report = (
    Resumed
    | Opened
    | Failed
    | Written
    | Refused
    | Undecided
    | TakenBack
    | Unsaved
    | OthersWrote
    | Aside
    | Told
)


@dataclass(frozen=True)
class _Stop:
    """The desk is being left."""


_Aside = Callable[[Any], object]
"""Something to be done with the journal that can be done again later."""
_Task = Job | Elsewhere | _Stop | _Aside


class Writer(threading.Thread):
    """Owns a journal; takes jobs, reports what became of them."""

    def __init__(
        self,
        open_journal: Callable[[], Any],
        seat: str | None,
        report: Callable[[Report], None],
        outbox: Path | None = None,
        utc_now: Callable[[], datetime] = utc_now,
    ) -> None:
        super().__init__(name="writer", daemon=True)
        self._open, self._seat, self._report, self._folder = open_journal, seat, report, outbox
        self._utc_now = utc_now
        self._waited_for = self._refuses = ""
        self.kept_in: Path | None = None
        """The outbox of this seat; None where none is kept."""
        self._sitting: Any = None
        self._waiting: list[Job] = []
        self._queue: queue.Queue[_Task] = queue.Queue()
        self._unwritten: dict[int, Job] = {}
        self._cancelled: set[int] = set()
        self._late: set[int] = set()
        """Jobs that had to wait because something could not be written at once."""
        self._sent: set[int] = set()
        """Jobs that may be there although no answer came: they are never left out."""

    def submit(self, job: Job) -> None:
        """Queue a job."""
        self._unwritten[job.token] = job
        self._queue.put(job)

    def cancel(self, token: int) -> None:
        """Leave a job out, unless it is written by then: one of the two is reported."""
        self._cancelled.add(token)

    def keep_estimate(self, figures: Mapping[str, Any], number: int) -> None:
        """Queue an estimate as it was shown after an event."""
        self._queue.put(lambda journal: journal.write_estimate(figures, number))

    def keep_page(self, progress: Progress, estimate: Estimate) -> None:
        """Queue a page for paper."""
        self._queue.put(lambda journal: write_page(journal, progress, estimate))

    def go_elsewhere(self, place: str) -> None:
        """Go on in another place, once the present one is gone or refuses."""
        self._queue.put(Elsewhere(place))

    def keeps(self, job: Job) -> bool:
        """Whether a job is in the outbox of this seat."""
        return self._sitting is not None and bool(self._sitting.keeps(job.id))

    def stop(self, timeout_s: float = 5.0) -> tuple[Job, ...]:
        """Write what is queued, close the journal, and return the jobs that are not on disk."""
        self._queue.put(_Stop())
        if self.is_alive():
            self.join(timeout_s)
        return tuple(self._unwritten.values())

    def run(self) -> None:
        """Open the journal, then write and look until told to stop."""
        try:
            journal = self._open()
            self._sitting, said = journal.sitting, self._sit(journal)
        except TrackerError as error:
            self._report(Failed(error.lines))
            return
        except Exception as error:
            self._report(Failed((f"the journal cannot be opened: {_words(error)}",)))
            return
        clock = None if self.kept_in is None else journal.sitting.clock(journal.number)
        self._report(Opened(journal.name, journal.progress(), self._seat or journal.sitting.seat, clock))
        for words in (*said, *([journal.notice] if journal.notice is not None else [])):
            self._report(Told(words))
        self._resume(journal)
        if refused := journal.sitting.refused():
            self._report(Undecided(refused))
        self._serve(journal)

    def _waits(self, words: str) -> None:
        """Say for whom a write waits, once for each, not with every try."""
        if words != self._waited_for:
            self._waited_for = words
            self._report(Told(words))

    def _sit(self, journal: Any) -> tuple[str, ...]:
        """Sit down with an outbox, except at a rehearsal; what is to be said of it."""
        if self._folder is None or journal.genesis.rehearsal:
            return ()
        from tracker.journal.seat import sit

        try:
            said = sit(journal, self._folder, self._seat)
        except Forked:
            journal.close()
            raise
        except TrackerError as error:
            return (f"no outbox, so what cannot be saved is nowhere on disk: {_words(error)}",)
        self._seat, self.kept_in = journal.sitting.seat, journal.sitting.outbox.path
        return said

    def _resume(self, journal: Any) -> None:
        """Take what is left in this seat's outbox for the first jobs."""
        left = journal.sitting.waiting()
        jobs = [Job(n - len(left), kept.events, kept.pressed, kept.job) for n, kept in enumerate(left)]
        for job in jobs:
            self._late.add(job.token)
            self.submit(job)
        if jobs:
            self._report(Resumed(tuple(jobs)))

    def _serve(self, journal: Any) -> None:
        task: _Task | None = None
        try:
            while not isinstance(task, _Stop):
                try:
                    task = self._queue.get(timeout=RETRY_S)
                except queue.Empty:
                    task = None
                try:
                    journal = self._do(journal, task)
                except Exception as error:
                    # Whatever it was, what is pressed later is to be written all the same.
                    self._report(Aside(_words(error)))
        finally:
            journal.close()

    def _do(self, journal: Any, task: _Task | None) -> Any:
        """Do one thing, and write all that waits; the journal to go on with."""
        journal.tell_waiting(self._waits)
        if isinstance(task, Job):
            self._waiting.append(task)
            self._keep(journal, task)
        self._work_off(journal)
        if isinstance(task, Elsewhere):
            there, words = go_on(journal, task.place, self._refuses)
            if there is not journal:
                journal, self._refuses, self._sitting = there, "", there.sitting
                self._report(Opened(there.name, there.progress(), self._seat or there.sitting.seat))
            self._report(Told(words))
        elif not isinstance(task, (Job, _Stop)):
            self._aside(journal, task)
        return journal

    def _keep(self, journal: Any, job: Job) -> None:
        """Put a press on this seat's own disk before anything else is tried."""
        before = journal.sitting.trouble
        journal.sitting.keep(job.id, job.utc, job.events, journal.number)
        if journal.sitting.trouble not in (None, before):
            self._report(Told(f"the outbox cannot be written: {journal.sitting.trouble}"))

    def _work_off(self, journal: Any) -> None:
        """Write what waits in its order, as far as it can be written."""
        while self._leave_out(journal):
            job = self._waiting[0]
            sent = self._utc_now() if job.token in self._late else None
            id = job.id if self.kept_in is not None else None
            try:
                numbers = journal.record_all(job.events, seat=self._seat, utc_now=job.utc, sent=sent, job=id)
                progress = journal.progress()
            except EventError as error:
                self._unwritten.pop(self._waiting.pop(0).token, None)
                self._refused(journal, job, error)
            except Exception as error:
                # Whatever went wrong, the event is not known to be on disk: it waits, and the screen says so.
                self._sent |= {job.token} if isinstance(error, Lost) else set()
                self._late |= set(self._unwritten)
                self._refuses = _words(error)
                for each in self._waiting:
                    self._report(Unsaved(each.token, self._refuses, self.keeps(each)))
                return
            else:
                self._unwritten.pop(self._waiting.pop(0).token, None)
                self._waited_for = self._refuses = ""
                self._report(Written(job.token, tuple(numbers), progress))
                if job.settles is not None:
                    journal.sitting.settle(*job.settles, at_once=True)
                    self._report(Undecided(journal.sitting.refused()))

    def _refused(self, journal: Any, job: Job, error: EventError) -> None:
        """Say that a job contradicts what is on record; one that was kept here meanwhile is not dropped."""
        self._report(Refused(job.token, error.lines))
        if job.token in self._late and self.kept_in is not None:
            journal.sitting.settle(job.id, "refused", words=error.lines[0], at_once=True)
            self._report(Undecided(journal.sitting.refused()))

    def _leave_out(self, journal: Any) -> bool:
        """Leave out what was taken back, also behind a job that the disk refuses; whether anything waits."""
        left_out = self._cancelled - self._sent
        for job in [job for job in self._waiting if job.token in left_out]:
            self._waiting.remove(job)
            self._unwritten.pop(job.token, None)
            journal.sitting.settle(job.id, "taken back", at_once=True)
            self._report(TakenBack(job.token))
        return bool(self._waiting)

    def _aside(self, journal: Any, task: _Aside | None) -> None:
        """Do what can be done again later, so that a disk that refuses it is no alarm."""
        try:
            if task is not None:
                task(journal)
            elif journal.refresh():
                self._report(OthersWrote(journal.progress()))
        except Exception as error:
            self._report(Aside(_words(error) + (offered(journal, self.kept_in) if task is None else "")))


def _words(error: Exception) -> str:
    """Return one line on what went wrong."""
    return str(error).splitlines()[0] if str(error) else type(error).__name__


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
    taken_back: bool = False
    """Whether it was taken back before the disk answered."""

    @property
    def mark(self) -> Mark:
        """What stands beside the names until it is on disk."""
        if not self.unsaved:
            return Mark("saving", "saving")
        return Mark("kept", "kept") if self.kept else Mark("unsaved", "unsaved")

    def written(self, number: int) -> Mark:
        """Return what stands beside the names for a moment once it is on disk."""
        return Mark("disk", f"{BY_NAME[self.job.events[0]['kind']].mark} {number}")

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
        found = [p for p in self.jobs.values() if not p.taken_back and not p.is_undo]
        return found[-1] if found else None

    def onto(self, fold: Folded, seat: str) -> Folded:
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
class RedoStack:
    """What was taken out of the queue before it was on disk, so that it can be brought back, latest first."""

    _kept: list[PendingWrite | None] = field(default_factory=list)
    """None stands for an undo of something on disk that came later: that is brought back first."""

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
        """Return what is brought back now, as a new job; None where it is an undo on disk, or nothing."""
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

"""What was pressed and is not in the journal yet, and the thread that writes it: the screen never waits.

What cannot be written stays first in the queue and is tried again every second; it is reported as
unsaved until it is on disk, or refused in words.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from tracker.console.elsewhere import OFFER, Elsewhere, go_on, offered, write_page
from tracker.forecast.figures import Estimate
from tracker.foundation.clock import ClockBegan, utc_now
from tracker.foundation.errors import EventError, TrackerError
from tracker.journal.kept_press import Kept, State, taken_back_by, undo_name, withdrawals
from tracker.journal.progress import Progress
from tracker.journal.store import Forked, Lost
from tracker.journal.wording import stops_words

_FAR = 1 << 30
"""Between the tokens of jobs and of what takes them back."""
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
    undo: Job | None = None
    """What is written next, since the job was taken back too late to be left out."""


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
    sent: bool = False
    """Whether it may be there although no answer came."""


@dataclass(frozen=True)
class OthersWrote:
    """Another seat wrote something."""

    progress: Progress


@dataclass(frozen=True)
class Away:
    """The journal's place does not answer, or refuses what is written; without words all is well."""

    words: str = ""
    since: datetime | None = None
    forked: bool = False
    """Whether it holds another history, so that nothing of this desk is ever written there."""


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
    | Away
    | Aside
    | Told
)


@dataclass(frozen=True)
class _Stop:
    """The desk is being left."""


@dataclass(frozen=True)
class _Undo:
    """What takes a job back where it is written all the same: only to be kept."""

    job: Job


_Aside = Callable[[Any], object]
_Task = Job | _Undo | Elsewhere | _Stop | _Aside


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
        self._away = Away()
        self._said: Aside | None = None
        self.kept_in: Path | None = None
        """The outbox of this seat; None where none is kept."""
        self._sitting: Any = None
        self._waiting: list[Job] = []
        self._queue: queue.Queue[_Task] = queue.Queue()
        self._keeper = _Keeper(self._queue, report)
        self._unwritten: dict[int, Job] = {}
        self._late: set[int] = set()
        """Jobs that had to wait because something could not be written at once."""
        self._sent: set[int] = set()
        """Jobs that may be there although no answer came: they are never left out."""

    def submit(self, job: Job) -> None:
        """Queue a job."""
        self._unwritten[job.token] = job
        self._keeper.pressed.put(job)

    def cancel(self, token: int) -> None:
        """Leave a job out, or take it back where it is written by then: one of the two is reported.

        What was not left out when the desk ends is taken back by the next one.
        """
        if (job := self._unwritten.get(token)) is not None:
            self._keeper.cancel(job, self._utc_now())

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
        self._keeper.pressed.put(_Stop())
        if self.is_alive():
            self.join(timeout_s)
        return (*self._unwritten.values(), *self._keeper.undos.values())

    def run(self) -> None:
        """Open the journal, then write and look until told to stop."""
        try:
            journal = self._open()
            self._sitting, said = journal.sitting, self._sit(journal)
        except Exception as error:
            lines = (f"the journal cannot be opened: {_words(error)}",)
            self._report(Failed(error.lines if isinstance(error, TrackerError) else lines))
            return
        clock = None if self.kept_in is None else journal.sitting.clock(journal.number)
        self._report(Opened(journal.name, journal.progress(), self._seat or journal.sitting.seat, clock))
        for words in filter(None, (*said, stops_words(journal.progress()), journal.notice)):
            self._report(Told(words))
        self._resume(journal)
        if refused := journal.sitting.refused():
            self._report(Undecided(refused))
        self._keeper.begin(journal)
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
        self._work_off(journal)
        if isinstance(task, Elsewhere):
            there, words = go_on(journal, task.place, self._refuses)
            self._keeper.journal = there
            if there is not journal:
                journal, self._refuses, self._sitting = there, "", there.sitting
                self._report(Opened(there.name, there.progress(), self._seat or there.sitting.seat))
            self._report(Told(words))
        elif not isinstance(task, (Job, _Undo, _Stop)):
            self._aside(journal, task)
        return journal

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
                    there = each.token in self._sent
                    self._report(Unsaved(each.token, self._refuses, self.keeps(each), there))
                self._look_at(error)
                return
            else:
                self._unwritten.pop(self._waiting.pop(0).token, None)
                self._waited_for = self._refuses = ""
                self._keeper.written(job)
                self._look_at(None)
                if undo := self._keeper.undo_of(job, numbers):
                    self._unwritten[undo.token] = undo
                    self._waiting.insert(0, undo)
                self._report(Written(job.token, tuple(numbers), progress, undo))
                if job.settles is not None:
                    journal.sitting.settle(*job.settles, at_once=True)
                    self._report(Undecided(journal.sitting.refused()))

    def _refused(self, journal: Any, job: Job, error: EventError) -> None:
        """Say that a job contradicts what is on record; one that was kept here meanwhile is not dropped."""
        if self._keeper.drop_undo(job):
            self._report(TakenBack(job.token))
            return
        later = (name for each in self._waiting for name in taken_back_by(each.events))
        if taken_back_by(job.events) or job.id in later:
            journal.sitting.settle(job.id, "taken back", words=error.lines[0], at_once=True)
            self._report(TakenBack(job.token))
            return
        self._report(Refused(job.token, error.lines))
        if job.token in self._late and self.kept_in is not None:
            journal.sitting.settle(job.id, "refused", words=error.lines[0], at_once=True)
            self._report(Undecided(journal.sitting.refused()))

    def _leave_out(self, journal: Any) -> bool:
        """Leave out what was taken back, also behind a job that the disk refuses; whether anything waits."""
        left_out = self._keeper.undos.keys() - self._sent
        for job in [job for job in self._waiting if job.token in left_out]:
            self._waiting.remove(job)
            self._unwritten.pop(job.token, None)
            journal.sitting.settle(job.id, "taken back", at_once=True)
            self._keeper.drop_undo(job)
            self._report(TakenBack(job.token))
        return bool(self._waiting)

    def _aside(self, journal: Any, task: _Aside | None) -> None:
        """Do what can be done again later, so that a disk that refuses it is no alarm."""
        try:
            if task is not None:
                task(journal)
                return
            if journal.refresh():
                self._report(OthersWrote(journal.progress()))
            if not self._waiting:
                self._look_at(None)
        except Exception as error:
            aside = Aside(_words(error) + (offered(journal, self.kept_in) if task is None else ""))
            # Said once: what is said meanwhile is not wiped out with every look.
            if task is not None or aside != self._said:
                self._report(aside)
            if task is None:
                self._said = aside
                self._look_at(error)

    def _look_at(self, error: Exception | None) -> None:
        """Say that the journal's place went away, is another, or is back, where that is news."""
        words, before = "" if error is None else _words(error), self._away
        forked = isinstance(error, Forked)
        words += f"; {OFFER}" if forked else ""
        if words != before.words:
            since = before.since or self._utc_now()
            self._away = Away(words, since, forked) if words else Away()
            self._said = self._said if words else None
            self._report(self._away)


class _Keeper(threading.Thread):
    """Puts every press on this seat's own disk, whatever the writer waits for, and hands it on to be written.

    What takes a job back that may still be left out is only kept: a desk that is killed meanwhile leaves it
    to the next one.
    """

    def __init__(self, on: queue.Queue[_Task], report: Callable[[Report], None]) -> None:
        super().__init__(name="keeper", daemon=True)
        self._on, self._report = on, report
        self.pressed: queue.Queue[_Task] = queue.Queue()
        self.journal: Any = None
        self._moot: set[str] = set()
        self.undos: dict[int, Job] = {}
        """By the tokens of jobs to be left out, what takes each back where it is written all the same."""

    def begin(self, journal: Any) -> None:
        """Keep what was pressed since the desk was started, and what is pressed from now on."""
        self.journal = journal
        self.start()

    def run(self) -> None:
        """Keep and hand on until told to stop."""
        task: _Task | None = None
        while not isinstance(task, _Stop):
            task = self.pressed.get()
            try:
                self._keep(task)
            except Exception as error:
                self._report(Aside(_words(error)))
            if not isinstance(task, _Undo):
                self._on.put(task)

    def cancel(self, job: Job, utc: datetime) -> None:
        """Have a job left out, or taken back."""
        undo = Job(-_FAR - job.token, ({"kind": "withdrawn", "job": job.id},), utc, undo_name(job.id))
        self.undos[job.token] = undo
        self.pressed.put(_Undo(undo))

    def undo_of(self, job: Job, numbers: Sequence[int]) -> Job | None:
        """What takes back a job that is written by now; None where nobody wants it."""
        if (kept := self.undos.pop(job.token, None)) is None:
            return None
        return replace(kept, events=withdrawals(numbers))

    def written(self, job: Job) -> None:
        """Note that a job is written; it may be what takes another one back, which came too late for this."""
        for token in [token for token, undo in self.undos.items() if undo.id == job.id]:
            self.undos.pop(token, None)

    def drop_undo(self, job: Job) -> bool:
        """Have nothing taken back of a job that is not written; whether it was to be."""
        if (undo := self.undos.pop(job.token, None)) is None:
            return False
        self._moot.add(undo.id)
        self._settle_moot(undo)
        return True

    def _settle_moot(self, undo: Job) -> None:
        """Note that nothing is to be taken back: now, or once it is kept, whichever is later."""
        if undo.id in self._moot:
            self.journal.sitting.settle(undo.id, "taken back", at_once=True)

    def _keep(self, task: _Task) -> None:
        job = task.job if isinstance(task, _Undo) else task
        if not isinstance(job, Job):
            return
        sitting = self.journal.sitting
        before = sitting.trouble
        sitting.keep(job.id, job.utc, job.events, self.journal.number)
        self._settle_moot(job)
        if sitting.trouble not in (None, before):
            self._report(Told(f"the outbox cannot be written: {sitting.trouble}"))


def _words(error: Exception) -> str:
    """Return one line on what went wrong."""
    return str(error).splitlines()[0] if str(error) else type(error).__name__

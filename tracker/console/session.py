"""What the desk knows: what is shown, what waits for the disk, when an estimate is wanted; and its threads.

Hides the order of what was pressed and is not on disk yet, and what will stand once it is. It knows no screen
library and reads no clock; it is told the time and handed reports, and never blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tracker.console.elsewhere import OFFER
from tracker.console.key_events import EventBatch, pointed_at, undo, with_decisions
from tracker.console.pending import (
    PATIENCE_S,
    PendingWrite,
    Queue,
    RedoStack,
    shown_marks,
    tried,
)
from tracker.console.refused import WAYS, Refusals
from tracker.console.seat_clock import ClockDoubt, SeatClock
from tracker.console.view.scene import Disk, Mark, Scene, Snapshot
from tracker.console.view.styled_text import Ink
from tracker.console.view.words import TOOK_BACK, redo_words
from tracker.console.workers import (
    Estimated,
    EstimateScheduler,
    NotEstimated,
    Renewal,
    Wanted,
    is_live,
    next_change,
    now_of,
)
from tracker.console.writer import (
    Aside,
    Away,
    Failed,
    Job,
    Opened,
    OthersWrote,
    Refused,
    Report,
    Resumed,
    TakenBack,
    Told,
    Undecided,
    Unsaved,
    Writer,
    Written,
)
from tracker.forecast.figures import Estimate
from tracker.foundation import clock
from tracker.foundation.errors import TrackerError
from tracker.journal.progress import Folded, Progress
from tracker.journal.wording import clock_mark, event_words, news

STAMP = timedelta(milliseconds=1)
"""Between two key presses, so that what was written together can be told from what was not."""


def later(utc: datetime, before: datetime | None) -> datetime:
    """Return an instant, a moment after the one before it where a clock tells no difference."""
    near = before is not None and before - timedelta(seconds=1) < utc < before + STAMP
    return before + STAMP if before is not None and near else utc


def on_disk(
    number: int,
    away: Away,
    waiting: Sequence[PendingWrite],
    now: Callable[[datetime], float],
    refusals: Refusals,
) -> Disk:
    """Return how far the writing is, given what has waited for the disk for more than a moment."""
    unsaved = sum(1 for p in waiting if p.unsaved and not p.kept)
    kept = [p.job.utc for p in waiting if p.unsaved and p.kept]
    since = now(kept[0]) if kept else None
    refused, told = len(refusals.presses), tuple(f"{words}. {WAYS}" for words in refusals.told)
    gone = None if away.since is None else now(away.since)
    fault = away.words or next((p.unsaved for p in waiting if p.unsaved), "")
    return Disk(number, bool(waiting), unsaved, fault, gone, away.forked, len(kept), since, refused, told)


def resumed(job: Job, progress: Progress, mono: float) -> PendingWrite:
    """Return what was pressed in an earlier sitting and could not be sent yet."""
    words = "; ".join(event_words(progress, str(event["kind"]), event) for event in job.events)
    return PendingWrite(job, words, (), mono - 2 * PATIENCE_S, "not sent yet", kept=True)


@dataclass
class Session:
    """The state of the desk."""

    seat: str
    submit: Callable[[Job], None]
    ask: Callable[[Wanted], None]
    keep: Callable[[Mapping[str, Any], int], None]
    print_page: Callable[[Progress, Estimate], None]
    cancel: Callable[[int], None] = lambda token: None
    """Takes a job out of the queue, unless it is being written."""
    snapshot: Snapshot | None = None
    path: str = ""
    number: int = 0
    """Of the last event known to be on disk."""
    said: str = ""
    said_ink: Ink = ""
    away: Away = field(default_factory=Away)
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys that a person chose, as they are shown, by id of a command."""
    local_time: bool = False
    renewal: Renewal = field(default_factory=Renewal)
    clock: ClockDoubt | None = None
    refusals: Refusals = field(default_factory=Refusals)
    _confirmed: Progress | None = None
    _queue: Queue = field(default_factory=Queue)
    _redo: RedoStack = field(default_factory=RedoStack)
    _ahead: Folded | None = None
    _stamped: datetime | None = None
    _token: int = 0
    _marks: dict[str, tuple[Mark, float]] = field(default_factory=dict)

    # What the screen sees

    @property
    def zero(self) -> datetime | None:
        """When the clock was started; None before it was, and before the journal is open."""
        return self.snapshot.progress.zero if self.snapshot else None

    @property
    def progress(self) -> Progress:
        """The progress that is shown: what is on disk, and on top of it what waits for the disk."""
        assert self.snapshot is not None
        return self.snapshot.progress

    @property
    def ahead(self) -> Progress:
        """What will stand once everything that waits is on disk; the hands go by it, the screen does not."""
        return self._ahead.progress() if self._ahead is not None else self.progress

    def live(self, utc: datetime) -> bool:
        """Return whether this seat's clock is within the excursion."""
        return is_live(self.progress, utc)

    def now(self, utc: datetime, progress: Progress | None = None) -> float:
        """Return the PET of an instant; where the clock stands, the last event's."""
        return now_of(progress or self.progress, utc)

    def scene(self, utc: datetime, mono: float, chosen: str | None = None) -> Scene:
        """Return everything that the views may look at."""
        assert self.snapshot is not None
        waiting = self._queue.late(mono)
        hollow = {str(e["step"]) for p in waiting for e in p.job.events if e.get("kind") == "done"}
        return Scene(
            snapshot=self.snapshot,
            now=self.now(utc),
            utc=utc,
            live=self.live(utc),
            disk=on_disk(self.number, self.away, waiting, self.now, self.refusals),
            marks=shown_marks(self._marks, waiting, mono),
            hollow=frozenset(hollow),
            said=self.said,
            said_ink=self.said_ink,
            chosen=chosen,
            keys=self.keys,
            local_time=self.local_time,
            clock=self.clock,
        )

    @property
    def kept(self) -> int:
        """How many presses are on this seat's own disk and not in the journal."""
        return sum(pending.kept for pending in self._queue.jobs.values())

    @property
    def unsaved(self) -> list[Job]:
        """Jobs that are not on disk."""
        return [pending.job for pending in self._queue.jobs.values()]

    # What the hands do

    def say(self, words: str, ink: Ink = "") -> None:
        """Put words on the message line."""
        self.said, self.said_ink = words, ink

    def perform(self, batch: EventBatch, utc: datetime, mono: float) -> bool:
        """Send a batch's events to the disk, or say why there is none; whether anything was sent."""
        if not batch.events:
            self.say(batch.words, "late")
            return False
        if early := [n for e in batch.events if (n := pointed_at(e)) is not None and n > self.number]:
            self.say(f"{early[0]} is not on disk yet; once it is, it can be taken back", "late")
            return False
        events = with_decisions(batch.events, self.snapshot.estimate if self.snapshot else None)
        self._stamped = later(utc, self._stamped)
        job = Job(self._token + 1, events, self._stamped, settles=batch.settles)
        if sent := self._send(PendingWrite(job, batch.words, batch.crew, mono)):
            self._redo.mind(self.progress.fold, job)
        return sent

    def _send(self, pending: PendingWrite) -> bool:
        """Put events into the queue, unless they cannot be."""
        try:
            self._ahead = self._queue.put(pending, self.ahead.fold, self._confirmed, self.seat)
        except TrackerError as error:
            self.say(error.lines[0], "late")
            return False
        self._token = pending.job.token
        self.submit(pending.job)
        return True

    def bring_back(self, mono: float) -> bool | None:
        """Send what was taken out of the queue last, at the instant of its key; None: nothing was."""
        return self._send(kept) if (kept := self._redo.take(self._token + 1, mono)) else None

    def unusual(self, events: Sequence[Mapping[str, Any]], utc: datetime) -> tuple[str, ...]:
        """Return what is unusual about events that are typed; TrackerError says why they cannot be."""
        return tried(self.ahead.fold, Job(0, tuple(events), utc), self.seat)[1]

    def take_back(self, *, redo: str) -> EventBatch | None:
        """Take the latest of what waits out of the queue; the undo of what is on disk where nothing waits."""
        newest = self._queue.newest()
        if newest is None:
            return undo(self.ahead, self.seat, redo=redo)
        if newest.sent and newest.kept:
            return newest.taken_back_by_name()
        newest.taken_back = True
        self.say(f"taking back: {newest.words}", "late")
        self.cancel(newest.job.token)
        self._rebuild()
        return None

    # What comes back

    def take(self, report: Report, mono: float) -> None:
        """Take in what the writer reports."""
        if isinstance(report, Opened):
            self.path, self.seat, self.away = report.path, report.seat, Away()
            self._confirm(report.progress)
        elif isinstance(report, OthersWrote):
            words, zero = news(report.progress, self.number, self.seat), report.progress.zero
            # What was said of a clock that stood holds no longer once it runs, whoever started it.
            if words or (zero is None) != (self.zero is None):
                self.say(words)
            self._confirm(report.progress)
        elif isinstance(report, Written):
            self._written(report, mono)
        elif isinstance(report, Refused):
            self._queue.jobs.pop(report.token, None)
            self.say(f"refused: {report.lines[0]}", "alarm")
            self._settle()
        elif isinstance(report, TakenBack):
            pending = self._queue.jobs.pop(report.token, None)
            if pending is not None and not pending.is_undo:
                self._redo.put(pending)
                redo = redo_words(self.keys.get("redo", "U"))
                self.say(f"{TOOK_BACK} before it was on disk: {pending.words}{redo}", "going")
            self._settle()
        elif isinstance(report, Away):
            self.away = report
        elif isinstance(report, Told | Aside):
            beside = "the journal beside the desk: " if isinstance(report, Aside) else ""
            self.say(f"{beside}{report.words}", "late")
        elif isinstance(report, Unsaved) and (pending := self._queue.jobs.get(report.token)):
            again = report.words == pending.not_written(report)
            where = "kept here" if report.kept else "unsaved"
            if not again:  # What is said meanwhile is not wiped out every second.
                self.say(f"{where}: {report.words}; it is tried again every second; {OFFER}", "alarm")
                self._settle()

    def _written(self, report: Written, mono: float) -> None:
        pending = self._queue.written(report)
        back = None
        if pending is not None and pending.taken_back:
            back = pending.taken_back_late(report, self._token + 1, mono)
            self._queue.jobs.update({report.undo.token: back} if report.undo is not None else {})
        elif pending is not None:
            last = report.numbers[-1]
            self._marks.update({c: (pending.written(last), mono) for c in pending.crew})
            warned = [words for number, words in report.progress.warnings if number in report.numbers]
            warned += [mark for mark in [clock_mark(report.progress, report.numbers[0])] if mark]
            tail = f"   note: {warned[0]}" if warned else ""
            self.say(pending.told(last, self.keys.get("undo", "u")) + tail, "late" if warned else "going")
        self._confirm(report.progress)
        if back is not None:
            self._redo.mind(report.progress.fold, back.job)
            if report.undo is None:
                self._send(back)

    def _confirm(self, progress: Progress) -> None:
        if self._confirmed is None or progress.number >= self._confirmed.number:
            self._confirmed, self.number = progress, progress.number
        self._settle()
        self.renewal.happened()

    def _settle(self) -> None:
        """Show what is on disk, and on top of it what waits for it."""
        self._rebuild()
        shown = self._ahead.progress() if self._ahead is not None else self._confirmed
        assert shown is not None
        before = self.snapshot
        self.snapshot = Snapshot(shown, before.latest, before.known) if before else Snapshot(shown, None)

    def _rebuild(self) -> None:
        assert self._confirmed is not None
        jobs = self._queue.jobs
        self._ahead = self._queue.onto(self._confirmed.fold, self.seat) if jobs else None

    def look(self, mono: float) -> None:
        """Notice a disk that has not answered for more than a moment."""
        if self._queue.late(mono):
            self._settle()

    # Estimates

    def want(self, utc: datetime, mono: float) -> None:
        """Ask for an estimate when one is due."""
        if self.snapshot is None:
            return
        now = self.now(utc)
        advise = self.renewal.wanted(self.snapshot, now, mono)
        if advise is not None:
            self.ask(Wanted(self.progress, now, advise))

    def estimated(self, report: Estimated | NotEstimated, mono: float) -> None:
        """Take in an estimate, unless one of more events is shown; it stands until a newer one is there."""
        if isinstance(report, NotEstimated):
            self.say(f"no estimate: {report.words}", "late")
            return
        wanted, shown = report.wanted, self.snapshot
        if shown is None or (shown.latest and wanted.progress.number < (shown.known or 0)):
            return
        self.snapshot = Snapshot(self.progress, report.estimate, wanted.progress.number)
        self.renewal.due = next_change(self.snapshot, wanted.now)
        of_disk = self.zero is not None and report.full and wanted.progress is self._confirmed
        played = self.zero is not None and wanted.progress.rehearsal and wanted.progress.number <= self.number
        if (of_disk or played) and self.renewal.keeps(wanted.progress, mono):
            self.keep(report.estimate.as_json(), wanted.progress.number)
        if of_disk and self.renewal.pages(mono):
            self.print_page(wanted.progress, report.estimate)


Heard = Report | Estimated | NotEstimated
Hear = Callable[[Heard], object]


class DeskRuntime:
    """Starts and stops the threads of one desk."""

    def __init__(
        self,
        open_journal: Callable[[], Any],
        seat: str | None,
        *,
        title: str = "",
        utc_now: Callable[[], datetime] = clock.utc_now,
        monotonic_s: Callable[[], float] = clock.monotonic_s,
        outbox: Path | None = None,
        seat_clock: SeatClock | None = None,
    ) -> None:
        self.title = title
        self.utc_now, self.monotonic_s = utc_now, monotonic_s
        self.clock = seat_clock
        """The clock that the desk goes by, where it is not told the time by somebody else."""
        if seat_clock is not None:
            self.utc_now = seat_clock.utc_now
        self.failed: tuple[str, ...] = ()
        """Why the journal could not be opened."""
        self._hear: Hear = lambda report: None
        self._writer = writer = Writer(open_journal, seat, self._heard, outbox, lambda: self.utc_now())
        self._estimates = EstimateScheduler(self._heard, beside=True)
        self.session = Session(
            seat or "",
            writer.submit,
            self._estimates.ask,
            writer.keep_estimate,
            writer.keep_page,
            writer.cancel,
        )

    def _heard(self, report: Heard) -> None:
        self._hear(report)

    def start(self, hear: Hear) -> None:
        """Open the journal and begin; reports come from other threads."""
        self._hear = hear
        self._writer.start()
        self._estimates.start()

    @property
    def kept_in(self) -> Path | None:
        """The outbox of this seat; None where none is kept."""
        return self._writer.kept_in

    def keeps(self, job: Job) -> bool:
        """Whether a press that is not in the journal is on this seat's own disk."""
        return self._writer.keeps(job)

    def stop(self) -> tuple[Job, ...]:
        """Write what is queued, close, and return what could not be written."""
        self._hear = lambda report: None
        self._estimates.stop()
        return self._writer.stop()

    def go_elsewhere(self, place: str) -> None:
        """Have the journal go on in another place, where the present one is gone or refuses."""
        self._writer.go_elsewhere(place)

    def scene(self) -> Scene:
        """Return everything that the views may look at, at this instant."""
        return self.session.scene(self.utc_now(), self.monotonic_s())

    def want(self) -> None:
        """Ask for an estimate when one is due; see whether somebody set the clock."""
        self.session.want(self.utc_now(), self.monotonic_s())
        self.look_at_clock()

    def look_at_clock(self) -> None:
        """See whether somebody set the clock, or said which is right."""
        session = self.session
        if self.clock is not None and session.snapshot is not None:
            self.clock.hear(session.progress, session.seat)
            session.clock = self.clock.doubt(session.progress, session.seat, session.now(self.utc_now()))

    def take(self, report: Heard) -> None:
        """Take in what a thread says."""
        if isinstance(report, Failed):
            self.failed = report.lines
        elif isinstance(report, (Estimated, NotEstimated)):
            self.session.estimated(report, self.monotonic_s())
        elif isinstance(report, Undecided):
            self.session.refusals.presses = report.presses
        elif isinstance(report, Resumed):
            for job in report.jobs:
                waits = resumed(job, self.session.progress, self.monotonic_s())
                self.session._queue.jobs[job.token] = waits
            self.session.look(self.monotonic_s())
        else:
            self.session.take(report, self.monotonic_s())
            if isinstance(report, Opened) and self.clock is not None and report.clock is not None:
                words = self.clock.go_on(report.clock)
                self.session.say(words if self.session.live(self.utc_now()) else "", "alarm")
            self.look_at_clock()

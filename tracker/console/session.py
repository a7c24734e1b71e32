"""What the desk knows: what is shown, what waits for the disk, when an estimate is wanted.

It knows no screen library. It is told the time and handed reports, and never blocks; the screen asks it for
a scene.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from tracker.console import key_events as hands
from tracker.console.due import Renewal, next_change
from tracker.console.key_events import Deed
from tracker.console.pending import Pending, Queue, Shelf, admitted, later, tried
from tracker.console.prefix import REPEAT_S
from tracker.console.seat_clock import is_live, now_of
from tracker.console.view.scene import Disk, Mark, Picture, Scene
from tracker.console.view.styled_text import Ink
from tracker.console.workers import Estimated, NotEstimated, Wanted
from tracker.console.writer import Aside, Job, Opened, Refused, Report, Seen, TakenBack, Unsaved, Written
from tracker.forecast.values import Estimate
from tracker.foundation.errors import TrackerError
from tracker.journal.progress import Progress
from tracker.journal.wording import news

if TYPE_CHECKING:
    from tracker.journal.fold import Fold

MARK_S = 4.0
"""How long the last write stands beside a name."""


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
    picture: Picture | None = None
    path: str = ""
    number: int = 0
    """Of the last event known to be on disk."""
    said: str = ""
    said_ink: Ink = ""
    fault: str = ""
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys that a person chose, as they are shown, by id of a command."""
    local_time: bool = False
    renewal: Renewal = field(default_factory=Renewal)
    _confirmed: Progress | None = None
    _queue: Queue = field(default_factory=Queue)
    _shelf: Shelf = field(default_factory=Shelf)
    _ahead: Fold | None = None
    _owed: list[Deed] = field(default_factory=list)
    _stamped: datetime | None = None
    _token: int = 0
    _marks: dict[str, tuple[Mark, float]] = field(default_factory=dict)
    _pressed: dict[str, float] = field(default_factory=dict)

    # What the screen sees

    @property
    def progress(self) -> Progress:
        """The progress that is shown: what is on disk, and on top of it what waits for the disk."""
        assert self.picture is not None
        return self.picture.progress

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
        assert self.picture is not None
        waiting = self._queue.late(mono)
        unsaved = sum(1 for p in waiting if p.unsaved)
        hollow = {str(e["step"]) for p in waiting for e in p.job.events if e.get("kind") == "done"}
        return Scene(
            picture=self.picture,
            now=self.now(utc),
            utc=utc,
            live=self.live(utc),
            disk=Disk(self.number, bool(waiting), unsaved, self.fault),
            marks=self._shown_marks(mono, waiting),
            hollow=frozenset(hollow),
            said=self.said,
            said_ink=self.said_ink,
            chosen=chosen,
            keys=self.keys,
            local_time=self.local_time,
        )

    def _shown_marks(self, mono: float, waiting: list[Pending]) -> dict[str, Mark]:
        marks = {crew: mark for crew, (mark, since) in self._marks.items() if mono - since < MARK_S}
        for pending in waiting:
            marks.update(dict.fromkeys(pending.crew, pending.mark))
        return marks

    @property
    def unsaved(self) -> list[Job]:
        """Jobs that are not on disk."""
        return [pending.job for pending in self._queue.jobs.values()]

    # What the hands do

    def bounced(self, key: str, mono: float) -> bool:
        """Return whether this key comes again too soon to be meant."""
        before = self._pressed.get(key)
        self._pressed[key] = mono
        return before is not None and mono - before < REPEAT_S

    def say(self, words: str, ink: Ink = "") -> None:
        """Put words on the message line."""
        self.said, self.said_ink = words, ink

    def perform(self, deed: Deed, utc: datetime, mono: float) -> bool:
        """Send a deed's events to the disk, or say why there is none; whether anything was sent."""
        if not deed.events:
            self.say(deed.words, "late")
            return False
        if early := [n for e in deed.events if (n := hands.pointed_at(e)) is not None and n > self.number]:
            self.say(f"{early[0]} is not on disk yet; once it is, it can be taken back", "late")
            return False
        events = hands.with_decisions(deed.events, self.picture.estimate if self.picture else None)
        self._stamped = later(utc, self._stamped)
        job = Job(self._token + 1, events, self._stamped)
        if sent := self._send(Pending(job, deed.words, deed.crew, mono)):
            self._shelf.mind(self.progress.fold, job)
        return sent

    def _send(self, pending: Pending) -> bool:
        """Put events into the queue, unless they cannot be."""
        job = pending.job
        try:
            self._ahead = admitted(self.ahead.fold, job, self.seat)
        except TrackerError as error:
            self.say(error.lines[0], "late")
            return False
        self._token = job.token
        self._queue.jobs[job.token] = pending
        self.submit(job)
        return True

    def bring_back(self, mono: float) -> bool | None:
        """Send what was taken out of the queue last, at the instant of its key; None: nothing was."""
        return self._send(kept) if (kept := self._shelf.take(self._token + 1, mono)) else None

    def unusual(self, events: Sequence[Mapping[str, Any]], utc: datetime) -> tuple[str, ...]:
        """Return what is unusual about events that are typed; TrackerError says why they cannot be."""
        return tried(self.ahead.fold, Job(0, tuple(events), utc), self.seat)[1]

    def take_back(self, *, redo: str) -> Deed | None:
        """Take the latest of what waits out of the queue; the undo of what is on disk where nothing waits."""
        newest = self._queue.newest()
        if newest is None:
            return hands.undo(self.ahead, self.seat, redo=redo)
        newest.taken_back = True
        self.say(f"taking back: {newest.words}", "late")
        self.cancel(newest.job.token)
        self._rebuild()
        return None

    def owed(self) -> list[Deed]:
        """Return what has to be taken back now, because it reached the disk after all."""
        owed, self._owed = self._owed, []
        return owed

    # What comes back

    def take(self, report: Report, mono: float) -> None:
        """Take in what the writer reports."""
        if isinstance(report, Opened):
            self.path, self.seat = report.path, report.seat
            self._confirm(report.progress)
        elif isinstance(report, Seen):
            if words := news(report.progress, self.number, self.seat):
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
            if pending is not None:
                self._shelf.put(pending)
                back = f"{self.keys.get('redo', 'U')} brings it back"
                self.say(f"taken back before it was on disk: {pending.words}   {back}", "going")
            self._settle()
        elif isinstance(report, Aside):
            self.say(f"the journal beside the desk: {report.words}", "late")
        elif isinstance(report, Unsaved) and report.token in self._queue.jobs:
            pending, self.fault = self._queue.jobs[report.token], report.words
            known, pending.unsaved = pending.unsaved, report.words
            if report.words != known:  # Said once: what is said meanwhile is not wiped out every second.
                self.say(f"unsaved: {report.words}; it is tried again every second", "alarm")
                self._settle()

    def _written(self, report: Written, mono: float) -> None:
        pending = self._queue.jobs.pop(report.token, None)
        self.fault = ""
        if pending is not None and pending.taken_back:
            events = tuple({"kind": "withdrawn", "event": number} for number in reversed(report.numbers))
            self._owed.append(Deed(events, f"took back {report.numbers[-1]}: {pending.words}", pending.crew))
        elif pending is not None:
            last = report.numbers[-1]
            self._marks.update({c: (pending.written(last), mono) for c in pending.crew})
            warned = [words for number, words in report.progress.warnings if number in report.numbers]
            tail = f"   note: {warned[0]}" if warned else ""
            self.say(f"{last} on disk: {pending.words}{tail}", "late" if warned else "going")
        self._confirm(report.progress)

    def _confirm(self, progress: Progress) -> None:
        if self._confirmed is None or progress.number >= self._confirmed.number:
            self._confirmed, self.number = progress, progress.number
        self._settle()
        self.renewal.happened()

    def _settle(self) -> None:
        """Show what is on disk, and on top of it what waits for it."""
        self._rebuild()
        self.picture = Picture(self._shown(), self.picture.estimate if self.picture else None)

    def _rebuild(self) -> None:
        assert self._confirmed is not None
        jobs = self._queue.jobs
        self._ahead = self._queue.onto(self._confirmed.fold, self.seat) if jobs else None

    def _shown(self) -> Progress:
        assert self._confirmed is not None
        return self._confirmed if self._ahead is None else self._ahead.progress()

    def look(self, mono: float) -> None:
        """Notice a disk that has not answered for more than a moment."""
        if self._queue.late(mono):
            self._settle()

    # Estimates

    def want(self, utc: datetime, mono: float) -> None:
        """Ask for an estimate when one is due."""
        if self.picture is None:
            return
        now = self.now(utc)
        advise = self.renewal.wanted(self.picture, now, mono)
        if advise is not None:
            self.ask(Wanted(self.progress, now, advise))

    def estimated(self, report: Estimated | NotEstimated, mono: float) -> None:
        """Take in an estimate, unless something was shown since: then a newer one is on its way."""
        if isinstance(report, NotEstimated):
            self.say(f"no estimate: {report.words}", "late")
            return
        wanted = report.wanted
        if self.picture is None or wanted.progress.number < self.progress.number:
            return
        self.picture = Picture(self.progress, report.estimate)
        self.renewal.due = next_change(self.picture, wanted.now)
        if not report.full or wanted.progress is not self._confirmed or wanted.progress.zero is None:
            return
        if self.renewal.keeps(wanted.progress.number, mono):
            self.keep(report.estimate.as_json(), wanted.progress.number)
        if self.renewal.pages(mono):
            self.print_page(wanted.progress, report.estimate)

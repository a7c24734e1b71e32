"""What the desk knows: what is shown, what waits for the disk, when an estimate is wanted.

It knows no screen library. It is told the time and handed reports, and never blocks; the screen asks it for
a scene.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from tracker.console import hands
from tracker.console.forecaster import Estimated, NotEstimated, Wanted
from tracker.console.hands import Deed
from tracker.console.renewal import Renewal, next_change
from tracker.console.view.ink import Ink
from tracker.console.view.saying import event_words
from tracker.console.view.scene import Disk, Mark, Picture, Scene
from tracker.console.writer import Aside, Job, Opened, Refused, Report, Seen, Unsaved, Written
from tracker.forecast.values import Estimate
from tracker.foundation.errors import TrackerError
from tracker.foundation.times import pet_of
from tracker.journal.progress import Progress

REPEAT_S = 0.3
"""A key that comes again within this time is a bounce."""
PATIENCE_S = 0.1
"""After this time without an answer from the disk the screen says *saving*."""
MARK_S = 4.0
"""How long the last write stands beside a name."""
LIVE = timedelta(days=7)
_MARKED = {"done": "done", "counted": "count", "skipped": "skip", "withdrawn": "back", "called": "call"}
_MARKED |= {"held": "held", "went": "go", "reading": "read", "noted": "note"}
"""The word of a write beside a name, in five letters; any other is *disk*."""


@dataclass
class _Pending:
    job: Job
    words: str
    crew: tuple[str, ...]
    since: float
    unsaved: str = ""


@dataclass
class Session:
    """The state of the desk."""

    seat: str
    submit: Callable[[Job], None]
    ask: Callable[[Wanted], None]
    keep: Callable[[Mapping[str, Any], int], None]
    print_page: Callable[[Progress, Estimate], None]
    picture: Picture | None = None
    path: str = ""
    number: int = 0
    """Of the last event known to be on disk."""
    said: str = ""
    said_ink: Ink = ""
    groups: list[tuple[int, ...]] = field(default_factory=list)
    """Numbers of events that were written together at this sitting."""
    fault: str = ""
    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys that a person chose, as they are shown, by id of a command."""
    local_time: bool = False
    renewal: Renewal = field(default_factory=Renewal)
    _confirmed: Progress | None = None
    _pending: dict[int, _Pending] = field(default_factory=dict)
    _token: int = 0
    _marks: dict[str, tuple[Mark, float]] = field(default_factory=dict)
    _pressed: dict[str, float] = field(default_factory=dict)
    _settled: bool = True
    """Whether what waits for the disk is in the picture."""

    # What the screen sees

    @property
    def progress(self) -> Progress:
        """The progress that is shown: what is on disk, and on top of it what waits for the disk."""
        assert self.picture is not None
        return self.picture.progress

    def live(self, utc: datetime) -> bool:
        """Return whether this seat's clock is within the excursion."""
        zero = self.progress.zero
        return self.progress.closed is None and (zero is None or timedelta(0) <= utc - zero <= LIVE)

    def now(self, utc: datetime) -> float:
        """Return the PET of an instant; where the clock stands, the last event's."""
        progress = self.progress
        if progress.closed is not None:
            return max(progress.closed, progress.at)
        if progress.zero is None or not self.live(utc):
            return max(0.0, progress.at)
        return max(pet_of(utc, progress.zero), progress.at)

    def scene(self, utc: datetime, mono: float, chosen: str | None = None) -> Scene:
        """Return everything that the views may look at."""
        assert self.picture is not None
        waiting = [p for p in self._pending.values() if mono - p.since > PATIENCE_S]
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

    def _shown_marks(self, mono: float, waiting: list[_Pending]) -> dict[str, Mark]:
        marks = {crew: mark for crew, (mark, since) in self._marks.items() if mono - since < MARK_S}
        for pending in waiting:
            mark = Mark("unsaved", "unsaved") if pending.unsaved else Mark("saving", "saving")
            marks.update(dict.fromkeys(pending.crew, mark))
        return marks

    @property
    def unsaved(self) -> list[Job]:
        """Jobs that are not on disk."""
        return [pending.job for pending in self._pending.values()]

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
        events = hands.with_decisions(deed.events, self.picture.estimate if self.picture else None)
        problem = self._try(events, utc)
        if problem is not None:
            self.say(problem, "late")
            return False
        self._token += 1
        job = Job(self._token, events, utc)
        self._pending[job.token] = _Pending(job, deed.words, deed.crew, mono)
        self._settled = False
        self.submit(job)
        return True

    def _try(self, events: tuple[dict[str, Any], ...], utc: datetime) -> str | None:
        """Return why the events cannot be, as far as this seat knows; None where they can."""
        from tracker.journal.rules import admit

        if self._pending and not self._settled:
            # Not shown yet, so the screen's fold does not know it: the writer, who knows all, decides.
            return None
        fold = self.progress.fold
        try:
            for event in events:
                _, fold, _ = admit(fold, event, utc_now=utc, seat=self.seat)
        except TrackerError as error:
            return error.lines[0]
        return None

    # What comes back

    def take(self, report: Report, mono: float) -> None:
        """Take in what the writer reports."""
        if isinstance(report, Opened):
            self.path, self.seat = report.path, report.seat
            self._confirm(report.progress)
        elif isinstance(report, Seen):
            self._announce(report.progress)
            self._confirm(report.progress)
        elif isinstance(report, Written):
            self._written(report, mono)
        elif isinstance(report, Refused):
            self._pending.pop(report.token, None)
            self.say(f"refused: {report.lines[0]}", "alarm")
            self._settle()
        elif isinstance(report, Aside):
            self.say(f"the journal beside the desk: {report.words}", "late")
        elif isinstance(report, Unsaved) and report.token in self._pending:
            self._pending[report.token].unsaved = report.words
            self.fault = report.words
            self.say(f"unsaved: {report.words}; it is tried again every second", "alarm")
            self._settle()

    def _written(self, report: Written, mono: float) -> None:
        pending = self._pending.pop(report.token, None)
        self.fault = ""
        if len(report.numbers) > 1:
            self.groups.append(report.numbers)
        if pending is not None:
            last = report.numbers[-1]
            word = _MARKED.get(str(pending.job.events[0].get("kind")), "disk")
            self._marks.update({c: (Mark("disk", f"{word} {last}"), mono) for c in pending.crew})
            warned = [words for number, words in report.progress.warnings if number in report.numbers]
            tail = f"   note: {warned[0]}" if warned else ""
            self.say(f"{last} on disk: {pending.words}{tail}", "late" if warned else "going")
        self._confirm(report.progress)

    def _announce(self, progress: Progress) -> None:
        """Say what another seat wrote."""
        new = [e for e in progress.fold.recorded if e.number > self.number and e.seat != self.seat]
        if new:
            last = max(new, key=lambda e: e.number)
            self.say(f"{last.seat} wrote {last.number}: {event_words(progress, last.kind, last.body)}")

    def _confirm(self, progress: Progress) -> None:
        if self._confirmed is None or progress.number >= self._confirmed.number:
            self._confirmed, self.number = progress, progress.number
        self._settle()
        self.renewal.happened()

    def _settle(self) -> None:
        """Show what is on disk, and on top of it what waits for longer than a moment."""
        assert self._confirmed is not None
        shown = self._confirmed
        self._settled = True
        for pending in self._pending.values():
            events = [self._stamped(event, pending.job.utc, shown) for event in pending.job.events]
            try:
                shown = shown.suppose(*events)
            except TrackerError:
                continue
        self.picture = Picture(shown, self.picture.estimate if self.picture else None)

    def _stamped(self, event: Mapping[str, Any], utc: datetime, shown: Progress) -> Mapping[str, Any]:
        if "at" in event or event.get("kind") == "zero" or shown.zero is None:
            return event
        return {**event, "at": max(0, round(pet_of(utc, shown.zero)))}

    def look(self, mono: float) -> None:
        """Notice a disk that has not answered for more than a moment."""
        if any(mono - p.since > PATIENCE_S for p in self._pending.values()):
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

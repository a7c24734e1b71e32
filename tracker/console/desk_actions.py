"""What every command of the desk does."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from textual.screen import Screen

from tracker.console import key_events
from tracker.console.commands import COMMANDS
from tracker.console.entry import EntryLine
from tracker.console.key_events import EventBatch, Kind, Prefix
from tracker.console.keys import with_keys
from tracker.console.layout import Layout
from tracker.console.session import DeskRuntime
from tracker.console.settings import Settings
from tracker.console.view.alerts import waiting_alerts
from tracker.console.view.scene import Scene
from tracker.foundation.times import pet_of
from tracker.journal.progress import Progress

ASK_S = 5.0
"""How long a key that is asked twice waits for the second time."""

SLIP = timedelta(hours=12)
"""From this difference between planned and actual zero on it is said what becomes of the windows."""


class Deeds(Screen[None]):
    """The actions of the command table."""

    def __init__(self, runtime: DeskRuntime, settings: Settings) -> None:
        super().__init__()
        self.runtime, self.settings = runtime, settings
        self.table = with_keys(COMMANDS, settings.keys)
        """The command table with this seat's keys."""
        runtime.session.keys = {command.id: command.shown for command in self.table}
        runtime.session.local_time = settings.local_time
        self.view_name = "steps"
        self.top = 0
        """First row of a page of text."""
        self.chosen: str | None = None
        self.last_scene: Scene | None = None
        self.last_layout: Layout | None = None
        self._was_called = False
        self._prefix: Prefix | None = None
        self._asked: tuple[str, float] = ("", 0.0)

    # The instant, and what hands need of the screen

    def utc(self) -> datetime:
        """Return the instant that the desk goes by."""
        return self.runtime.utc_now()

    def mono(self) -> float:
        """Return a clock for short spans."""
        return self.runtime.monotonic_s()

    def to_next_second(self) -> float:
        """Return the seconds until the shown clock changes."""
        session = self.runtime.session
        zero = session.progress.zero if session.snapshot else None
        shown = pet_of(self.utc(), zero) if zero else self.utc().timestamp()
        return max(0.02, 1.0 - shown % 1.0 + 0.005)

    @property
    def entry(self) -> EntryLine:
        """The entry line."""
        return self.query_one(EntryLine)

    @property
    def progress(self) -> Progress | None:
        """What is shown; None before the journal is open."""
        session = self.runtime.session
        return session.progress if session.snapshot else None

    @property
    def ahead(self) -> Progress | None:
        """What will stand once what waits for the disk is on it: what hands go by."""
        session = self.runtime.session
        return session.ahead if session.snapshot else None

    def key(self, command: str) -> str:
        """Return the key of a command, as a person reads it."""
        return self.runtime.session.keys[command]

    def repaint(self) -> None:
        """Paint; the desk does it."""
        raise NotImplementedError

    def watch_disk(self) -> None:
        """Look again after a moment; the desk does it."""
        raise NotImplementedError

    def say(self, words: str, ink: Any = "") -> None:
        """Put words on the message line."""
        self.runtime.session.say(words, ink)
        self.repaint()

    def perform(self, batch: EventBatch) -> bool:
        """Send a batch on its way to the disk."""
        sent = self.runtime.session.perform(batch, self.utc(), self.mono())
        if sent:
            self.watch_disk()
        else:
            self.repaint()
        return sent

    def twice(self, what: str, words: str) -> bool:
        """Return whether a key that is asked twice was pressed for the second time; else ask."""
        before, since = self._asked
        self._asked = (what, self.mono())
        if before == what and self.mono() - since <= ASK_S:
            self._asked = ("", 0.0)
            return True
        self.say(words, "alarm")
        return False

    # Ticking

    def action_digit(self, digit: int) -> None:
        """Tick, or take the digit for what was begun before it."""
        prefix = self._prefix
        if prefix is not None and (longer := prefix.with_minutes(digit, self.mono())) is not None:
            self._begin(longer)
        else:
            self.tick(digit)

    def action_tick_chosen(self) -> None:
        """Tick for the chosen crew member, as their digit does."""
        members = [member.id for member in self.progress.plan.crew] if self.progress else []
        if self.chosen in members:
            self.tick(members.index(self.chosen) + 1)
        else:
            self.say(f"{self.key('crew')} chooses a crew member, then {self.key('tick-chosen')} ticks")

    def tick(self, number: int) -> None:
        """Tick for the crew member of this number, or do what was begun before it."""
        progress, prefix = self.ahead, self._prefix
        if progress is None:
            return
        self._prefix = None
        session = self.runtime.session
        if prefix is None and session.bounced(f"digit-{number}", self.mono()):
            return
        self.perform(self._deed(progress, number, prefix))

    def _deed(self, progress: Progress, digit: int, prefix: Prefix | None) -> EventBatch:
        if prefix is not None and prefix.kind == "count":
            return key_events.one_more(progress, digit)
        if prefix is not None and prefix.kind == "skip":
            return key_events.skip(progress, digit)
        crew = key_events.member_of(progress, digit)
        painted = self.last_scene.progress.current.get(crew) if self.last_scene and crew else None
        now = self.runtime.session.now(self.utc(), progress)
        return key_events.tick(
            progress, digit, painted, now, prefix.minutes if prefix else None, start=self.key("zero")
        )

    def action_prefix(self, kind: Kind) -> None:
        """Begin something that digits complete."""
        self._begin(Prefix(kind, self.mono()))

    def _begin(self, prefix: Prefix) -> None:
        self._prefix = prefix
        self.say(f" {prefix.words}   Esc leaves it ", "typed")

    def expire_prefix(self) -> None:
        """Forget what was begun and not completed."""
        if self._prefix is not None and self._prefix.lapsed(self.mono()):
            self._prefix = None
            self.runtime.session.say("")

    def action_zero(self) -> None:
        """Start the clock."""
        progress = self.ahead
        if progress is None:
            return
        if progress.zero is not None:
            self.say(f"the clock runs since {progress.zero:%H:%M:%S} UTC; `amend` corrects it", "late")
            return
        at = self.utc().astimezone(UTC)
        utc = f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
        words = f"the clock starts at {at:%H:%M:%S} UTC"
        planned = progress.plan.zero_planned
        if planned is not None and progress.plan.windows and abs(at - planned) > SLIP:
            words += f"; planned for {planned:%Y-%m-%d %H:%M}{key_events.windows_words(at, planned)}"
        self.perform(EventBatch(({"kind": "zero", "utc": utc},), words))

    def _with_progress(self, make: Callable[[Progress], EventBatch]) -> None:
        self._prefix = None
        if self.ahead is not None:
            self.perform(make(self.ahead))

    def action_undo(self) -> None:
        """Take back this seat's latest event, also one that the disk has not answered for yet."""
        session = self.runtime.session
        if self.progress is None or session.bounced("undo", self.mono()):
            return
        self._prefix = None
        batch = session.take_back(redo=self.key("redo"))
        if batch is None:
            self.repaint()
        else:
            self.perform(batch)

    def action_redo(self) -> None:
        """Bring back what was taken back."""
        session = self.runtime.session
        if session.bounced("redo", self.mono()):
            return
        sent = session.bring_back(self.mono())
        if sent:
            self.watch_disk()
        elif sent is not None:
            self.repaint()
        elif session.unsaved:
            self.say("the disk has not answered yet; press it again", "late")
        else:
            self._with_progress(lambda p: key_events.redo(p, session.seat))

    def action_go(self) -> None:
        """Give the go that is next."""
        self._with_progress(key_events.went)

    def action_resume(self) -> None:
        """End every hold."""
        self._with_progress(lambda p: key_events.resumed(p, hold=self.key("hold")))

    def action_acknowledge(self) -> None:
        """Acknowledge the first alert."""
        alerts = waiting_alerts(self.last_scene) if self.last_scene else []
        if not alerts:
            self.say("no alert waits")
            return
        event = {"kind": "acknowledged", "alert": alerts[0].id}
        self.perform(EventBatch((event,), f"seen: {alerts[0].text}"))

    def action_recall(self, call: str) -> None:
        """Call everyone home, when asked twice; from then on the desk is the way home."""
        again = self.key("recall" if call == "home" else "recall-at-once")
        if self.twice(f"recall-{call}", f" {again} again calls everyone {call} "):
            crew = self.progress.plan.outside if self.progress else ()
            self.perform(EventBatch(({"kind": "called", "call": call},), f"called all {call}", tuple(crew)))

    def action_close_excursion(self) -> None:
        """Close the excursion, when asked twice."""
        if self.twice("close", f" {self.key('close')} again closes the excursion "):
            self.perform(EventBatch(({"kind": "closed"},), "the excursion is closed"))

    def action_leave(self) -> None:
        """Leave the desk, when asked twice."""
        unsaved = len(self.runtime.session.unsaved)
        warning = f"{unsaved} not on disk: they will be printed. " if unsaved else ""
        if self.progress is None or self.twice(
            "leave", f" {warning}{self.key('quit')} again leaves the desk "
        ):
            self.app.exit(return_code=0)

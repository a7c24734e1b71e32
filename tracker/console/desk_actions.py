"""What the operator's commands write: each becomes events on their way to the disk, or words why not.

Hides what has to be asked twice, what a key before a digit means, and how a typed line becomes events. The
screen is told, and nothing here paints.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, timedelta
from typing import Any

from tracker.console import key_events
from tracker.console.entry import Purpose
from tracker.console.key_events import EventBatch, Kind, Prefix
from tracker.console.live_screen import LiveScreen
from tracker.console.session import PATIENCE_S, DeskRuntime
from tracker.console.view.alerts import waiting_alerts
from tracker.console.view.styled_text import Ink
from tracker.console.view.words import pet_s
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import count
from tracker.foundation.times import format_exact
from tracker.journal.progress import Progress
from tracker.journal.wording import event_words

ASK_S = 5.0
"""How long a key that is asked twice waits for the second time."""
SLIP = timedelta(hours=12)
"""From this difference between planned and actual zero on it is said what becomes of the windows."""
MOST = 200
"""Characters in which events that are written together are told one by one."""
EXAMPLES = "1 -3   done STEP   note ...   hold EV1 until 2:30 ...   reading oxygen ...   Tab completes"


class DeskActions:
    """The actions of a desk that write."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime) -> None:
        self._screen, self._runtime, self._session = screen, runtime, runtime.session
        self._prefix: Prefix | None = None
        """What was begun and waits for a digit."""
        self._asked: tuple[str, float] = ("", 0.0)
        """What was asked for once, and when."""
        self._pressed: dict[str, float] = {}
        """When a key was pressed last."""

    @property
    def _ahead(self) -> Progress | None:
        """What will stand once what waits for the disk is on it: what hands go by."""
        return self._session.ahead if self._session.snapshot else None

    def perform(self, batch: EventBatch) -> bool:
        """Send a batch on its way to the disk; whether anything was sent."""
        sent = self._session.perform(batch, self._screen.utc(), self._screen.mono())
        if sent:
            self._watch_disk()
        else:
            self._screen.repaint()
        return sent

    def _watch_disk(self) -> None:
        """Look again when a write should have been answered."""
        self._screen.set_timer(PATIENCE_S + 0.02, self.look_at_disk)

    def look_at_disk(self) -> None:
        """Notice a disk that does not answer."""
        if self._session.snapshot is not None:
            self._session.look(self._screen.mono())
            self._screen.repaint()

    def _bounced(self, key: str) -> bool:
        """Return whether this key comes again too soon to be meant."""
        before, mono = self._pressed.get(key), self._screen.mono()
        self._pressed[key] = mono
        return before is not None and mono - before < key_events.REPEAT_S

    def _twice(self, what: str, words: str) -> bool:
        """Return whether a key that is asked twice was pressed for the second time; else ask."""
        before, since = self._asked
        self._asked = (what, self._screen.mono())
        if before == what and self._screen.mono() - since <= ASK_S:
            self._asked = ("", 0.0)
            return True
        self._screen.say(words, "alarm")
        return False

    # Digits, and the keys before them

    def begin(self, kind: Kind) -> None:
        """Begin something that digits complete."""
        self._begin(Prefix(kind, self._screen.mono()))

    def _begin(self, prefix: Prefix) -> None:
        self._prefix = prefix
        self._screen.say(f" {prefix.words}   Esc leaves it ", "typed")

    def drop_prefix(self) -> None:
        """Forget what was begun."""
        self._prefix = None

    def expire_prefix(self) -> None:
        """Forget what was begun and not completed in time."""
        if self._prefix is not None and self._prefix.lapsed(self._screen.mono()):
            self._prefix = None
            self._session.say("")

    def left_begun(self) -> bool:
        """Leave what was begun or asked for once; whether a digit was waited for."""
        begun, self._prefix, self._asked = self._prefix is not None, None, ("", 0.0)
        if begun:
            self._session.say("")
        return begun

    def digit(self, digit: int) -> None:
        """Tick, or take the digit for what was begun before it."""
        prefix = self._prefix
        if prefix is not None and (longer := prefix.with_minutes(digit, self._screen.mono())) is not None:
            self._begin(longer)
        else:
            self.tick(digit)

    def tick_chosen(self) -> None:
        """Tick for the chosen crew member, as their digit does."""
        screen, progress = self._screen, self._screen.progress
        members = [member.id for member in progress.plan.crew] if progress else []
        if screen.chosen in members:
            self.tick(members.index(screen.chosen) + 1)
        else:
            screen.say(f"{screen.key('crew')} chooses a crew member, then {screen.key('tick-chosen')} ticks")

    def tick(self, number: int) -> None:
        """Tick for the crew member of this number, or do what was begun before it."""
        progress, prefix = self._ahead, self._prefix
        if progress is None:
            return
        self._prefix = None
        if prefix is None and self._bounced(f"digit-{number}"):
            return
        self.perform(self._batch(progress, number, prefix))

    def _batch(self, progress: Progress, digit: int, prefix: Prefix | None) -> EventBatch:
        if prefix is not None and prefix.kind == "count":
            return key_events.one_more(progress, digit)
        if prefix is not None and prefix.kind == "skip":
            return key_events.skip(progress, digit)
        crew, scene = key_events.member_of(progress, digit), self._screen.last_scene
        painted = scene.progress.current.get(crew) if scene and crew else None
        now = self._session.now(self._screen.utc(), progress)
        minutes, start = prefix.minutes if prefix else None, self._screen.key("zero")
        return key_events.tick(progress, digit, painted, now, minutes, start=start)

    # Other keys

    def zero(self) -> None:
        """Start the clock."""
        progress = self._ahead
        if progress is None:
            return
        if progress.zero is not None:
            words = f"the clock runs since {progress.zero:%H:%M:%S} UTC; `amend` corrects it"
            self._screen.say(words, "late")
            return
        at = self._screen.utc().astimezone(UTC)
        utc = f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"
        words = f"the clock starts at {at:%H:%M:%S} UTC"
        planned = progress.plan.zero_planned
        if planned is not None and progress.plan.windows and abs(at - planned) > SLIP:
            words += f"; planned for {planned:%Y-%m-%d %H:%M}{key_events.windows_words(at, planned)}"
        self.perform(EventBatch(({"kind": "zero", "utc": utc},), words))

    def undo(self) -> None:
        """Take back this seat's latest entry, also one that the disk has not answered for yet."""
        if self._ahead is None or self._bounced("undo"):
            return
        self._prefix = None
        batch = self._session.take_back(redo=self._screen.key("redo"))
        if batch is None:
            self._screen.repaint()
        else:
            self.perform(batch)

    def redo(self) -> None:
        """Bring back what was taken back."""
        if self._bounced("redo"):
            return
        sent = self._session.bring_back(self._screen.mono())
        if sent:
            self._watch_disk()
        elif sent is not None:
            self._screen.repaint()
        elif self._session.unsaved:
            self._screen.say("the disk has not answered yet; press it again", "late")
        else:
            self._perform_ahead(lambda ahead: key_events.redo(ahead, self._session.seat))

    def _perform_ahead(self, make: Callable[[Progress], EventBatch]) -> None:
        self._prefix = None
        if self._ahead is not None:
            self.perform(make(self._ahead))

    def go(self) -> None:
        """Give the go that is next."""
        self._perform_ahead(key_events.went)

    def hold(self) -> None:
        """Open the entry line with a hold from this instant on, so that the reason can be typed in peace."""
        if self._screen.progress is not None:
            now = self._session.now(self._screen.utc())
            self._screen.entry.open("entry", f"hold {format_exact(int(now))} ")

    def resume(self) -> None:
        """End every hold."""
        self._perform_ahead(lambda ahead: key_events.resumed(ahead, hold=self._screen.key("hold")))

    def acknowledge(self) -> None:
        """Acknowledge the first alert."""
        scene = self._screen.last_scene
        alerts = waiting_alerts(scene) if scene else []
        if not alerts:
            self._screen.say("no alert waits")
            return
        event = {"kind": "acknowledged", "alert": alerts[0].id}
        self.perform(EventBatch((event,), f"seen: {alerts[0].text}"))

    def recall(self, call: str) -> None:
        """Call everyone home, when asked twice; from then on the desk is the way home."""
        again = self._screen.key("recall" if call == "home" else "recall-at-once")
        if self._twice(f"recall-{call}", f" {again} again calls everyone {call} "):
            progress = self._screen.progress
            crew = progress.plan.outside if progress else ()
            self.perform(EventBatch(({"kind": "called", "call": call},), f"called all {call}", tuple(crew)))

    def close(self) -> None:
        """Close the excursion, when asked twice."""
        if self._twice("close", f" {self._screen.key('close')} again closes the excursion "):
            self.perform(EventBatch(({"kind": "closed"},), "the excursion is closed"))

    def leave(self) -> None:
        """Leave the desk, when asked twice."""
        unsaved = len(self._session.unsaved)
        warning = f"{unsaved} not on disk: they will be printed. " if unsaved else ""
        words = f" {warning}{self._screen.key('quit')} again leaves the desk "
        if self._screen.progress is None or self._twice("leave", words):
            self._screen.app.exit(return_code=0)


class TypedEvents:
    """A typed line that becomes events: what it would write, and writing it."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime, actions: DeskActions) -> None:
        self._screen, self._session, self._actions = screen, runtime.session, actions

    def purpose(self) -> Purpose:
        """Return what the entry line is for."""
        return Purpose(" ENTRY ", self._offer, self._complete, self._enter, self._left)

    def _left(self, kept: str) -> None:
        self._screen.say(f"kept: {kept}   {self._screen.key('entry')} goes on with it" if kept else "")

    def _offer(self, text: str) -> None:
        if text.strip():
            self._screen.say(*self._preview(text))
        else:
            self._screen.say(EXAMPLES, "dim")

    def _complete(self, text: str, by: int) -> None:
        if not self._screen.entry.complete_last(text, "\n", by):
            self._screen.say("nothing completes this", "late")

    def _enter(self, text: str) -> bool:
        """Write what was typed; whether the line can go."""
        if not text.strip():
            return True
        try:
            events = self._events(text)
        except TrackerError as error:
            self._screen.say(error.lines[0], "late")
            return False
        return self._actions.perform(batch_of(self._progress, events, self._words(events)))

    @property
    def _progress(self) -> Progress:
        return self._session.progress

    def _events(self, text: str) -> list[dict[str, Any]]:
        from tracker.journal.typed import parse_entry

        session, utc = self._session, self._screen.utc()
        ahead = session.ahead
        return parse_entry(text, ahead, now=session.now(utc, ahead), utc_now=utc, seat=session.seat)

    def _preview(self, text: str) -> tuple[str, Ink]:
        """Return what Enter would write, with the resulting PET and UTC, or what is wrong with the text."""
        try:
            events = self._events(text)
            unusual = self._session.unusual(events, self._screen.utc())
        except TrackerError as error:
            return (error.lines[0], "late")
        note = f"   note: {unusual[0]}" if unusual else ""
        words = f"Enter writes {self._when(events[-1])}: {self._words(events)}{note}"
        return (words, "late" if unusual else "going")

    def _words(self, events: list[dict[str, Any]]) -> str:
        said = [event_words(self._progress, str(event.get("kind")), event) for event in events]
        if len(said) == 1:
            return said[0]
        every = f"{count(len(said), 'event')}: {'; '.join(said)}"
        return every if len(every) <= MOST else f"{count(len(said), 'event')}, from {said[0]} to {said[-1]}"

    def _when(self, event: dict[str, Any]) -> str:
        """Return the PET and the UTC at which an event will stand."""
        zero, at = self._progress.zero, event.get("at")
        if event.get("kind") == "zero":
            return f"for {event.get('utc')}"
        if zero is None:
            return "before the clock starts"
        pet = float(at) if isinstance(at, (int, float)) else self._session.now(self._screen.utc())
        return f"at {pet_s(pet)} = {zero + timedelta(seconds=pet):%H:%M:%S} UTC"


def batch_of(progress: Progress, events: list[dict[str, Any]], words: str) -> EventBatch:
    """Return events as a batch that is shown beside the names of all whom they are about."""
    crew = dict.fromkeys(c for event in events for c in key_events.crew_of(progress, event))
    return EventBatch(tuple(events), words, tuple(crew))

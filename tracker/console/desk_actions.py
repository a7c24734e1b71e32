"""What the operator's keys do: they tick, take back, call home; as events, or in words why not.

Hides what is asked before anything is written. The screen is told, and nothing here paints.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, timedelta

from tracker.console import key_events
from tracker.console.digits import RECALL_S, AskedTwice, Digits
from tracker.console.key_events import EventBatch
from tracker.console.left_open import Meant
from tracker.console.live_screen import LiveScreen
from tracker.console.pending import PATIENCE_S
from tracker.console.seat_clock import instant_of
from tracker.console.session import DeskRuntime
from tracker.console.view.alerts import first_waiting, said_of
from tracker.console.view.scene import Scene
from tracker.console.view.steps import left_clocks
from tracker.console.view.words import called_words, inside_words, pet, redo_words
from tracker.console.workers import Estimated
from tracker.forecast.due import left_by_recall
from tracker.foundation.text import plain
from tracker.journal.progress import Progress

SLIP = timedelta(hours=12)
"""From this difference between planned and actual zero on it is said what becomes of the windows."""


RECALL = "recall"
"""The question that has two answers."""
MARK = "acknowledge"
"""The question whether an alert was meant to be marked that has only just come to be the first."""
FRESH_S = 2.0
"""For so long it has: the eye was on the one before."""
AT_ONCE = "n"
"""The key that answers it with at once; caps lock must not choose it."""


@dataclass
class FirstAlert:
    """Which alert is the first in sight; `mono` counts seconds."""

    id: str = ""
    since: float = -math.inf
    """Since when, where another one was there before that no key had marked."""
    marked: frozenset[str] = frozenset()
    """Those that a key marked last."""
    asked_of: str = ""
    """The one of which it is asked whether it is meant."""

    def painted(self, scene: Scene, mono: float) -> None:
        """Notice that another alert came to be the first."""
        first = next((alert.id for alert in first_waiting(scene)), "")
        if first != self.id:
            self.since = -math.inf if self.id in {"", *self.marked} else mono
            self.id = first


class DeskActions:
    """The actions of a desk that write."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime) -> None:
        self._screen, self._runtime, self._session = screen, runtime, runtime.session
        self.asked = AskedTwice(screen, runtime)
        """What was asked for once."""
        self.digits = Digits(screen, runtime, self.asked, self.perform)
        """What the digits do."""
        self._undone: tuple[str, int, float | None] | None = None
        """What was said of an undo, the number of the last event then, and INSIDE before it."""
        self.first = FirstAlert()
        """The alert that a key marks."""
        self.held_at: int | None = None
        """When the hold that is being typed was asked for."""

    @property
    def _ahead(self) -> Progress | None:
        """What will stand once what waits for the disk is on it: what hands go by."""
        return self._session.ahead if self._session.snapshot else None

    def perform(self, batch: EventBatch) -> bool:
        """Send a batch on its way to the disk; whether anything was sent."""
        self._runtime.look_at_clock()
        utc = instant_of(batch.events, self._screen.utc())
        sent = self._session.perform(batch, utc, self._screen.mono())
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
        if (before := self._session.snapshot) is not None:
            self._session.look(self._screen.mono())
            if self._session.snapshot is not before:
                self._screen.repaint()

    def answered(self, key: str) -> bool:
        """Whether a key answers and no command stands for it; a question that another key comes to ends."""
        if key == "0" and self.digits.wants_minutes:
            self.digits.digit(0)
            return True
        if key == AT_ONCE and self.asked.stands(RECALL):
            self.asked.end()
            self._call("at once")
            return True
        self.asked.pressed(key)
        return False

    def drop_begun(self) -> None:
        """Forget what was begun."""
        self.digits.drop()
        self.held_at = None

    # Beside an open line

    def bounce(self, key: str, within_s: float) -> None:
        """Say that a key bounced."""
        self.asked.bounce(key, within_s)

    def typed(self, meant: Sequence[Meant]) -> None:
        """Say of digits in the line that they tick nothing, before what the line says of them."""
        digits = " ".join(str(one.digit) for one in meant)
        words = f"{digits} is text here and ticks nothing: Esc, then {digits} ticks"
        self._screen.say(f"{words}   {self._session.said.strip()}", "late")

    def offer(self, meant: Sequence[Meant]) -> None:
        """Ask of digits that were in the line whether they were ticks."""
        self.digits.offer(meant)

    def expire(self) -> None:
        """Forget what was begun or asked for, and not completed in time."""
        self.digits.expire()
        self.asked.expire()

    # Keys

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
        words = f"the clock runs since {at:%H:%M:%S} UTC.  {key_events.digits_words(progress)}"
        planned = progress.plan.zero_planned
        if planned is not None and progress.plan.windows and abs(at - planned) > SLIP:
            words += f"; planned for {planned:%Y-%m-%d %H:%M}{key_events.windows_words(at, planned)}"
        self.perform(EventBatch(({"kind": "zero", "utc": utc},), words))

    def undo(self) -> None:
        """Take back this seat's latest entry, also one that the disk has not answered for yet."""
        if self._ahead is None or self.asked.bounced("undo"):
            return
        self.digits.drop()
        batch = self._session.take_back(redo=self._screen.key("redo"))
        if batch is None:
            self._screen.repaint()
        elif self.perform(batch):
            scene = self._screen.last_scene
            before = scene.estimate.inside.p50 if scene and scene.estimate else None
            self._undone = (batch.words, self._session.number, before)

    def heard(self, report: object) -> None:
        """Keep in sight what is asked, also over what a report made the desk say."""
        if isinstance(report, Estimated):
            self.estimated(report)
        self.asked.say_over()

    def estimated(self, report: Estimated) -> None:
        """Say of an undo what INSIDE was before it and is after it, once that is worked out."""
        if self._undone is None or not report.full or report.wanted.progress.number <= self._undone[1]:
            return
        (words, _, before), self._undone = self._undone, None
        said, back = self._session.said, redo_words(self._screen.key("redo"))
        if before is not None and said == words and back in said:
            inside = inside_words(before, report.estimate.inside.p50)
            self._screen.say(said.replace(back, f"; {inside}{back}"), "going")

    def redo(self) -> None:
        """Put on record again what was taken back."""
        if self.asked.bounced("redo"):
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
        self.digits.drop()
        if self._ahead is not None:
            self.perform(make(self._ahead))

    def go(self) -> None:
        """Give the go that is next; when asked twice, one that nobody stands before yet."""
        if self._ahead is None or self.asked.bounced("go"):
            return
        batch = key_events.went(self._ahead, self._screen.key("go"))
        if not batch.asks or self.asked.twice("go", f" {batch.asks} "):
            self._perform_ahead(lambda ahead: batch)

    def hold(self) -> None:
        """Open the entry line with a hold from this instant on, so that the reason can be typed in peace."""
        if self._screen.progress is not None:
            self._screen.entry.open("entry", "hold ")
            self.held_at = int(self._session.now(self._screen.utc()))

    def acknowledge(self) -> None:
        """Mark the first alert as seen, and those that share its row."""
        scene = self._screen.last_scene
        alerts = first_waiting(scene) if scene else []
        if scene is None or not alerts:
            self._screen.say("no alert waits")
            return
        first, words, asks = alerts[0].id, said_of(scene, alerts[0]), self.asked.stands(MARK)
        sure = self.first.asked_of == first if asks else self._screen.mono() - self.first.since >= FRESH_S
        self.asked.end()
        if not sure:
            self.first.asked_of = first
            self.asked.twice(MARK, f" {self._screen.key(MARK)} again marks: {words} ")
            return
        self.first.marked = frozenset(alert.id for alert in alerts)
        events = tuple({"kind": "acknowledged", "alert": alert.id} for alert in alerts)
        self.perform(EventBatch(events, f"seen: {words}"))

    def recall(self) -> None:
        """Call everyone home, when asked twice; from then on the desk is the way home."""
        progress, scene = self._ahead, self._screen.last_scene
        if progress is None or self.asked.bounced(RECALL):
            return
        crew = key_events.outside(progress)
        if not crew:
            self._screen.say("nobody is outside", "late")
            return
        if self._said_called(progress, crew):
            return
        comes_to = called_words(scene.estimate if scene else None)
        again = "asked again: not called yet; " if self.asked.lapsed(RECALL) else ""
        words = f" {again}{self._screen.key(RECALL)} again calls {' '.join(crew)} home{comes_to}"
        if self.asked.twice(RECALL, f"{words}{self._leaves(progress)}; any other key neither ", RECALL_S):
            self._call("home")

    def _leaves(self, progress: Progress) -> str:
        """Return what a recall leaves, and what one at once leaves besides."""
        now = self._session.now(self._screen.utc(), progress)
        home, once = (left_by_recall(progress, now, call) for call in ("home", "at once"))
        more = [words for words in once if words not in home]
        leaves = f"; leaves {', '.join(home)}" if home else ""
        besides = f", leaves {', '.join(more)} too" if more else ""
        return f"{leaves}; {AT_ONCE} at once{besides}"

    def _said_called(self, progress: Progress, crew: Sequence[str]) -> bool:
        """Whether everybody outside is called already; then it says since when, and what keys there are."""
        calls = {(one.call, one.at) for c in crew if (one := progress.recall.get(c)) is not None}
        if not all(c in progress.recall for c in crew):
            return False
        said = "; ".join(f"called {call} at {pet(at)}" for call, at in sorted(calls, key=lambda one: one[1]))
        there, once = f"{self._screen.key('home')}: the way home", any(call == "home" for call, _ in calls)
        words = f"{' '.join(crew)} {said}; {there}"
        if once and not self.asked.stands(RECALL):
            self.asked.twice(RECALL, f" {words}; {AT_ONCE} at once; any other key nothing ")
        else:
            self._screen.say(words)
        return True

    def _call(self, call: str) -> None:
        if self._ahead is not None:
            crew = key_events.outside(self._ahead)
            words = f"called {' '.join(crew)} {call}"
            self.perform(EventBatch(({"kind": "called", "call": call},), words, crew))

    def close(self) -> None:
        """Close the excursion, when asked twice."""
        progress, now = self._session.ahead, self._session.now(self._screen.utc())
        clocks = "".join(f"; {plain(words)}" for words in left_clocks(progress, now))
        if self.asked.twice("close", f" {self._screen.key('close')} again closes the excursion{clocks} "):
            after = f"tracker debrief {self._session.path} says which limits were kept"
            self.perform(EventBatch(({"kind": "closed"},), f"closed.  {after}"))

    def leave(self) -> None:
        """Leave the desk, when asked twice."""
        kept = self._session.kept
        unsaved = len(self._session.unsaved) - kept
        warning = f"{kept} kept here alone: the next desk at this seat sends them. " if kept else ""
        if refused := len(self._session.refusals.presses):
            warning += f"{refused} refused and not decided on: asked again at the next start. "
        warning += f"{unsaved} not on disk: they will be printed. " if unsaved else ""
        words = f" {warning}{self._screen.key('quit')} again leaves the desk "
        if self._screen.progress is None or self.asked.twice("quit", words):
            self._screen.app.exit(return_code=0)

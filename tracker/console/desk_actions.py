"""What the operator's keys do: they tick, ask twice, take back, call home; as events, or in words why not.

Hides what was begun and waits for a digit, what was asked for once, and that the tail of a mistake ticks
nothing. The screen is told, and nothing here paints.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, timedelta

from tracker.console import key_events
from tracker.console.key_events import DEAF_S, REPEAT_S, EventBatch, Kind, Prefix
from tracker.console.live_screen import LiveScreen
from tracker.console.pending import PATIENCE_S
from tracker.console.seat_clock import instant_of
from tracker.console.session import DeskRuntime
from tracker.console.view.alerts import first_waiting, said_of
from tracker.console.view.words import called_words, inside_words, pet
from tracker.console.workers import Estimated
from tracker.forecast.due import left_by_recall
from tracker.journal.progress import Progress

ASK_S = 5.0
"""How long a key that is asked twice waits for the second time."""
DIGITS = tuple("123456789")


@dataclass(frozen=True, slots=True)
class Question:
    """What was asked for once."""

    what: str
    """The id of the command that asked it; anything else where digits answer it."""
    words: str
    since: float

    def stands(self, mono: float) -> bool:
        """Return whether it can still be answered."""
        return mono - self.since <= ASK_S


class AskedTwice:
    """The question of a desk, and which keys come again too soon to be meant."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime) -> None:
        self._screen, self._session = screen, runtime.session
        self._question: Question | None = None
        self._pressed: dict[str, float] = {}
        """When a key was pressed last."""

    def bounced(self, key: str) -> bool:
        """Return whether this key comes again too soon to be meant."""
        before, mono = self._pressed.get(key), self._screen.mono()
        self._pressed[key] = mono
        return before is not None and mono - before < REPEAT_S

    def stands(self, what: str) -> bool:
        """Whether this is asked and can be answered."""
        asked = self._question
        return asked is not None and asked.what == what and asked.stands(self._screen.mono())

    def twice(self, what: str, words: str) -> bool:
        """Return whether a key that is asked twice was pressed for the second time; else ask."""
        if self.stands(what):
            self._question = None
            return True
        self._question = Question(what, words, self._screen.mono())
        self._screen.say(words, "alarm")
        self._screen.set_timer(ASK_S + 0.05, self.expire)
        return False

    def pressed(self, key: str) -> None:
        """End the question where a key is none of its own."""
        if self._question is None:
            return
        command = self._screen.table.get(self._question.what)
        own = command.keys if command is not None else DIGITS
        if key not in own or not self._question.stands(self._screen.mono()):
            self.end()

    def expire(self) -> None:
        """End the question once it has stood for long enough."""
        if self._question is not None and not self._question.stands(self._screen.mono()):
            self.end()

    def end(self) -> None:
        """Ask no longer."""
        question, self._question = self._question, None
        if question is not None and self._session.said == question.words:
            self._screen.say("")


class Digits:
    """The digits of a desk, and what was begun before them."""

    def __init__(
        self,
        screen: LiveScreen,
        runtime: DeskRuntime,
        asked: AskedTwice,
        perform: Callable[[EventBatch], bool],
    ) -> None:
        self._screen, self._session, self._asked, self._perform = screen, runtime.session, asked, perform
        self._prefix: Prefix | None = None
        """What was begun and waits for a digit."""
        self._deaf_until = 0.0
        """Digits before it are the tail of a mistake."""

    @property
    def _ahead(self) -> Progress | None:
        """What will stand once what waits for the disk is on it: what hands go by."""
        return self._session.ahead if self._session.snapshot else None

    def begin(self, kind: Kind) -> None:
        """Begin something that a digit completes."""
        self._begin(Prefix(kind, self._screen.mono()))

    def late(self) -> None:
        """Begin a late tick, or make it ten minutes later still."""
        prefix, mono = self._prefix, self._screen.mono()
        late = prefix is not None and prefix.kind == "late" and not prefix.lapsed(mono)
        self._begin(prefix.ten_more(mono) if late and prefix is not None else Prefix("late", mono))

    def _begin(self, prefix: Prefix) -> None:
        progress = self._ahead
        if progress is None:
            return
        self._prefix = prefix
        self._screen.say(f" {prefix.words(progress, self._screen.key('late'))}   Esc leaves it ", "typed")

    def drop(self) -> None:
        """Forget what was begun."""
        self._prefix = None

    def expire(self) -> None:
        """Forget what was begun and not completed in time."""
        if self._prefix is not None and self._prefix.lapsed(self._screen.mono()):
            self.left()

    def left(self) -> bool:
        """Leave what was begun; whether a digit was waited for."""
        begun, self._prefix = self._prefix is not None, None
        if begun:
            self._session.say("")
        return begun

    @property
    def wants_minutes(self) -> bool:
        """Whether the next digit is of minutes."""
        return self._prefix is not None and self._prefix.crew is not None

    def digit(self, digit: int) -> None:
        """Tick, or take the digit for what was begun before it."""
        mono, prefix, progress = self._screen.mono(), self._prefix, self._ahead
        if mono < self._deaf_until:
            return
        if prefix is None or progress is None or prefix.kind != "late":
            self.tick(digit)
        elif prefix.crew is not None:
            self._do(prefix, prefix.crew, prefix.minutes(digit))
        elif key_events.member_of(progress, digit) is None:
            self._refuse_prefix(f"late: there is no crew member {digit}")
        elif (longer := prefix.of(digit, mono)) is not None:
            self._begin(longer)

    def _refuse_prefix(self, words: str) -> None:
        """Say why what was begun comes to nothing, and take the digits behind it for its tail."""
        self._prefix, self._deaf_until = None, self._screen.mono() + DEAF_S
        self._screen.say(words, "late")

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
        prefix, mono = self._prefix, self._screen.mono()
        if prefix is not None and (longer := prefix.of(number, mono)) is not None:
            self._begin(longer)
        elif prefix is not None or not self._asked.bounced(f"digit-{number}"):
            self._do(prefix, number)

    def _do(self, prefix: Prefix | None, number: int, minutes: int | None = None) -> None:
        """Write what a digit completes, unless it is asked for a second time."""
        progress = self._ahead
        if progress is None:
            return
        self._prefix = None
        batch = self._batch(progress, number, prefix, minutes)
        if prefix is not None and not batch.events:
            self._refuse_prefix(batch.words)
        elif batch.asks and not self._asked.twice(f"digit {number} {minutes}", f" {batch.asks} "):
            self._prefix = prefix if minutes is not None else None
        else:
            self._perform(batch)

    def _batch(
        self, progress: Progress, digit: int, prefix: Prefix | None, minutes: int | None
    ) -> EventBatch:
        if prefix is not None and prefix.kind == "count":
            return key_events.one_more(progress, digit)
        if prefix is not None and prefix.kind == "skip":
            return key_events.skip(progress, digit)
        crew, scene = key_events.member_of(progress, digit), self._screen.last_scene
        painted = scene.progress.current.get(crew) if scene and crew else None
        now = self._session.now(self._screen.utc(), progress)
        start, left_out = self._screen.key("zero"), scene.snapshot.passed_over if scene else frozenset()
        batch = key_events.tick(progress, digit, painted, now, minutes, start=start, left_out=left_out)
        return key_events.asked(batch, progress, left_out, digit, now)


SLIP = timedelta(hours=12)
"""From this difference between planned and actual zero on it is said what becomes of the windows."""


RECALL = "recall"
"""The question that has two answers."""
AT_ONCE = "n"
"""The key that answers it with at once; caps lock must not choose it."""


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

    def estimated(self, report: Estimated) -> None:
        """Say of an undo what INSIDE was before it and is after it, once that is worked out."""
        if self._undone is None or not report.full or report.wanted.progress.number <= self._undone[1]:
            return
        (words, _, before), self._undone = self._undone, None
        said, back = self._session.said, f"   {self._screen.key('redo')} brings"
        if before is not None and said == words and back in said:
            inside = inside_words(before, report.estimate.inside.p50)
            self._screen.say(said.replace(back, f"; {inside}{back}"), "going")

    def redo(self) -> None:
        """Bring back what was taken back."""
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
        events = tuple({"kind": "acknowledged", "alert": alert.id} for alert in alerts)
        self.perform(EventBatch(events, f"seen: {said_of(scene, alerts[0])}"))

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
        words = f" {self._screen.key(RECALL)} again calls {' '.join(crew)} home{comes_to}"
        if self.asked.twice(RECALL, f"{words}{self._leaves(progress)}; any other key neither "):
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
        if self.asked.twice("close", f" {self._screen.key('close')} again closes the excursion "):
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

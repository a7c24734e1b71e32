"""What the operator's commands write: each becomes events on their way to the disk, or words why not.

Hides what has to be asked twice, and what a key before a digit means. The screen is told, and nothing here
paints.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, timedelta

from tracker.console import key_events
from tracker.console.follows import called_words, inside_words
from tracker.console.key_events import ASK_S, DEAF_S, EventBatch, Kind, Prefix, Question
from tracker.console.live_screen import LiveScreen
from tracker.console.session import PATIENCE_S, DeskRuntime
from tracker.console.view.alerts import waiting_alerts
from tracker.console.workers import Estimated
from tracker.journal.progress import Progress

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
        self._prefix: Prefix | None = None
        """What was begun and waits for a digit."""
        self._question: Question | None = None
        """What was asked for once."""
        self._deaf_until = 0.0
        """Digits before it are the tail of a mistake."""
        self._pressed: dict[str, float] = {}
        """When a key was pressed last."""
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

    # What is asked twice

    def _twice(self, what: str, words: str) -> bool:
        """Return whether a key that is asked twice was pressed for the second time; else ask."""
        before, mono = self._question, self._screen.mono()
        if before is not None and before.what == what and before.stands(mono):
            self._question = None
            return True
        self._question = Question(what, words, mono)
        self._screen.say(words, "alarm")
        self._screen.set_timer(ASK_S + 0.05, self.expire)
        return False

    def answered(self, key: str) -> bool:
        """Whether a key answers and no command stands for it; a question that another key comes to ends."""
        if key == "0" and self._prefix is not None and self._prefix.crew is not None:
            self.digit(0)
            return True
        question = self._question
        if question is None:
            return False
        stands = question.stands(self._screen.mono())
        if stands and question.what == RECALL and key == AT_ONCE:
            self._end_question()
            self._call("at once")
            return True
        if not stands or key not in self._keys_of(question.what):
            self._end_question()
        return False

    def _keys_of(self, what: str) -> tuple[str, ...]:
        """Return the keys that answer a question: those of the command that asked it, or a digit."""
        command = self._screen.table.get(what)
        return command.keys if command is not None else tuple("123456789")

    def _end_question(self) -> None:
        question, self._question = self._question, None
        if question is not None and self._session.said == question.words:
            self._screen.say("")

    # Digits, and the keys before them

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

    def drop_prefix(self) -> None:
        """Forget what was begun."""
        self._prefix = self.held_at = None

    def expire(self) -> None:
        """Forget what was begun or asked for, and not completed in time."""
        if self._prefix is not None and self._prefix.lapsed(self._screen.mono()):
            self._prefix = None
            self._session.say("")
        if self._question is not None and not self._question.stands(self._screen.mono()):
            self._end_question()

    def left_begun(self) -> bool:
        """Leave what was begun; whether a digit was waited for."""
        begun, self._prefix = self._prefix is not None, None
        if begun:
            self._session.say("")
        return begun

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
        elif prefix is not None or not self._bounced(f"digit-{number}"):
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
        elif batch.asks and not self._twice(f"digit {number} {minutes}", f" {batch.asks} "):
            self._prefix = prefix if minutes is not None else None
        else:
            self.perform(batch)

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
        batch = key_events.tick(progress, digit, painted, now, minutes, start=self._screen.key("zero"))
        return key_events.asked(batch, progress, scene.snapshot.passed_over if scene else (), digit, now)

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
            self._screen.entry.open("entry", "hold ")
            self.held_at = int(self._session.now(self._screen.utc()))

    def acknowledge(self) -> None:
        """Acknowledge the first alert."""
        scene = self._screen.last_scene
        alerts = waiting_alerts(scene) if scene else []
        if not alerts:
            self._screen.say("no alert waits")
            return
        event = {"kind": "acknowledged", "alert": alerts[0].id}
        self.perform(EventBatch((event,), f"seen: {alerts[0].text}"))

    def recall(self) -> None:
        """Call everyone home, when asked twice; from then on the desk is the way home."""
        progress, scene = self._ahead, self._screen.last_scene
        if progress is None or self._bounced(RECALL):
            return
        crew = key_events.outside(progress)
        if not crew:
            self._screen.say("nobody is outside", "late")
            return
        comes_to = called_words(scene.estimate if scene else None)
        words = f" {self._screen.key(RECALL)} again calls {' '.join(crew)} home{comes_to};"
        if self._twice(RECALL, f"{words} {AT_ONCE} at once; any other key neither "):
            self._call("home")

    def _call(self, call: str) -> None:
        if self._ahead is not None:
            crew = key_events.outside(self._ahead)
            words = f"called {' '.join(crew)} {call}"
            self.perform(EventBatch(({"kind": "called", "call": call},), words, crew))

    def close(self) -> None:
        """Close the excursion, when asked twice."""
        if self._twice("close", f" {self._screen.key('close')} again closes the excursion "):
            self.perform(EventBatch(({"kind": "closed"},), "the excursion is closed"))

    def leave(self) -> None:
        """Leave the desk, when asked twice."""
        kept = self._session.kept
        unsaved = len(self._session.unsaved) - kept
        warning = f"{kept} kept here alone: the next desk at this seat sends them. " if kept else ""
        warning += f"{unsaved} not on disk: they will be printed. " if unsaved else ""
        words = f" {warning}{self._screen.key('quit')} again leaves the desk "
        if self._screen.progress is None or self._twice("quit", words):
            self._screen.app.exit(return_code=0)

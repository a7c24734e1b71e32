"""Keys that want another one: a question asked twice, a late tick and its digits, a digit meant as a tick.

Hides what was begun and waits for a digit, what was asked for once, which keys bounced, and that the tail of
a mistake ticks nothing. The screen is told, and nothing here paints.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tracker.console import key_events
from tracker.console.key_events import DEAF_S, PAIR_S, REPEAT_S, EventBatch, Kind, Prefix
from tracker.console.left_open import Meant
from tracker.console.live_screen import LiveScreen
from tracker.console.session import DeskRuntime
from tracker.journal.progress import Progress

ASK_S = 5.0
"""How long a key that is asked twice waits for the second time."""
TOLD_S = 2.0
"""How long it is kept in sight that a key bounced."""
RECALL_S = 15.0
"""How long a recall waits for it: its question is three lines long, and is read before it is answered."""
MEANT_S = 30.0
"""How long it is asked whether a digit in a line was a tick."""
MEANT = "meant"
"""The question that asks it."""
DIGITS = tuple("123456789")


@dataclass(frozen=True, slots=True)
class Question:
    """What was asked for once."""

    what: str
    """The id of the command that asked it; anything else where digits answer it."""
    words: str
    since: float
    for_s: float

    def stands(self, mono: float) -> bool:
        """Return whether it can still be answered."""
        return mono - self.since <= self.for_s


class AskedTwice:
    """The question of a desk, and which keys come again too soon to be meant."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime) -> None:
        self._screen, self._session = screen, runtime.session
        self._question: Question | None = None
        self._pressed: dict[str, float] = {}
        """When a key was pressed last."""
        self._lapsed = ""
        """What was asked last, where nobody answered it in time."""
        self._bounce = ("", 0.0)
        """What is said of the last key that bounced, and when it did."""

    def bounced(self, id: str, asked: str = "") -> bool:
        """Return whether the key of a command comes again too soon to be meant; then it is said.

        `asked`: what its second press answers; where that is asked, two quick presses are meant.
        """
        before, mono = self._pressed.get(id), self._screen.mono()
        self._pressed[id] = mono
        within = PAIR_S if self.stands(asked or id) else REPEAT_S
        bounces = before is not None and mono - before < within
        if bounces:
            self.bounce(self._screen.key(id), within)
        return bounces

    def bounce(self, key: str, within_s: float) -> None:
        """Say that a key bounced, also behind what is said of its first press once that is written."""
        words = f"{key} came twice within {within_s:g} s: taken once"
        self._bounce = (words, self._screen.mono())
        self.say_over()

    def stands(self, what: str) -> bool:
        """Whether this is asked and can be answered."""
        asked = self._question
        return asked is not None and asked.what == what and asked.stands(self._screen.mono())

    def twice(self, what: str, words: str, for_s: float = ASK_S) -> bool:
        """Return whether a key that is asked twice was pressed for the second time; else ask for so long."""
        answered, self._lapsed = self.stands(what), ""
        if answered:
            self._question = None
            return True
        self._question = Question(what, words, self._screen.mono(), for_s)
        self._screen.say(words, "alarm")
        self._screen.set_timer(for_s + 0.05, self.expire)
        return False

    def pressed(self, key: str) -> None:
        """End the question where a key is none of its own."""
        if self._question is None:
            return
        command = self._screen.table.get(self._question.what)
        own = command.keys if command is not None else DIGITS
        if key not in own or not self._question.stands(self._screen.mono()):
            self.end()

    def lapsed(self, what: str) -> bool:
        """Whether this was asked last, and not answered in time."""
        self.expire()
        return self._lapsed == what

    def expire(self) -> None:
        """End the question once it has stood for long enough."""
        if self._question is not None and not self._question.stands(self._screen.mono()):
            self.end()

    def end(self) -> None:
        """Ask no longer."""
        question, self._question = self._question, None
        if question is not None and not question.stands(self._screen.mono()):
            self._lapsed = question.what
        if question is not None and self._session.said.startswith(question.words):
            self._screen.say("")

    def say_over(self) -> None:
        """Keep in sight what is asked, before what was said since, and behind it that a key bounced."""
        mono, said, (bounce, since) = self._screen.mono(), self._session.said, self._bounce
        question = self._question if self._question and self._question.stands(mono) else None
        told = said if question is None or said.startswith(question.words) else f"{question.words}  {said}"
        if bounce and mono - since < TOLD_S and bounce not in told:
            told = f"{told.rstrip()}   {bounce}"
        if told != said:
            self._screen.say(told, self._session.said_ink if question is None else "alarm")


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
        self._meant: list[Meant] = []
        """Digits that went into a line, and are asked about."""

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
        if mono < self._deaf_until or self._was_meant(digit):
            return
        if prefix is None or progress is None or prefix.kind != "late":
            self.tick(digit)
        elif prefix.crew is not None:
            self._do(prefix, prefix.crew, prefix.minutes(digit))
        elif key_events.member_of(progress, digit) is None:
            self._refuse_prefix(f"late: there is no crew member {digit}; digits do nothing for a moment")
        elif (longer := prefix.of(digit, mono)) is not None:
            self._begin(longer)

    def offer(self, meant: Sequence[Meant]) -> None:
        """Ask of digits that went into a line whether they were ticks, each at its own instant."""
        self._meant = [*meant]
        self._ask_meant()

    def _ask_meant(self) -> None:
        """Ask of the first of them that can be a tick."""
        while self._meant and (batch := self._meant_tick(self._meant[0])) is not None:
            digit = self._meant[0].digit
            if batch.events:
                then = " ".join(str(one.digit) for one in self._meant[1:])
                also = f"; then {then}" if then else ""
                words = f" {digit} went into the line: {digit} again ticks it as of then, {batch.words}{also}"
                self._asked.twice(MEANT, f"{words}; any other key does not ", MEANT_S)
                return
            self._meant.pop(0)

    def _meant_tick(self, meant: Meant) -> EventBatch | None:
        """Return the tick of a digit that went into a line, at its instant; None without a journal."""
        progress = self._ahead
        if progress is None:
            return None
        at = self._session.now(meant.utc, progress)
        return key_events.tick(progress, meant.digit, None, at, 0, start=self._screen.key("zero"))

    def _was_meant(self, digit: int) -> bool:
        """Whether a digit answers that another one in a line was a tick; that is written then."""
        meant, self._meant = self._meant, []
        stood = bool(meant) and self._asked.stands(MEANT)
        if stood:
            self._asked.end()
        if not stood or meant[0].digit != digit:
            return False
        batch = self._meant_tick(meant[0])
        if batch is not None:
            self._perform(batch)
        self._meant = meant[1:]
        self._ask_meant()
        return True

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
            return
        id = f"tick-{number}" if number < 10 else "tick-chosen"
        if prefix is not None or not self._asked.bounced(id, f"digit {number} None"):
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

"""What the digits of a desk do: they tick, or complete what a key before them began.

Hides what was begun and for how long it stands, and that the tail of a mistake ticks nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from tracker.console import key_events
from tracker.console.asked import AskedTwice
from tracker.console.key_events import DEAF_S, EventBatch, Kind, Prefix
from tracker.console.live_screen import LiveScreen
from tracker.console.session import DeskRuntime
from tracker.journal.progress import Progress


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

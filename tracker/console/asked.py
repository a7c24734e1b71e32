"""What is asked twice: a question that stands for a moment, in reverse, and that any other key ends."""

from __future__ import annotations

from dataclasses import dataclass

from tracker.console.key_events import REPEAT_S
from tracker.console.live_screen import LiveScreen
from tracker.console.session import DeskRuntime

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

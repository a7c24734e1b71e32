"""The line of a round: it asks one thing after the other, person by person, in few keys.

`o` is ok, at once; `n` and why, with Enter, is not; a number is what was read. With the last answer of
somebody all of theirs are written, unless what was read is unlikely: then Enter is wanted first. Hides whose
turn it is, and keys that come faster than they are looked at.
"""

from __future__ import annotations

import math
import re

from tracker.console.desk_actions import DeskActions
from tracker.console.entry_line import Purpose
from tracker.console.key_events import batch_of
from tracker.console.live_screen import LiveScreen
from tracker.console.session import DeskRuntime
from tracker.console.typed_doubts import doubts
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import plain
from tracker.journal.kinds import NOT_OK
from tracker.journal.rounds import rounds_at
from tracker.journal.wording import event_words
from tracker.plan.model import Round

_BETWEEN = re.compile(r"[\s,kK]+")
"""Between answers, and the rest of a written out `ok`."""
_AT_ONCE = re.compile(r"([oO])|([\d.]+)(?=[\s,oOnN])")
"""An answer that needs no Enter: ok, or a number with something behind it."""
_NUMBER = re.compile(r"[\d.]+")
ENDED_S = 2.0
"""An Enter so soon after the last answer, which needs none, opens no line."""


class RoundLine:
    """The entry line of a desk while a round is asked."""

    PURPOSE = "round"

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime, actions: DeskActions) -> None:
        self._screen, self._session, self._actions = screen, runtime.session, actions
        self._round: Round | None = None
        self._crew: list[str] = []
        """Who has still to answer; the first is asked."""
        self._answers: list[str] = []
        """Their answers so far, as they are typed."""
        self._doubt = ""
        """Why Enter is wanted before their answers are written."""
        self._wrong = ""
        """What was wrong with the last answer."""
        self._bare = False
        """Whether it was asked why something is not ok."""
        self._ended = -math.inf
        """When the last answer ended the round, on the clock for short spans."""

    def purpose(self) -> Purpose:
        """Return what the line is for."""
        return Purpose(" ROUND ", self._offer, lambda text, by: None, self._enter, self._left, figures=True)

    def begin(self) -> None:
        """Ask the round that is due first: whoever is missing, before it is due everybody outside."""
        progress, now = self._session.ahead, self._session.now(self._screen.utc())
        states = sorted(rounds_at(progress, now), key=lambda one: (not one.missing, one.due))
        if not states:
            why = "all are inside" if progress.plan.rounds else "the plan has none"
            self._screen.say(f"there is no round to ask: {why}", "late")
            return
        self._round = states[0].round
        self._crew = [*(states[0].missing or states[0].asked)]
        self._answers, self._doubt, self._wrong, self._bare = [], "", "", False
        self._screen.entry.open(self.PURPOSE)

    def just_ended(self) -> bool:
        """Return, once, whether the last answer has only just ended a round: an Enter meant that one."""
        just, self._ended = self._screen.mono() - self._ended < ENDED_S, -math.inf
        return just

    def ask_again(self) -> None:
        """Say once more what is asked, where something else was said meanwhile."""
        entry = self._screen.entry
        if entry.line.display and entry.purpose == self.PURPOSE:
            self._prompt(entry.line.value)

    def _offer(self, text: str) -> None:
        """Take the answers that need no Enter, and say what is asked next."""
        line = self._screen.entry.line
        # Keys may have come since the text was offered.
        rest = line.value
        while self._crew and not self._doubt:
            rest = _BETWEEN.sub("", rest, count=1) if _BETWEEN.match(rest) else rest
            found = _AT_ONCE.match(rest)
            if found is None:
                break
            rest = rest[found.end() :]
            if not self._take("ok" if found[1] else found[2]):
                break
        if rest != line.value:
            line.value, line.cursor_position = rest, len(rest)
        self._prompt(rest)

    def _enter(self, text: str) -> bool:
        """Take what is typed as an answer; whether the round is done."""
        said = self._screen.entry.line.value.strip()
        if self._doubt:
            self._write()
        elif said.lower() in ("n", "no", "not") and not self._bare:
            self._bare, self._wrong = True, "why is it not ok? Enter again leaves that open; "
            self._prompt(said)
            return False
        elif said.lower() in ("n", "no", "not"):
            self._take(NOT_OK)
        elif said[:1].lower() == "n" or _NUMBER.fullmatch(said):
            self._take(said)
        elif said:
            self._wrong = f"{plain(said, most=40)} is no answer: "
        self._screen.entry.line.value = ""
        self._prompt("")
        return not self._crew

    def _left(self, text: str) -> None:
        key, who = self._screen.key("round"), self._crew[:1]
        self._screen.say(f"left: of {' '.join(who)} nothing is written   {key} asks again" if who else "")

    def _take(self, answer: str) -> bool:
        """Take one answer; whether what is asked takes such a one."""
        assert self._round is not None
        item = self._round.ask[len(self._answers)]
        if _NUMBER.fullmatch(answer) and item not in self._session.progress.plan.consumable:
            self._wrong = f"{item} has no figure: "
            return False
        self._answers, self._wrong, self._bare = [*self._answers, answer], "", False
        if len(self._answers) == len(self._round.ask):
            self._complete()
        return True

    def _complete(self) -> None:
        """Write the answers of one person, unless what was read is unlikely."""
        events = self._events()
        snapshot, now = self._session.snapshot, self._session.now(self._screen.utc())
        estimate = snapshot.estimate if snapshot is not None else None
        found = doubts(events, self._session.ahead, estimate, now) if events else []
        self._doubt = found[0] if found else ""
        if not self._doubt:
            self._write()

    def _events(self) -> list[dict[str, object]]:
        """Return what the answers mean; nothing where they mean nothing, which is said."""
        from tracker.journal.typed import parse_words

        assert self._round is not None
        words = ["check", self._round.id, self._crew[0], *(one.rstrip(",") for one in self._answers)]
        now = self._session.now(self._screen.utc())
        try:
            return parse_words(words, self._session.ahead, now=now, utc_now=self._screen.utc())
        except TrackerError as error:
            self._wrong = f"{error.lines[0]}: "
            return []

    def _write(self) -> None:
        """Send the answers on their way to the disk, and turn to whoever is next."""
        events, progress = self._events(), self._session.ahead
        self._answers, self._doubt = [], ""
        if events:
            words = "; ".join(event_words(progress, str(one["kind"]), one) for one in events)
            self._actions.perform(batch_of(progress, events, words))
            self._crew.pop(0)
        if not self._crew and self._screen.entry.line.display:
            self._ended = self._screen.mono()
            self._screen.entry.line.accepted()
            self._screen.entry.show(False)

    def _prompt(self, typed: str) -> None:
        """Say whom to ask what, what is answered by which key, and what comes then."""
        if not self._crew or self._round is None:
            return
        if self._doubt:
            self._screen.say(f" {self._doubt}: Enter writes it, Esc leaves it ", "alarm")
            return
        item, *then = self._round.ask[len(self._answers) :]
        read = ", or what is read" if item in self._session.progress.plan.consumable else ""
        keys = "Enter ends it" if typed[:1].lower() == "n" else f"o ok, n and why{read}"
        more = f"   then {', '.join(then)}" if then else ""
        who = f"; next {' '.join(self._crew[1:])}" if self._crew[1:] else ""
        asks = f"{self._wrong}{self._round.id}, {self._crew[0]}: {item}?   {keys}{more}{who}"
        self._screen.say(asks, "late" if self._wrong else "strong")

"""A typed line that becomes events: what it would write and what follows, before Enter writes it.

Hides what Enter is wanted twice for, and the estimate of what follows, which is worked out beside the screen.
"""

from __future__ import annotations

import time
from datetime import timedelta
from functools import partial
from typing import Any

from textual.worker import get_current_worker

from tracker.console.desk_actions import DeskActions
from tracker.console.doubts import doubts
from tracker.console.entry_line import Purpose
from tracker.console.follows import Follows, of_choices, of_estimates
from tracker.console.key_events import batch_of, outside
from tracker.console.live_screen import LiveScreen
from tracker.console.session import DeskRuntime
from tracker.console.view.styled_text import Ink
from tracker.console.view.words import pet_s
from tracker.forecast.values import Estimate
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import count
from tracker.journal.kinds import BY_NAME, UNTIMED
from tracker.journal.progress import Progress
from tracker.journal.wording import event_words

MOST = 200
"""Characters in which events that are written together are told one by one."""
EXAMPLES = "1 -3   k a   t 1 15   h 2 glove check   b o .52 .49   note ...   Tab completes"
STANDS_S = 0.25
"""How long a text stands before what follows from it is worked out."""
MOST_SUPPOSED = 20
"""Events whose consequences are worked out together."""


class TypedEvents:
    """The entry line of a desk."""

    def __init__(self, screen: LiveScreen, runtime: DeskRuntime, actions: DeskActions) -> None:
        self._screen, self._session, self._actions = screen, runtime.session, actions
        self._sure: str | None = None
        """A text that Enter was pressed for once and that is unlikely."""
        self._weighed: tuple[str, Follows | None] = ("", None)
        """A text, and what follows from it; None while that is worked out."""

    def purpose(self) -> Purpose:
        """Return what the entry line is for."""
        return Purpose(" ENTRY ", self._offer, self._complete, self._enter, self._left)

    def _left(self, text: str) -> None:
        self._screen.say(f"left, not written: {text}   the up arrow brings it back" if text else "")

    def _offer(self, text: str) -> None:
        if text != self._sure:
            self._sure = None
        if text.strip():
            self._screen.say(*self._preview(text))
        else:
            self._screen.say(EXAMPLES, "dim")

    def _complete(self, text: str, by: int) -> None:
        if not self._screen.entry.complete_last(text, "\n", by):
            self._screen.say("nothing completes this", "late")

    def _enter(self, text: str) -> bool:
        """Write what was typed, when asked twice what is unlikely; whether the line can go."""
        if not text.strip():
            return True
        if text.strip().lower() == UNDO:
            self._actions.undo()
            return True
        try:
            events = self._events(text)
        except TrackerError as error:
            self._screen.say(f"{error.lines[0]}   Esc leaves the line", "late")
            return False
        unlikely = self._unlikely(text, events)
        if unlikely and self._sure != text:
            self._sure = text
            self._screen.say(f" {unlikely[0]}: Enter again writes it ", "alarm")
            return False
        self._sure = None
        return self._actions.perform(batch_of(self._progress, events, self._written_words(events)))

    @property
    def _progress(self) -> Progress:
        return self._session.progress

    @property
    def _estimate(self) -> Estimate | None:
        """The estimate that is shown, where nothing happened since."""
        snapshot = self._session.snapshot
        found = snapshot.estimate if snapshot is not None else None
        return found if found is not None and found.at >= self._progress.at else None

    def _events(self, text: str) -> list[dict[str, Any]]:
        from tracker.journal.typed import parse_entry

        session, utc, since = self._session, self._screen.utc(), self._actions.held_at
        ahead = session.ahead
        events = parse_entry(text, ahead, now=session.now(utc, ahead), utc_now=utc, seat=session.seat)
        if since is not None and events[0]["kind"] == "held":
            events = [{"at": since, **event} for event in events]
        return events

    def _unlikely(self, text: str, events: list[dict[str, Any]]) -> list[str]:
        """Return why Enter is wanted twice, if it is."""
        now = self._session.now(self._screen.utc())
        found = doubts(events, self._session.ahead, self._estimate, now)
        follows = self._follows(text, events)
        if follows is not None and follows.worse and any(event["kind"] in CHOICES for event in events):
            found.append(follows.words)
        elif follows is None and (against := self._against(events)):
            found.append(f"{against}, and what follows is being worked out")
        return found

    def _against(self, events: list[dict[str, Any]]) -> str:
        """Return what was advised where a task is kept against it."""
        advised = self._advised()
        kept = [e["task"] for e in events if e.get("kind") == "chose" and e.get("choice") == "keep"]
        return next((f"advised {advised[t]}" for t in kept if advised.get(t) in ("decide", "drop")), "")

    def _advised(self) -> dict[str, str]:
        return {figure.task: figure.advice for figure in self._estimate.optional} if self._estimate else {}

    # What is said of it

    def _preview(self, text: str) -> tuple[str, Ink]:
        """Return what Enter would write, its PET and UTC, and what follows; or what is wrong."""
        try:
            events = self._events(text)
            unusual = self._session.unusual(events, self._screen.utc())
        except TrackerError as error:
            return (error.lines[0], "late")
        follows = self._follows(text, events)
        words = f"Enter writes {self._when(events[-1])}: {self._words(events)}"
        words += f"   {follows.words}" if follows is not None else ""
        unlikely = self._unlikely(text, events)
        notes = [note for note in (*unlikely, *unusual) if follows is None or note != follows.words]
        words += f"   note: {notes[0]}" if notes else ""
        return (f"{words}   Enter twice" if unlikely else words, "late" if unlikely or unusual else "going")

    def _written_words(self, events: list[dict[str, Any]]) -> str:
        """Return what is said once it is written; of a choice also what was advised."""
        advised = self._advised()
        chosen = [e["task"] for e in events if e.get("kind") == "chose"]
        tail = "".join(f", advised {advised[task]}: on record" for task in chosen if task in advised)
        inside = {event["crew"] for event in events if event["kind"] == "entered"}
        if inside and inside >= set(outside(self._session.ahead)):
            close = self._screen.key("close")
            tail += f"; all are inside: {close} {close} closes"
        return self._words(events) + tail

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

    # What follows

    def _follows(self, text: str, events: list[dict[str, Any]]) -> Follows | None:
        """Return what follows from a text; None while it is not known, and then it is worked out."""
        if self._estimate is None or not any(BY_NAME[event["kind"]].cause for event in events):
            return None
        if (known := of_choices(events, self._estimate)) is not None:
            return known
        if self._weighed[0] != text and len(events) <= MOST_SUPPOSED:
            self._weighed = (text, None)
            now = max(self._session.now(self._screen.utc()), self._progress.at)
            work = partial(self._weigh, text, self._estimate, self._session.ahead, events, now)
            self._screen.run_worker(work, thread=True, exclusive=True, exit_on_error=False, group="follows")
        return self._weighed[1]

    def _weigh(
        self, text: str, stands: Estimate, progress: Progress, events: list[dict[str, Any]], now: float
    ) -> None:
        """Work out what follows, beside the screen, for a text that stands for a moment."""
        time.sleep(STANDS_S)
        if get_current_worker().is_cancelled:
            return
        from tracker.forecast.estimate import estimate

        timed = [event if event["kind"] in UNTIMED else {"at": int(now), **event} for event in events]
        try:
            supposed = progress.suppose(*timed)
            follows = of_estimates(stands, estimate(supposed, max(now, supposed.at)))
        except (TrackerError, ValueError):
            return  # What cannot be is told by the line itself.
        self._screen.call_later(self._weighed_out, text, follows)

    def _weighed_out(self, text: str, follows: Follows) -> None:
        """Take in what follows, unless something else is typed by now."""
        if text == self._weighed[0]:
            self._weighed = (text, follows)
            line = self._screen.entry.line
            if line.display and line.value == text and self._sure is None:
                self._offer(text)


UNDO = "undo"
"""Typed alone it is what its key is."""
CHOICES = frozenset(("chose", "dropped", "restored", "moved", "called"))
"""Kinds that decide something, so that what they do to the chance is asked about."""

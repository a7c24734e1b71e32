"""What is typed: the entry line's opening, preview, completion and writing, and finding a step."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from tracker.console import key_events
from tracker.console.entry import EntryLine, Holder, Purpose
from tracker.console.key_events import EventBatch
from tracker.console.layout import WHAT_IF_PAGE
from tracker.console.view.steps import rows_of
from tracker.console.view.words import pet_s
from tracker.console.what_if import Weighing
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import count
from tracker.foundation.times import format_exact
from tracker.journal.progress import Progress
from tracker.journal.wording import event_words

MOST = 200
"""Characters in which events that are written together are told one by one."""


class Entering(Holder, Weighing):
    """The actions and messages of the entry line."""

    def action_entry(self) -> None:
        """Open the entry line with the chosen step, crew member or event; without one with the kept text."""
        if self.view_name == WHAT_IF_PAGE:
            self._open("what-if", None)
        elif self.view_name == "events" and self.chosen is not None:
            event = next((e for e in listed_events(self.progress) if str(e.number) == self.chosen), None)
            self._open("entry", f"amend {self.chosen} {pet_s(event.at)}" if event else None)
        elif self.chosen is not None:
            is_member = self.progress is not None and self.chosen in self.progress.plan.member
            self._open("entry", f"{self.chosen} " if is_member else f"done {self.chosen} ")
        else:
            self._open("entry", None)

    def action_fill(self, start: str) -> None:
        """Open the entry line with the beginning of an event."""
        self._open("entry", start)

    def action_hold(self) -> None:
        """Open the entry line with a hold from this instant on, so that the reason can be typed in peace."""
        if self.progress is None:
            return
        now = self.runtime.session.now(self.utc())
        self._open("entry", f"hold {format_exact_s(now)} ")

    def action_take_back(self) -> None:
        """Open the entry line with the withdrawal of the chosen event; a supposed line goes at once."""
        if self.view_name == WHAT_IF_PAGE:
            self.suppose_less()
        elif self.view_name == "events" and self.chosen is not None:
            self._open("entry", f"withdraw {self.chosen}")

    def action_what_if(self) -> None:
        """Turn to what is supposed, and open the line that supposes more."""
        if self.progress is not None:
            self.show_what_if()
            self._open("what-if", None)

    def action_find(self) -> None:
        """Open the line that finds a step."""
        self._open("find", None)

    def _open(self, purpose: Purpose, text: str | None) -> None:
        self._prefix = None
        if self.progress is None:
            return
        entry = self.entry
        entry.begin(purpose, text)
        self._show_entry(True)
        # At once: keys typed fast behind this one belong to the line.
        self.set_focus(entry)

    def _show_entry(self, shown: bool) -> None:
        for name, display in (("#entry", shown), ("#entry-label", shown), ("#footer", not shown)):
            self.query_one(name).display = display
        if not shown:
            self.set_focus(None)
        self.repaint()

    def _line_left(self) -> None:
        """Close the line; its text is kept."""
        kept = self.entry.value.strip()
        self._show_entry(False)
        self.say(
            f"kept: {kept}   {self.key('entry')} goes on with it"
            if kept and self.entry.purpose == "entry"
            else ""
        )

    def on_entry_line_offered(self, message: EntryLine.Offered) -> None:
        """Say what would be written."""
        if not self.entry.has_focus and not self.query_one("#entry").display:
            return
        if self.entry.purpose == "find":
            self._find(message.text)
        elif self.entry.purpose == "what-if":
            self.offer_supposed(message.text)
        elif message.text.strip():
            self.say(*self._preview(message.text))
        else:
            self.say(
                "1 -3   done STEP   note ...   hold EV1 until 2:30 ...   reading oxygen ...   Tab completes",
                "dim",
            )

    def _line_completing(self, message: EntryLine.Completing) -> None:
        """Complete what is typed."""
        from tracker.journal.typed.match import complete

        if self.progress is None:
            return
        if self.entry.purpose == "find":
            self._find_next(message.text, message.by)
            return
        before, parted, last = message.text.rpartition(";" if self.entry.purpose == "what-if" else "\n")
        begin = f"{before}{parted} " if parted else ""
        choices = [begin + one for one in complete(last.lstrip() if parted else last, self.progress)]
        if choices:
            self.entry.choose(choices, message.by)
        else:
            self.say("nothing completes this", "late")

    def _line_entered(self, message: EntryLine.Entered) -> None:
        """Write what was typed, or go to the step that was found."""
        if message.purpose == "find":
            if self.chosen is not None:
                self.runtime.session.say("")
            self.entry.accepted()
            self._show_entry(False)
            return
        if not message.text.strip():
            self._show_entry(False)
            return
        if message.purpose == "what-if":
            if self.suppose(message.text):
                self.entry.accepted()
                self._show_entry(False)
            return
        try:
            events = self._events(message.text)
        except TrackerError as error:
            self.say(error.lines[0], "late")
            return
        batch = EventBatch(tuple(events), self._words(events), self._crew(events))
        if self.perform(batch):
            self.entry.accepted()
            self._show_entry(False)

    def _events(self, text: str) -> list[dict[str, Any]]:
        from tracker.journal.typed import parse_entry

        session, utc = self.runtime.session, self.utc()
        progress = session.ahead
        now = session.now(utc, progress)
        return parse_entry(text, progress, now=now, utc_now=utc, seat=session.seat)

    def _preview(self, text: str) -> tuple[str, Any]:
        """Return what Enter would write, with the resulting PET and UTC, or what is wrong with the text."""
        try:
            events = self._events(text)
            unusual = self.runtime.session.unusual(events, self.utc())
        except TrackerError as error:
            return (error.lines[0], "late")
        note = f"   note: {unusual[0]}" if unusual else ""
        words = f"Enter writes {self._when(events[-1])}: {self._words(events)}{note}"
        return (words, "late" if unusual else "going")

    def _words(self, events: list[dict[str, Any]]) -> str:
        assert self.progress is not None
        said = [event_words(self.progress, str(event.get("kind")), event) for event in events]
        if len(said) == 1:
            return said[0]
        every = f"{count(len(said), 'event')}: {'; '.join(said)}"
        return every if len(every) <= MOST else f"{count(len(said), 'event')}, from {said[0]} to {said[-1]}"

    def _when(self, event: dict[str, Any]) -> str:
        """Return the PET and the UTC at which an event will stand."""
        progress, at = self.progress, event.get("at")
        assert progress is not None
        if event.get("kind") == "zero":
            return f"for {event.get('utc')}"
        pet = float(at) if isinstance(at, (int, float)) else self.runtime.session.now(self.utc())
        if progress.zero is None:
            return "before the clock starts"
        utc = progress.zero + timedelta(seconds=pet)
        return f"at {pet_s(pet)} = {utc:%H:%M:%S} UTC"

    def _crew(self, events: list[dict[str, Any]]) -> tuple[str, ...]:
        assert self.progress is not None
        named = [c for event in events for c in key_events.crew_of(self.progress, event)]
        return tuple(dict.fromkeys(named))

    # Finding a step

    def _matches(self, text: str) -> list[str]:
        """Return the steps of the list whose words or id hold every word that is typed."""
        if self.last_scene is None or not text.strip():
            return []
        return [row.step for row in rows_of(self.last_scene.snapshot) if self._has(row.step, text)]

    def _has(self, step: str, text: str) -> bool:
        """Return whether a step's id and words hold every word of a text."""
        assert self.last_scene is not None
        words = f"{step} {self.last_scene.progress.steps[step].step.do}".casefold()
        return all(word in words for word in text.casefold().split())

    def _left_out(self, text: str) -> str:
        """Return the steps with these words that are advised to be left out."""
        if self.last_scene is None:
            return ""
        out = self.last_scene.snapshot.passed_over
        steps = self.last_scene.progress.steps.values()
        return ", ".join(s.step.id for s in steps if s.step.task in out and self._has(s.step.id, text))

    def _find(self, text: str) -> None:
        matches = self._matches(text)
        self.view_name = "steps"
        self.chosen = matches[0] if matches else None
        if not text.strip():
            self.say("type some words of the step or its id; Tab goes to the next, Enter chooses it", "dim")
        elif matches:
            self.say(f"{count(len(matches), 'step')}: Tab goes to the next, Enter chooses it")
        elif left := self._left_out(text):
            self.say(
                f"not in the list, as the figures leave it out: {left}; {self.key('optional')} says why",
                "late",
            )
        else:
            self.say("no step has these words", "late")

    def _find_next(self, text: str, by: int) -> None:
        matches = self._matches(text)
        if matches:
            place = matches.index(self.chosen) if self.chosen in matches else -1
            self.chosen = matches[(place + by) % len(matches)]
            self.repaint()


def listed_events(progress: Progress | None) -> list[Any]:
    """Return the events of a progress; none before the journal is open."""
    return list(progress.fold.recorded) if progress is not None else []


def format_exact_s(seconds: float) -> str:
    """Return a PET with seconds where they count."""
    return format_exact(int(seconds))

"""What the lead asks of the view: another instant, what moved it, what if. Nothing here writes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from tracker.console.lead_state import LeadState
from tracker.console.supposing import with_supposed
from tracker.console.view.lead_scene import Supposed
from tracker.console.view.words import pet
from tracker.foundation.errors import TrackerError
from tracker.journal.wording import event_words


@dataclass
class LeadSession(LeadState):
    """The state of one lead's view."""

    # What the lead asks

    def go_to(self, at: float | None, utc: datetime) -> None:
        """Show another instant; None, or one that is not before the present: the present."""
        if self.followed.zero is None:
            self.say("the clock has not started: there is no earlier instant to show", "late")
            return
        present = self.present(utc)
        self.chosen = None if at is None or at >= present else max(0.0, at)
        self._settled = False
        self._moved, self._chances, self._unstudied = None, {}, True
        self.search.forget()
        self._show()
        self.say("")

    def by_minutes(self, minutes: float, utc: datetime) -> None:
        """Go back or on by minutes, to whole ones."""
        now = self.now(utc)
        at = (now // 60 + minutes) * 60 if now % 60 == 0 or minutes > 0 else -(-now // 60) * 60 + minutes * 60
        self.go_to(at, utc)

    def by_events(self, by: int, utc: datetime) -> None:
        """Go to the instant of the event before or after the one that is shown."""
        now = self.now(utc)
        times = sorted({max(0.0, event.at) for event in self.followed.events})
        if by < 0:
            earlier = [at for at in times if at < now]
            self.go_to(earlier[-1] if earlier else 0.0, utc)
        else:
            self.go_to(next((at for at in times if at > now), None), utc)

    def mark(self, utc: datetime) -> None:
        """Ask what moved the ingress since the instant that is shown; again: since half an hour before."""
        now = self.now(utc)
        self._mark = None if self._mark is not None else now
        self._moved = None
        since = "the last 30 minutes" if self._mark is None else f"{pet(self._mark)}, from now on"
        self.say(f"what moved the ingress: since {since}")
        self.wish(utc)

    def offer(self, text: str, utc: datetime) -> None:
        """Say what a line would suppose, before it is entered."""
        if self.picture is None or not text.strip():
            self.say("drop TASK; hold EV1 until 3:30; 1 >STEP; several parted by ;; Tab completes", "dim")
            return
        shown = self.picture.progress
        try:
            _, events = with_supposed(text, shown, self.now(utc), utc)
        except TrackerError as error:
            self.say(error.lines[0], "late")
            return
        words = "; ".join(event_words(shown, str(event["kind"]), event) for event in events)
        self.say(f"Enter supposes: {words}", "going")

    def suppose(self, text: str, utc: datetime) -> bool:
        """Suppose what is typed, beside what stands; whether it can be. Nothing is written."""
        self._supposed = Supposed(text) if text.strip() else None
        self.wish(utc)
        found = self._supposed
        return found is None or not found.trouble

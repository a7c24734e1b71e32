"""The clock that a desk goes by: even, whatever is done to the wall clock, until it is said which is right.

What was said is on record (`clocked`), so that an undo takes it back here as well. Hides how far the wall
clock is off, what of it was decided, and what each answer writes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from tracker.foundation.clock import ClockBegan, SteadyClock
from tracker.foundation.errors import EventError
from tracker.foundation.times import format_exact, format_instant, format_pet
from tracker.journal.kinds import ABOUT_EVENTS, BY_NAME
from tracker.journal.progress import Progress, Recorded

Event = dict[str, Any]

JUMP_S = 2.0
"""By how much the wall clock may be set before it is said."""
ZERO = "zero"
"""Typed for: both are right, the clock was started by one that was off."""


@dataclass(frozen=True, slots=True)
class ClockDoubt:
    """A difference between the wall clock and the one that the desk goes by, of which nothing was decided."""

    by_s: float
    """By how many seconds the wall clock was set forward; negative: back."""
    since: float
    """PET at which it was noticed."""
    words: str


class SeatClock:
    """Tells a desk the time, and what is in doubt about it."""

    def __init__(self, steady: SteadyClock) -> None:
        self._steady = steady
        self._known: int | None = None
        """Number of the last event when the clock began; None before the journal is open."""
        self._taken_s, self._left_s = 0.0, 0.0
        """What was taken over from the wall clock, and what it may be off by, as somebody said."""
        self._noticed: tuple[float, int] | None = None
        """PET and number of the last event at which the difference was noticed."""

    def go_on(self, began: ClockBegan) -> str:
        """Go on with the clock that was kept for this seat; what is to be said of it, if anything."""
        self._steady.go_on(began)
        self._known = began.known
        shown = f"{began.utc:%H:%M:%S} UTC"
        words = f"this machine was started anew since: PET goes by its wall clock, {shown}. Is that right?"
        return words if began.again else ""

    def utc_now(self) -> datetime:
        """The present instant by the clock that never steps, as corrected."""
        return self._steady.utc_now() + timedelta(seconds=self._taken_s)

    def hear(self, progress: Progress, seat: str) -> None:
        """Take in what this seat said of its clock since it began."""
        if self._known is None:
            self._known = progress.number
        words = [one for one in _own(progress, seat, self._known) if one.kind == "clocked"]
        self._taken_s = sum(one.body["by_s"] for one in words if one.body["trust"] == "wall")
        self._left_s = words[-1].body["by_s"] if words and words[-1].body["trust"] == "boot" else 0.0

    def doubt(self, progress: Progress, seat: str, now: float) -> ClockDoubt | None:
        """What is in doubt at PET `now`; None where the clocks agree, or it was said which is right."""
        off = self._steady.jump_s() - self._taken_s
        if abs(off) <= JUMP_S or abs(off - self._left_s) <= JUMP_S:
            self._noticed = None
            return None
        self._noticed = self._noticed or (now, progress.number)
        way = "forward" if off > 0 else "back"
        since, by = self._noticed[0], format_exact(abs(round(off)))
        words = (
            f"this machine's clock was set {way} by {by} at {format_pet(since)}. PET goes on by the clock "
        )
        words += "that never steps. Type `clock boot`: so it stays; `clock wall`: the set one is right, PET "
        words += "moves"
        if written := len(self._moved(progress, seat, off, "wall")):
            words += f", and what was written since ({written}) with it"
        if self._moved(progress, seat, off, ZERO):
            words += "; `clock zero`: both are right, the start moves"
        return ClockDoubt(off, since, words)

    def answer(self, text: str, progress: Progress, seat: str, now: float) -> list[Event] | None:
        """The events of a typed answer; None where the text is none. EventError where nothing is in doubt."""
        first, *rest = text.lower().split() or [""]
        if first not in BY_NAME["clocked"].every_word or rest not in (["boot"], ["wall"], [ZERO]):
            return None
        doubt = self.doubt(progress, seat, now)
        if doubt is None:
            raise EventError(
                "this machine's clock agrees with the one that PET goes by: nothing is to be chosen"
            )
        trust = "boot" if rest == ["boot"] else "wall"
        said: Event = {"kind": "clocked", "trust": trust, "by_s": round(doubt.by_s, 3)}
        return [said, *self._moved(progress, seat, doubt.by_s, rest[0])]

    def _moved(self, progress: Progress, seat: str, by_s: float, answer: str) -> list[Event]:
        """The corrections that go with an answer: of the start, or of what was stamped since the jump."""
        if self._known is None or self._noticed is None or answer == "boot":
            return []
        if answer == ZERO:
            own = (e for e in _own(progress, seat, self._known) if e.kind == "zero")
            utc = None if progress.zero is None else format_instant(progress.zero + timedelta(seconds=by_s))
            return [{"kind": "amended", "event": zero.number, "utc": utc} for zero in own]
        stamped = [e for e in _own(progress, seat, self._noticed[1]) if not e.stated and e.kind != "clocked"]
        return [{"kind": "amended", "event": e.number, "at": int(e.at) + round(by_s)} for e in stamped]


def _own(progress: Progress, seat: str, after: int) -> list[Recorded]:
    """What counts of a seat's entries after an event, by number."""
    own = (e for e in progress.events if e.seat == seat and e.number > after and e.kind not in ABOUT_EVENTS)
    return sorted(own, key=lambda event: event.number)


def instant_of(events: list[Event] | tuple[Mapping[str, Any], ...], utc: datetime) -> datetime:
    """The instant at which events are written: of an answer for the wall clock, that of the wall clock."""
    first = events[0] if events else {}
    # A line that is not typed to its end has no difference yet.
    return utc + timedelta(seconds=first.get("by_s", 0.0)) if first.get("trust") == "wall" else utc

"""Plays an excursion through a journal: the crew works, what it says is recorded, in the order of time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Protocol

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.journal.progress import Progress
from tracker.rehearsal.crew import Crew, Happened
from tracker.rehearsal.lead import Lead
from tracker.rehearsal.surprises import Surprise
from tracker.rehearsal.voice import Gauge, Said, Voice

CLOSE_S = 60.0
"""How long after the last word the excursion is closed."""


class Log(Protocol):
    """What a rehearsal needs of a journal."""

    def record_all(
        self, events: Sequence[Mapping[str, Any]], *, seat: str | None = None, utc_now: datetime | None = None
    ) -> list[int]:
        """Append events together, all or none."""

    def refresh(self) -> bool:
        """Take in what somebody else appended."""

    def progress(self) -> Progress:
        """Return what the events add up to."""


class Play:
    """One rehearsal, from its zero on: played instant by instant, as far as it is told to."""

    def __init__(
        self,
        log: Log,
        crew: Crew,
        voice: Voice,
        surprises: Sequence[Surprise] = (),
        *,
        lead: Lead | None = None,
        read_every_s: float = 1800.0,
        closes: bool = True,
        seat: str = "rehearsal",
    ) -> None:
        """Make ready.

        `read_every_s`: how often consumables are read. `closes`: the excursion is closed when everybody is
        inside and all is on record.
        """
        self._log, self.crew, self._voice, self._lead = log, crew, voice, lead
        self._surprises = [one for one in surprises if one.at < math.inf]
        self._closes, self._seat = closes, seat
        self._every_s = self._read_at = read_every_s
        self._close_at = math.inf
        self.at = 0.0

    @property
    def over(self) -> bool:
        """Whether the excursion is closed."""
        return self._log.progress().closed is not None

    def next_at(self) -> float:
        """Return when next something happens; infinite when nothing will by itself."""
        progress = self._log.progress()
        if progress.zero is None or progress.closed is not None:
            return math.inf
        surprise = self._surprises[0].at if self._surprises else math.inf
        reading = self._read_at if self.crew.out and self.crew.stores.accounts else math.inf
        looking = self._lead.next_at if self._lead else math.inf
        own = self.crew.next_at(progress)
        return max(self.at, min(own, self._voice.next_at(), surprise, reading, looking, self._close_at))

    def to(self, end: float, told: Callable[[float], None] | None = None) -> None:
        """Play everything that happens up to a PET, and let the time pass; `told` hears each PET."""
        self._step(self.at)
        while (at := self.next_at()) <= end and at < math.inf:
            self._step(at)
            if told is not None:
                told(at)
        progress = self._log.progress()
        if math.isfinite(end) and progress.zero is not None and progress.closed is None:
            self._hear(self.crew.advance(progress, end))
            self.at = max(self.at, end)

    def _step(self, at: float) -> None:
        """Play one instant."""
        progress = self._log.progress()
        if progress.zero is None or progress.closed is not None:
            return
        self.at = at
        self._hear(self.crew.advance(progress, at))
        self._surprise(at)
        self._read(at)
        self._record_due(at)
        if self._lead and self._lead.next_at <= at:
            self._record(self._lead.look(self._log.progress(), at), at)
        self._begin(at)
        self._close(at)

    def _hear(self, happened: Sequence[Happened]) -> None:
        progress = self._log.progress()
        for one in happened:
            self._voice.hear(one, progress)

    def _surprise(self, at: float) -> None:
        while self._surprises and self._surprises[0].at <= at:
            one = self._surprises.pop(0)
            if not self.crew.out:
                continue
            if one.kind == "leak":
                self.crew.stores.leak(one.crew[0], one.consumable, one.times)
            elif one.kind == "hold":
                self.crew.hold(one.crew, at + one.lasts_s)
            self._voice.surprise(one, at)

    def _read(self, at: float) -> None:
        if at < self._read_at:
            return
        self._read_at += self._every_s
        stores, plan, out = self.crew.stores, self.crew.plan, self.crew.out
        self._voice.read(
            [
                Gauge(owner, name, plan.consumable[name].unit, stores.read(owner, name, at))
                for owner, name in stores.accounts
                if owner == "*" or owner in out
            ],
            at,
        )

    def _record_due(self, at: float) -> None:
        while (said := self._voice.take(at, self._log.progress())) is not None:
            if not _needless(said, self._log.progress()):
                self._record([said.event], said.due, said.seat)

    def _begin(self, at: float) -> None:
        """Ask the lead about optional work that is about to begin, then begin what is ready."""
        while True:
            progress = self._log.progress()
            # No time passes: the crew only hears what was recorded in this instant, such as a recall.
            self._hear(self.crew.advance(progress, at))
            ready = self.crew.ready(progress)
            tasks = [t for t in (one.state.step.task for one in ready) if not self.crew.begun(t)]
            decided = self._lead.decide(progress, at, tasks) if self._lead else []
            if not decided or not self._record(decided, at):
                break
        self._hear(self.crew.begin(progress, ready))
        self._hear(self.crew.look(progress))

    def _close(self, at: float) -> None:
        """Close once everybody is inside and all has been said."""
        if not self._closes or self.crew.busy or self._voice.next_at() < math.inf:
            return
        if at >= self._close_at:
            self._record([{"kind": "closed"}], at)
        elif self._close_at == math.inf and not self.crew.out:
            self._close_at = at + CLOSE_S

    def _record(self, events: Sequence[Mapping[str, Any]], at: float, seat: str = "") -> bool:
        """Record events as if the clock stood at a PET; whether they are on record.

        What is refused is noted with its reason.
        """
        if not events:
            return True
        zero = self._log.progress().zero
        assert zero is not None
        now = zero + timedelta(seconds=at)
        try:
            self._log.record_all(events, seat=seat or self._seat, utc_now=now)
        except EventError as error:
            words = plain(f"not recorded: {error.lines[0]}", most=200)
            self._log.record_all([{"kind": "noted", "text": words}], seat=self._seat, utc_now=now)
            return False
        return True


def _needless(said: Said, progress: Progress) -> bool:
    """Whether somebody else has recorded it already, or it has lost its meaning."""
    kind, event = said.event["kind"], said.event
    if kind in ("done", "counted", "skipped"):
        return progress.steps[event["step"]].ended is not None
    if kind == "went":
        state = progress.steps[event["step"]]
        return state.gone or state.ended is not None
    if kind == "resumed":
        return not any(c in progress.holds for c in event["crew"])
    if kind == "entered":
        return event["crew"] in progress.entered
    return False
